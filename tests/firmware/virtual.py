"""The firmware's core in virtual time, with sanitizers, driven from a test: `with board("reference") as b`.

The program is `protocols/firmware/native/virtual.c`; the protocol of its commands stands there. Each panel is built
once in a test run. A finding of a sanitizer ends the program, and the next command then fails with what it said.
"""

from __future__ import annotations

import binascii
import functools
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest
from firmware import builds

from benchcon.protocol_files import protocols_dir

FIRMWARE = protocols_dir() / "firmware"
PANELS = {
    "reference": FIRMWARE / "panels" / "reference",
    "desk": FIRMWARE / "panels" / "desk",
    "matrix": Path(__file__).parent / "panels" / "matrix",
}
SCAN_US = 400
"""From scan to scan, as `BB_SCAN_US` in `core/panel_types.h`."""

_TOOLS = {"make": "make", "cc": "gcc"}
MISSING = [package for tool, package in _TOOLS.items() if shutil.which(tool) is None]
"""Debian packages that the native build needs and that are not there."""

needs_compiler = pytest.mark.skipif(
    bool(MISSING),
    reason=f"the native build needs a C compiler and make; on Debian: apt-get install {' '.join(MISSING)}",
)


def check_of(body: str) -> str:
    """The check word of a line's body, from the standard library (CRC-16/IBM-3740)."""
    return f"#{binascii.crc_hqx(body.encode() + b' ', 0xFFFF):04X}"


class Said(NamedTuple):
    """A line from the board: when its first byte left (µs since reset) and its words without the check."""

    at_us: int
    body: str

    @property
    def words(self) -> list[str]:
        return self.body.split(" ")

    @property
    def clock_us(self) -> int:
        """Only of a notification: the board's clock in it."""
        return int(self.words[1], 16)

    @property
    def notification(self) -> str | None:
        """What a notification says, without number and clock; None for an answer."""
        return " ".join(self.words[2:]) if self.body[0] == "!" else None


class Board:
    """One running program. Every method returns what the board said meanwhile, or what it was asked for."""

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen(
            [str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self.said: list[Said] = []

    def command(self, *words: object) -> list[str]:
        """One command; lines from the board go to `said`, the rest is returned."""
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        answers: list[str] = []
        try:
            stdin.write(" ".join(map(str, words)) + "\n")
            stdin.flush()
        except BrokenPipeError:
            raise AssertionError(self._end()) from None
        while True:
            line = stdout.readline()
            if line == "done\n":
                return answers
            assert line, self._end()
            kind, _, rest = line.rstrip("\n").partition(" ")
            if kind != "line":
                answers.append(rest)
                continue
            at, _, text = rest.partition(" ")
            body, _, check = text.rpartition(" ")
            assert len(text) <= 79, text
            assert check == check_of(body), text
            self.said.append(Said(int(at), body))

    def _end(self) -> str:
        self._process.kill()
        return f"the board's program ended: {self._process.communicate()[1][-4000:]}"

    def take(self) -> list[Said]:
        """What has been said since the last time."""
        said, self.said = self.said, []
        return said

    def run(self, ms: float) -> list[Said]:
        """Let time go by."""
        self.command("run", round(ms * 1000))
        return self.take()

    def settle(self) -> None:
        """Past the boot notification and the first scans; nothing said so far is kept."""
        self.run(20)

    def send(self, data: bytes) -> None:
        """Bytes on the board's serial line."""
        if data:
            self.command("bytes", data.hex())

    def ask(self, words: str, tag: int = 1, ms: float = 20) -> Said:
        """A request; the answer. Notifications meanwhile stay in `said`."""
        kept = self.take()
        body = f">{tag:02X} {words}"
        self.send(f"{body} {check_of(body)}\n".encode())
        answers = []
        for said in self.run(ms):
            (kept if said.notification is not None else answers).append(said)
        self.said = kept
        assert len(answers) == 1, answers
        assert answers[0].words[0] == f"<{tag:02X}"
        return answers[0]

    def outputs(self, what: str) -> dict[str, str]:
        """`lit` (permille) or `shown` (segments), as an eye would see it."""
        (line,) = self.command(what)
        return dict(word.split("=") for word in line.split())

    def lit(self) -> dict[str, int]:
        return {id_: int(level) for id_, level in self.outputs("lit").items()}

    def notifications(self, ms: float, *kinds: str) -> list[Said]:
        """Notifications of these kinds (all but `alive` without any) in the next so many ms."""
        found = self.run(ms)
        return [
            said
            for said in found
            if said.notification and (said.words[2] in kinds if kinds else said.words[2] != "alive")
        ]

    def close(self) -> None:
        stdin = self._process.stdin
        assert stdin is not None
        stdin.close()
        code = self._process.wait(20)
        assert code == 0, self._end()
        for stream in (self._process.stdout, self._process.stderr):
            assert stream is not None
            stream.close()


def room() -> Path:
    """The folder for builds, gone when the tests are over."""
    return builds.room("native")


def make(*words: str) -> str:
    """`make` in the firmware folder, into the folder for builds; what it printed. Fails with what it said."""
    return builds.make(FIRMWARE, *words, f"OUT={room()}")


@functools.cache
def built(panel: str, what: str = "virtual", program: str = "benchboard-virtual") -> Path:
    """The path of a program of this panel, built if need be."""
    make(what, f"PANEL={PANELS[panel]}")
    return room() / "native" / panel / program


@contextmanager
def board(panel: str, settle: bool = True) -> Iterator[Board]:
    """A board just powered up; with `settle`, past its boot notification."""
    running = Board(built(panel))
    try:
        if settle:
            running.settle()
        yield running
    finally:
        running.close()
