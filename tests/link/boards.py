"""Boards in processes of their own, and a bench with everything it says kept: what the tests of the link stand on."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from benchcon.link import Bench, Pace, PortInfo
from benchcon.link.tap import Tap
from benchcon.state import BenchState
from benchcon.wire.events import Event
from benchcon.wire.host import Outcome
from benchcon.wire.records import Batch

LONG_S = 30.0
"""How long a test waits for what must happen: never for what must not."""
QUICK = Pace(listen_s=0.05, first_wait_s=0.05, most_wait_s=0.2, ask_again_s=0.3, rate_listen_s=0.15, rate_ask_s=0.3)


class PeerProcess:
    """A board in a process of its own."""

    def __init__(self, **options: Any) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("peer.py")), json.dumps(options)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.port = self._line()

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def say(self, command: str) -> Any:
        assert self.process.stdin is not None
        print(command, file=self.process.stdin, flush=True)
        return json.loads(self._line())

    def until(self, command: str, test: Callable[[Any], bool]) -> Any:
        """Ask again and again until the answer passes."""
        end = time.monotonic() + LONG_S
        while time.monotonic() < end:
            answer = self.say(command)
            if test(answer):
                return answer
            threading.Event().wait(0.01)
        raise AssertionError(f"{command}: still {answer}")

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()


class Watched:
    """A bench with everything it says kept, and the state worked out from it."""

    def __init__(self, *ports: str, **options: Any) -> None:
        options.setdefault("pace", QUICK)
        self.bench = Bench(ports, **options)
        self.batches: list[Batch] = []
        self.threads: set[int] = set()
        self.events: list[Event] = []
        self.state = BenchState()
        self.changed = threading.Condition()
        self.bench.subscribe(self._take)
        self.bench.start()

    def _take(self, batches: list[Batch]) -> None:
        with self.changed:
            self.threads.add(threading.get_ident())
            self.batches += batches
            for batch in batches:
                self.events += self.state.feed(batch)
            self.changed.notify_all()

    def wait(self, test: Callable[[], Any]) -> Any:
        """Wait until something heard makes `test` true."""
        with self.changed:
            if not self.changed.wait_for(test, LONG_S):
                raise AssertionError(f"did not come; ports {self.bench.ports()}; link {self.links()[-10:]}")
            return test()

    def stands(self, port: str, *stages: str) -> PortInfo:
        """Wait until `port` stands so."""

        def there(infos: list[PortInfo]) -> bool:
            return any(info.port == port and info.stage in stages for info in infos)

        assert self.bench.wait(there, LONG_S), f"{self.bench.ports()} {self.links()[-10:]}"
        return next(info for info in self.bench.ports() if info.port == port)

    def links(self) -> list[tuple[int, str]]:
        """The link records so far."""
        return [(batch.source, body.decode()) for batch in self.batches if batch.kind == "~" for body in batch.bodies]

    def linked(self, text: str) -> bool:
        return any(text in body for _, body in self.links())


def did(future: Future[Outcome]) -> Outcome:
    """Wait for an intent that must be done."""
    outcome = future.result(LONG_S)
    assert not outcome.refused, outcome
    assert not outcome.gave_up, outcome
    return outcome


@contextlib.contextmanager
def turning(tap: Tap) -> Iterator[None]:
    """The tap is turned by a thread of its own meanwhile."""
    done = threading.Event()

    def turn() -> None:
        while not done.is_set():
            tap.turn(0.05)

    thread = threading.Thread(target=turn)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


class Flooder:
    """`flooder.py` in a process of its own."""

    def __init__(self, rate: float = 1e9) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("flooder.py")), str(rate)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.port = self.process.stdout.readline().strip()

    def say(self, word: str) -> Any:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        print(word, file=self.process.stdin, flush=True)
        return json.loads(self.process.stdout.readline())

    def until(self, word: str, test: Callable[[Any], bool]) -> Any:
        end = time.monotonic() + LONG_S
        while not test(told := self.say(word)):
            assert time.monotonic() < end, f"{word}: still {told}"
        return told

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()
