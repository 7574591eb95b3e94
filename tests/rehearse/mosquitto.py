"""A broker for tests: mosquitto, which is not ours."""

from __future__ import annotations

import socket
import subprocess
from pathlib import Path

from waiting import until


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Mosquitto:
    """A broker that can be killed and started again on the same port."""

    def __init__(self, folder: Path, *lines: str) -> None:
        """`lines` are those of its configuration, after the one that says where it listens."""
        self.port = free_port()
        self.config = folder / "mosquitto.conf"
        self.config.write_text("\n".join([f"listener {self.port} 127.0.0.1", *lines]) + "\n")
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        words = ["mosquitto", "-c", str(self.config)]
        self.process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            until(self.answers, "mosquitto does not answer")
        except AssertionError:
            self.kill()
            raise

    def answers(self) -> bool:
        with socket.socket() as one:
            return one.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()
