"""A live session on the real bench and its real conversations, over simulated boards in this process, in virtual time.

Limits, blinking that ends, resets and dark are the link's own; ports, threads and processes are tested with the real
things in `test_console_terminal.py`. Each frame that the console draws lets `FRAME_US` pass; `pass_time` lets more.

What a port does by itself (`link`, `lost`, `BoardsBench.more_ports`) and what no board of ours would send (`feed`,
`noise`, `says`) is put into the same stream by the test.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from benchcon.errors import Trouble
from benchcon.link import Bench, PortInfo
from benchcon.link.bench import SCREEN, DarkResult
from benchcon.link.conversation import Talk
from benchcon.link.records import link_record
from benchcon.panel.file import load
from benchcon.panel.model import Control, Panel
from benchcon.rehearse.virtual import VirtualBench
from benchcon.rig.control import obey
from benchcon.rig.hand import Hand
from benchcon.session import LiveSession
from benchcon.wire.board import BoardSide
from benchcon.wire.codec import answer, heard_request, notification, request
from benchcon.wire.observer import Observer
from benchcon.wire.records import BYTES_UP, LINE_DOWN, LINE_UP, Batch

OSTREY = Path(__file__).parents[2] / "benchcon" / "demo" / "ostrey.toml"
FRAME_US = 50_000
_BY_ITSELF = ("hello", "item", "read", "alive", "deadman", "ping")
"""What the link asks of boards by itself."""


class BoardsBench(Bench):
    """`Bench` with its hub's place taken by a `VirtualBench`: what is asked is done at once, in this thread.

    A wiggle's watch lets time pass on a thread of its own, so `lock` is held wherever anything moves: the boards' own
    virtual bench knows one thread only.
    """

    def __init__(self, panel: Panel) -> None:
        super().__init__([], panel=panel, keep=False)
        self.began = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
        self.virtual = virtual = VirtualBench(panel, Observer(), lambda batches, events: None)
        self._stream = virtual._stream
        self.frame_us = FRAME_US
        """How much time a frame of the console lets pass."""
        self.more_ports: list[PortInfo] = []
        self.ports_worked: list[tuple[str, str]] = []
        self.asked: list[tuple[int, tuple[str, ...]]] = []
        """What was asked of boards, by source, without what the link asks by itself."""
        self.allowed: list[Panel | None] = []
        """The panels whose budgets were to hold, in order."""
        virtual._stream.subscribe(self._note_asked)
        hub = SimpleNamespace(
            panel=panel,
            emit=virtual.emit,
            allow=self._allow,
            talk_of=lambda source: next((talk for talk in virtual.talks.values() if talk.source == source), None),
            all_outputs=lambda: [talk.outputs for talk in virtual.talks.values()],
        )
        self._hub = cast(Any, hub)

    def now_us(self) -> int:
        return self.virtual.now_us()

    def beat(self, who: str = SCREEN, *, last: bool = False) -> None:
        if not last:
            self.pass_time(self.frame_us)

    def start(self) -> None:
        self.virtual.open()

    def close(self, *, dark: bool = True) -> bool:
        return True

    def _call(self, do: Callable[[], Any]) -> bool:
        with self.lock:
            do()
            self.virtual.settle()
        return True

    def _of_all(self, do: Callable[..., None], source: int | None = None) -> Future[DarkResult]:
        done: list[int] = []
        talks = [talk for talk in self.virtual.talks.values() if source in (None, talk.source)]
        with self.lock:
            for talk in talks:
                do(talk, lambda outcome, number=talk.source: done.append(number) if outcome.done else None)
            self.virtual.settle()
        future: Future[DarkResult] = Future()
        left = tuple(talk.source for talk in talks if talk.source not in done)
        future.set_result(DarkResult(tuple(done), left, ()))
        return future

    def _note_asked(self, batches: list[Batch]) -> None:
        for batch in batches:
            if batch.kind == LINE_DOWN:
                asked = ((batch.source, tuple(heard_request(line)[1])) for line in batch.bodies)
                self.asked += [each for each in asked if each[1][0] not in _BY_ITSELF]

    def _allow(self, panel: Panel | None) -> None:
        self.allowed.append(panel)
        self._hub.panel = self.virtual.panel = panel if panel is not None else Panel()
        for talk in self.virtual.talks.values():
            self.virtual.outputs(talk.source, talk.ident)

    def ports(self) -> list[PortInfo]:
        talks = self.virtual.talks.values()
        known = [PortInfo(talk.connection.port, "live", "", talk.source, talk.ident, 115_200) for talk in talks]
        return [*known, *self.more_ports]

    @property
    def has_ports(self) -> bool:
        return bool(self.ports())

    def add_port(self, port: str) -> None:
        self.ports_worked.append(("open", port))

    def release(self, port: str) -> Future[None]:
        self.ports_worked.append(("release", port))
        for name in [name for name, talk in self.virtual.talks.items() if talk.connection.port == port]:
            self.unplug(name, "released")
        self.more_ports = [each for each in self.more_ports if each.port != port]
        self.more_ports.append(PortInfo(port, "released", "", 0, "", 115_200))
        future: Future[None] = Future()
        future.set_result(None)
        return future

    def reopen(self, port: str) -> None:
        self.ports_worked.append(("reopen", port))

    def unplug(self, board: str, word: str = "lost", why: str = "by the user") -> None:
        """A board's port is gone: nothing passes any more, either way."""
        with self.lock:
            talk = self.virtual.talks.pop(board)
            cable = self.virtual._cable_of[board]
            self.virtual.cables.remove(cable)
            talk.end(why)
            self.virtual.emit([link_record(self.now_us(), talk.source, word, port=cable.port, why=why)])

    def pass_time(self, us: int) -> None:
        """Let time pass; what is due is done."""
        with self.lock:
            virtual, until = self.virtual, self.virtual.now_us() + us
            while (due_us := virtual.next_us()) is not None and due_us <= until:
                virtual.go_to(due_us)
                virtual.settle()
            virtual.go_to(until)
            virtual.settle()


