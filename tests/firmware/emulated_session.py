"""A session with the emulated desk, worked by its hand: shared by the tests and by what records `captures/`."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from firmware.emulated import Paced

from benchcon.cli.draft import ask
from benchcon.link import Bench
from benchcon.link.outcomes import say
from benchcon.panel.draft import draft
from benchcon.panel.file import loads
from benchcon.rig.hand import Hand
from benchcon.session import LiveSession
from benchcon.wire import events as ev

LONG_S = 30.0


def drafted(port: str) -> str:
    """The panel file that `benchcon draft PORT` writes."""
    return draft(ask([port], LONG_S))


class Working:
    """A live session on one emulated board, and ways to wait for what it hears."""

    def __init__(self, paced: Paced, panel: str, folder: Path) -> None:
        self.hand = Hand(paced.control)
        self.bench = Bench([paced.port], panel=loads(panel), deadman_ms=2000)
        self.session = LiveSession(self.bench, loads(panel), {paced.name: self.hand}, kept=folder / "kept.capture")
        self.changed = threading.Condition()
        self.events: list[ev.Event] = []
        self.session.subscribe(self._heard)
        self.bench.start()
        self.until(lambda: self.board is not None and self.board.known and self.board.liveness(self.now_us) == "live")

    def _heard(self, events: list[ev.Event]) -> None:
        with self.changed:
            self.events += events
            self.changed.notify_all()

    @property
    def now_us(self) -> int:
        return self.session.now_us()

    @property
    def board(self) -> Any:
        return next(iter(self.session.state.boards.values()), None)

    def value(self, channel: str) -> int | None:
        with self.session.lock:
            value: int | None = self.board.channels[channel].value
            return value

    def until(self, test: Callable[[], Any], timeout_s: float = LONG_S) -> Any:
        """What `test()` gives once it is true; it is asked after each thing heard."""
        end = time.monotonic() + timeout_s
        with self.changed:
            while not (found := test()):
                self.changed.wait(0.05)
                assert time.monotonic() < end or test(), (self.bench.ports(), self.events[-5:])
            return found

    def close(self) -> None:
        self.session.close()
        self.hand.close()


@contextlib.contextmanager
def working(paced: Paced, panel: str, folder: Path) -> Iterator[Working]:
    """A session that is always closed."""
    session = Working(paced, panel, folder)
    try:
        yield session
    finally:
        session.close()


def work_everything(at: Working) -> None:
    """Every input moved by the hand and seen by the console's state; every output set and seen by the hand."""
    with at.session.lock:
        channels = list(at.board.channels.values())
    source = at.board.source
    for channel in channels:
        if channel.kind == "contact":
            for act, value in ((at.hand.press, 1), (at.hand.release, 0)):
                act(channel.id)
                at.until(lambda c=channel.id, v=value: at.value(c) == v)  # type: ignore[misc]
        elif channel.kind == "encoder":
            for detents, value in ((3, 12), (-4, 0x10000 - 4)):
                at.hand.turn(channel.id, detents)
                at.until(lambda c=channel.id, v=value: (at.value(c) or 0) % 0x10000 == v)  # type: ignore[misc]
        elif channel.kind == "pot":
            for percent, low, high in ((100.0, 0x3FF, 0x3FF), (0.0, 0, 0), (50.0, 506, 518)):
                at.hand.put_percent(channel.id, percent)
                at.until(lambda c=channel.id, a=low, b=high: a <= (at.value(c) if at.value(c) is not None else -1) <= b)  # type: ignore[misc, operator]
    at.session.mark("inputs done")
    for n, channel in enumerate(c for c in channels if c.kind == "lamp"):
        level = (1000, 500, 250)[n % 3]
        assert not say(at.bench.set_lamp(source, channel.id, level).result(LONG_S))
        at.until(lambda c=channel.id, v=level: abs(at.hand.lit()[c] - v) <= 10)  # type: ignore[misc]
    for channel in (c for c in channels if c.kind == "display"):
        digits = int(channel.detail["digits"], 16)
        segments = bytes((0x7E, 0x30, 0x6D, 0x79, 0xB3)[:digits])
        assert not say(at.bench.set_display(source, channel.id, segments).result(LONG_S))
        at.until(lambda c=channel.id, v=segments: at.hand.shown(c) == v)  # type: ignore[misc]
    at.session.mark("outputs done")
    assert at.bench.dark().result(LONG_S).sure
    at.until(lambda: not any(at.hand.lit().values()) and not any(any(s) for s in at.hand.shown_all().values()))
    at.until(lambda: at.board.dark)
