"""A session fed by hand: real state, real protocol lines, and boards that answer at once, all in this thread.

For what no simulated board says by itself: strangers, damaged lines, boards that are deaf, lost ports. All else
belongs on the real bench, `on_boards`; ports, processes and time are tested in `test_console_terminal.py`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from console.on_boards import ostrey

from benchcon.link import PortInfo
from benchcon.panel.model import Control, Lamp, Panel
from benchcon.session import LiveSession
from benchcon.wire.codec import answer, notification, request
from benchcon.wire.events import Event
from benchcon.wire.host import Outcome
from benchcon.wire.observer import Observer
from benchcon.wire.quote import quote
from benchcon.wire.records import BENCH, BYTES_UP, LINE_DOWN, LINE_UP, LINK, NOTE, Batch

OSTREY = Path(__file__).parents[2] / "benchcon" / "demo" / "ostrey.toml"


class Answering:
    """Takes intents as `benchcon.link.Bench` does; its boards answer at once, unless they are `deaf`."""

    began = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)

    def __init__(self) -> None:
        self.session: Fed
        self.at_us = 1_000_000
        self.listeners: list[Callable[[list[Batch]], None]] = []
        self.followers: list[Callable[[list[Batch], list[list[Event]]], None]] = []
        self.lock = threading.RLock()
        self.observer = Observer()
        self.deaf: set[int] = set()
        self.allowed: list[Panel | None] = []
        """The panels whose budgets were to hold, in order."""
        self.asked: list[tuple[int, tuple[str, ...]]] = []
        self.ports_worked: list[tuple[str, str]] = []
        self.refuse: tuple[str, ...] | None = None
        self.more_ports: list[PortInfo] = []

    def now_us(self) -> int:
        return self.at_us

    def subscribe(self, listener: Callable[[list[Batch]], None]) -> Callable[[], None]:
        self.listeners.append(listener)
        return lambda: self.listeners.remove(listener)

    def follow(self, follower: Callable[[list[Batch], list[list[Event]]], None]) -> Callable[[], None]:
        self.followers.append(follower)
        return lambda: self.followers.remove(follower)

    def close(self, *, dark: bool = True) -> bool:
        return not self.deaf

    def beat(self, *, last: bool = False) -> None:
        """Feed no dead-man: there is none here; `tests/ends` holds that on real boards."""

    def ask(self, source: int, words: tuple[str, ...]) -> Future[Any]:
        self.asked.append((source, words))
        future: Future[Any] = Future()
        if source in self.deaf:
            future.set_result(Outcome(1, words, None, False, 4, True, 0))
            return future
        told = self.refuse
        if told is None:
            told = (words[0], "00100000") if words[0] in ("set", "dark", "light") else words
        self.session.exchange(source, words, told)
        future.set_result(Outcome(1, words, told, told[0] == "no", 1, False, 2000))
        return future

    def set_lamp(self, source: int, channel: str, permille: int) -> Future[Any]:
        board = self.session.state.boards.get(source)
        if board is not None and channel in board.channels and board.channels[channel].blinking:
            self.session.link(source, "blink", channel=channel, on="0")
        return self.ask(source, ("set", f"{channel}={permille:03X}"))

    def set_display(self, source: int, channel: str, segments: bytes) -> Future[Any]:
        return self.ask(source, ("set", f"{channel}={segments.hex().upper()}"))

    def set_many(self, source: int, values: dict[str, int | bytes]) -> Future[Any]:
        told = {
            name: f"{value:03X}" if isinstance(value, int) else value.hex().upper() for name, value in values.items()
        }
        return self.ask(source, ("set", *(f"{name}={value}" for name, value in told.items())))

    def blink(self, source: int, channel: str, on: bool) -> None:
        self.set_lamp(source, channel, 1000 if on else 0)
        self.session.link(source, "blink", channel=channel, on=str(int(on)))

    def raw(self, source: int, channel: str, on: bool) -> Future[Any]:
        return self.ask(source, ("raw", f"{channel}={int(on)}"))

    def wink(self, source: int) -> Future[Any]:
        return self.ask(source, ("wink",))

    def dark(self) -> Future[Any]:
        for source in self.session.state.boards:
            self.ask(source, ("dark",))
        return Future()

    def light(self, source: int | None = None) -> Future[Any]:
        for each in self.session.state.boards:
            if source in (None, each):
                self.ask(each, ("light",))
        return Future()

    def allow(self, panel: Panel | None) -> None:
        self.allowed.append(panel)

    def ports(self) -> list[PortInfo]:
        now_us, boards = self.session.at_us, self.session.state.boards.values()
        known = [
            PortInfo(board.port, board.standing(now_us), "", board.source, board.ident, 115200) for board in boards
        ]
        return [*known, *self.more_ports]

    @property
    def has_ports(self) -> bool:
        return bool(self.ports())

    def add_port(self, port: str) -> None:
        self.ports_worked.append(("open", port))

    def release(self, port: str) -> Future[None]:
        self.ports_worked.append(("release", port))
        self.session.link(self.session.source_of_port(port), "released", port=port)
        future: Future[None] = Future()
        future.set_result(None)
        return future

    def reopen(self, port: str) -> None:
        self.ports_worked.append(("reopen", port))
        self.session.link(self.session.source_of_port(port), "taken", port=port)

    def note(self, kind: str, text: str) -> None:
        self.session.feed(Batch(self.session.at_us, BENCH, NOTE, [f"{kind} {text}".encode()]))


class Hand:
    """The simulated hand of one board: what it moves is reported in a notification at once."""

    def __init__(self, session: Fed, board: str) -> None:
        self.session, self.board = session, board
        self.turned: dict[str, int] = {}

    def press(self, part: str) -> None:
        self.session.moved(self.board, **{part: 1})

    def release(self, part: str) -> None:
        self.session.moved(self.board, **{part: 0})

    def put(self, part: str, position: int) -> None:
        control = next(
            each
            for each in self.session.panel.controls
            if any(channel.id == part and channel.board == self.board for channel in each.channels)
        )
        if control.kind == "pot":
            self.session.moved(self.board, **{part: position})
        else:
            codes = zip(control.channels, control.codes[position], strict=True)
            self.session.moved(self.board, **{channel.id: value for channel, value in codes})

    def turn(self, part: str, detents: int) -> None:
        self.turned[part] = self.turned.get(part, 0) + 4 * detents
        self.session.moved(self.board, **{part: self.turned[part] & 0xFFFF})


class Fed(LiveSession):
    """A live session without a link: `feed` it."""

    bench: Answering  # type: ignore[assignment]

    def __init__(self, panel: Panel | None = None, *, simulated: bool = True, described: bool = True) -> None:
        bench = Answering()
        super().__init__(bench, panel if panel is not None else ostrey())  # type: ignore[arg-type]
        bench.session = self
        self.simulated = simulated
        self.badge = "SIMULATED" if simulated else ""
        self._numbers: dict[int, int] = {}
        self._tags: dict[int, int] = {}
        if described:
            for source, board in enumerate(self.panel.boards, 1):
                self.describe(source, board.name)
        if simulated:
            self.hands = {board.name: Hand(self, board.name) for board in self.panel.boards}  # type: ignore[misc]

    @property
    def at_us(self) -> int:
        return self.bench.at_us

    @at_us.setter
    def at_us(self, at_us: int) -> None:
        self.bench.at_us = at_us

    def feed(self, *batches: Batch) -> None:
        with self.bench.lock:
            observed = [self.bench.observer.feed(batch) for batch in batches]
            for follower in tuple(self.bench.followers):
                follower(list(batches), observed)
        for listener in tuple(self.bench.listeners):
            listener(list(batches))

    # --- what a board says ----------------------------------------------------------------------------------------

    def source(self, board: str) -> int:
        return next(i for i, each in enumerate(self.panel.boards, 1) if each.name == board)

    def source_of_port(self, port: str) -> int:
        return next(board.source for board in self.state.boards.values() if board.port == port)

    def link(self, source: int, word: str, **detail: str) -> None:
        pairs = " ".join(f"{key}={quote(text)}" for key, text in detail.items())
        self.feed(Batch(self.at_us, source, LINK, [f"{word} {pairs}".rstrip().encode()]))

    def exchange(self, source: int, words: tuple[str, ...], told: tuple[str, ...]) -> None:
        tag = self._tags[source] = self._tags.get(source, 0) % 255 + 1
        self.feed(Batch(self.at_us, source, LINE_DOWN, [request(tag, words)]))
        self.feed(Batch(self.at_us + 2_000, source, LINE_UP, [answer(tag, told)]))

    def notification(self, source: int, *words: str) -> None:
        number = self._numbers.get(source, 0)
        self._numbers[source] = number + 1
        self.feed(Batch(self.at_us, source, LINE_UP, [notification(number, self.at_us, words)]))

    def moved(self, board: str, **values: int) -> None:
        """Inputs changed."""
        source = self.source(board)
        channels = self.state.boards[source].channels
        wide = {channel: 4 if channels[channel].kind in ("encoder", "pot") else 1 for channel in values}
        self.notification(source, "is", *(f"{channel}={value:0{wide[channel]}X}" for channel, value in values.items()))

    def alive(self, source: int, dark: bool = False) -> None:
        flags = 2 + dark
        self.notification(source, "alive", "0007", "0000", "0000", "0000", "01F4", "1388", f"{flags:02X}")

    def noise(self, source: int, raw: bytes) -> None:
        self.feed(Batch(self.at_us, source, BYTES_UP, [raw]))

    def wait(self, seconds: float, *, alive: bool = True) -> None:
        """Let time pass; boards that are connected give heartbeats unless told not to."""
        self.at_us += round(seconds * 1e6)
        if alive:
            for board in list(self.state.boards.values()):
                if board.link == "linked":
                    self.alive(board.source, board.dark)

    def describe(self, source: int, name: str) -> None:
        """A board is plugged in and says what it has: what the panel file says is on it."""
        self.link(source, "opened", port=f"/dev/ttyUSB{source - 1}")
        items = [("board", f"ident={name}", f"name={quote(name.title() + ' desk')}")]
        values = []
        for control in self.panel.controls:
            for index, channel in enumerate(control.channels):
                if channel.board == name:
                    kind = {"encoder": "encoder", "pot": "pot"}.get(control.kind, "contact")
                    items.append((kind, channel.id, f"pin={quote(channel.wire.pin or '?')}"))
                    first = control.codes[0][index] if control.codes else 0
                    values.append(f"{channel.id}={first:0{1 if kind == 'contact' else 4}X}")
        for part in (*self.panel.lamps, *self.panel.displays):
            if part.channel.board == name:
                if isinstance(part, Lamp):
                    items.append(("lamp", part.channel.id, "dim=1"))
                    values.append(f"{part.channel.id}=000")
                else:
                    items.append(("display", part.channel.id, f"digits={part.digits:X}"))
                    values.append(f"{part.channel.id}={'00' * part.digits}")
        self.exchange(source, ("hello",), ("hello", "01", f"{len(items):02X}", "0080", "0007", name))
        self.link(source, "ident", ident=name)
        for index, item in enumerate(items):
            self.exchange(source, ("item", f"{index:02X}"), ("item", f"{index:02X}", *item))
        for start in range(0, max(len(values), 1), 3):
            page = values[start : start + 3]
            last = start + 3 >= len(values)
            asked = ("read", "all") if start == 0 else ("read", "all", f"{start:02X}")
            self.exchange(source, asked, ("read", "FFFF", "00000000", "00" if last else f"{start + 3:02X}", *page))
        self.alive(source)


def control_named(panel: Panel, name: str) -> Control:
    return next(each for each in panel.controls if each.name == name)