class BoardHand(Hand):
    """The hand of one board."""

    def __init__(self, bench: BoardsBench, board: str) -> None:
        super().__init__("unix:/nowhere")
        self.bench, self.board = bench, board

    def ask(self, *words: str, allow_s: float = 0.0) -> list[str]:
        answers: list[str] = []
        virtual = self.bench.virtual
        with self.bench.lock:
            obey(virtual.boards[self.board], " ".join(words).encode(), virtual.now_us(), answers.append)
            virtual._cable_of[self.board].touched()
        for _ in range(100):
            if answers:
                break
            self.bench.pass_time(10_000)
        verdict, *rest = answers[0].split() or [""]
        if verdict != "ok":
            raise Trouble(answers[0])
        return rest


@functools.cache
def ostrey() -> Panel:
    """The demo's panel, which nothing changes: read once."""
    return load(OSTREY)


class OnBoards(LiveSession):
    """A session on the boards of a panel; their hands are the console's and the test's."""

    bench: BoardsBench

    def __init__(
        self, panel: Panel | None = None, *, simulated: bool = True, shown: Panel | None = None, start: bool = True
    ) -> None:
        """`simulated`: whether the console knows that they are, and works their controls; `shown`: its panel, if that
        is not the one that the boards are built to; not to `start`: the boards are plugged in later."""
        panel = panel if panel is not None else ostrey()
        bench = BoardsBench(panel)
        self.fingers = {board.name: BoardHand(bench, board.name) for board in panel.boards}
        """The test's own hands."""
        super().__init__(bench, panel if shown is None else shown, self.fingers if simulated else None)
        self._built = panel
        self._tags: dict[int, int] = {}
        self._numbers: dict[int, int] = {}
        self._sources = {name: number for number, name in enumerate(bench.virtual.boards, 1)}
        if start:
            bench.start()
            self.wait(0.1)  # they say how their controls stand

    @property
    def at_us(self) -> int:
        """The virtual time."""
        return self.now_us()

    def source(self, board: str) -> int:
        return self._sources[board]

    # --- what no simulated board does by itself -------------------------------------------------------------------

    def feed(self, *batches: Batch) -> None:
        """These records are in the stream, whatever the boards say."""
        self.bench.virtual.emit(list(batches))

    def link(self, source: int, word: str, **detail: str) -> None:
        """The link says this of a port or of itself."""
        self.feed(link_record(self.now_us(), source, word, **detail))

    def noise(self, source: int, raw: bytes) -> None:
        """Bytes that are no line come in."""
        self.feed(Batch(self.now_us(), source, BYTES_UP, [raw]))

    def says(self, board: str, *words: str) -> None:
        """A board sends a notification, by its own count."""
        self._side(board).say(words, self.now_us())
        self._sends(board)

    def goes_dark(self, board: str, why: str = "deadman") -> None:
        """A board goes dark by itself."""
        side = self._side(board)
        side.go_dark(why, self.now_us())
        self._sends(board)

    @contextlib.contextmanager
    def deaf(self, board: str) -> Iterator[None]:
        """What a board is sent meanwhile is lost on the way."""
        cable = self.bench.virtual._cable_of[board]
        cable.send = lambda data: True  # type: ignore[method-assign]
        yield
        del cable.send

    @contextlib.contextmanager
    def unheard(self, board: str) -> Iterator[None]:
        """What a board says meanwhile is lost on the way."""
        cable = self.bench.virtual._cable_of[board]
        heard, cable.heard = cable.heard, lambda data, at_us: None
        yield
        cable.heard = heard

    def exchange(self, source: int, words: tuple[str, ...], told: tuple[str, ...]) -> None:
        """A board that is none of ours, on a port of its own, is asked something and answers."""
        tag = self._tags[source] = self._tags.get(source, 0) % 255 + 1
        self.feed(Batch(self.now_us(), source, LINE_DOWN, [request(tag, words)]))
        self.feed(Batch(self.now_us(), source, LINE_UP, [answer(tag, told)]))

    def notification(self, source: int, *words: str) -> None:
        """A board that is none of ours sends a notification."""
        number = self._numbers[source] = self._numbers.get(source, -1) + 1
        self.feed(Batch(self.now_us(), source, LINE_UP, [notification(number, self.now_us(), words)]))

    def _sends(self, board: str) -> None:
        virtual = self.bench.virtual
        virtual.boards[board]._pump(self.now_us())
        virtual._cable_of[board].touched()
        self.wait(0.01)

    def _side(self, board: str) -> BoardSide:
        side = self.bench.virtual.boards[board].side
        assert side is not None
        return side

    def stop(self, *boards: str) -> None:
        """These boards hang: they take nothing, and say nothing."""
        for board in boards:
            self.fingers[board].ask("fault", "stall", "silent=yes")
            self.bench.virtual._cable_of[board].send = lambda data: True  # type: ignore[method-assign]

    def resume(self, *boards: str) -> None:
        """They go on."""
        for board in boards:
            del self.bench.virtual._cable_of[board].send
            self.fingers[board].ask("clear")

    def lost(self, board: str, why: str = "unplugged") -> None:
        """Its plug is pulled."""
        self.bench.unplug(board, why=why)

    def plugged_in(self, board: str) -> None:
        """Its plug is put back."""
        virtual, source = self.bench.virtual, self.source(board)
        cable = virtual._cable_of[board]
        virtual.cables.append(cable)
        talk = virtual.talks[board] = Talk(virtual, cable, source)
        self.link(source, "opened", port=cable.port)
        talk.bring_up()
        self.wait(0.1)

    # --- time and hands -------------------------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.bench.pass_time(round(seconds * 1e6))

    def moved(self, board: str, **values: int) -> None:
        """Inputs are moved by hand, to these values of their channels."""
        state = self.state.board_named(board)
        assert state is not None
        now = {name: channel.value or 0 for name, channel in state.channels.items()} | values
        for control in {self._control_on(board, channel): None for channel in values}:
            channel = control.channels[0].id
            hand = self.fingers[board]
            if control.kind == "encoder":
                hand.turn(
                    control.name, (values[channel] - (state.channels[channel].value or 0)) // control.detent_counts
                )
            elif control.kind == "pot":
                hand.put(control.name, values[channel])
            else:
                code = tuple(now[each.id] for each in control.channels)
                hand.put(control.name, control.codes.index(code))
        self.wait(0.1)

    def _control_on(self, board: str, channel: str) -> Control:
        return next(
            control
            for control in self._built.controls
            if any((each.board, each.id) == (board, channel) for each in control.channels)
        )


def control_named(panel: Panel, name: str) -> Control:
    return next(each for each in panel.controls if each.name == name)
