"""A live session on the real bench and its real conversations, over simulated boards in this process, in virtual time.

Limits, blinking that ends, resets and dark are the link's own; ports, threads and processes are tested with the real
things in `test_console_terminal.py`. Each frame that the console draws lets `FRAME_US` pass; `pass_time` lets more.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from benchcon.errors import Trouble
from benchcon.link import Bench, PortInfo
from benchcon.link.bench import SCREEN, DarkResult
from benchcon.panel.file import load
from benchcon.panel.model import Control, Panel
from benchcon.rehearse.virtual import VirtualBench
from benchcon.rig.control import obey
from benchcon.rig.hand import Hand
from benchcon.session import LiveSession
from benchcon.wire.observer import Observer

OSTREY = Path(__file__).parents[2] / "benchcon" / "demo" / "ostrey.toml"
FRAME_US = 50_000


class BoardsBench(Bench):
    """`Bench` with its hub's place taken by a `VirtualBench`: what is asked is done at once, in this thread."""

    def __init__(self, panel: Panel) -> None:
        super().__init__([], panel=panel, keep=False)
        self.virtual = virtual = VirtualBench(panel, Observer(), lambda batches, events: None)
        self._stream = virtual._stream
        hub = SimpleNamespace(
            panel=panel,
            emit=virtual.emit,
            talk_of=lambda source: next((talk for talk in virtual.talks.values() if talk.source == source), None),
            all_outputs=lambda: [talk.outputs for talk in virtual.talks.values()],
        )
        self._hub = cast(Any, hub)

    def now_us(self) -> int:
        return self.virtual.now_us()

    def beat(self, who: str = SCREEN, *, last: bool = False) -> None:
        if not last:
            self.pass_time(FRAME_US)

    def start(self) -> None:
        self.virtual.open()

    def close(self, *, dark: bool = True) -> bool:
        return True

    def _call(self, do: Callable[[], Any]) -> bool:
        do()
        self.virtual.settle()
        return True

    def _of_all(self, do: Callable[..., None], source: int | None = None) -> Future[DarkResult]:
        done: list[int] = []
        talks = [talk for talk in self.virtual.talks.values() if source in (None, talk.source)]
        for talk in talks:
            do(talk, lambda outcome, number=talk.source: done.append(number) if outcome.done else None)
        self.virtual.settle()
        future: Future[DarkResult] = Future()
        left = tuple(talk.source for talk in talks if talk.source not in done)
        future.set_result(DarkResult(tuple(done), left, ()))
        return future

    def ports(self) -> list[PortInfo]:
        return [
            PortInfo(talk.connection.port, "live", "", talk.source, talk.ident, 115_200)
            for talk in self.virtual.talks.values()
        ]

    @property
    def has_ports(self) -> bool:
        return True

    def pass_time(self, us: int) -> None:
        """Let time pass; what is due is done."""
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


class OnBoards(LiveSession):
    """A session on the boards of a panel; their hands are the console's and the test's."""

    bench: BoardsBench

    def __init__(self, panel: Panel | None = None) -> None:
        panel = panel if panel is not None else load(OSTREY)
        bench = BoardsBench(panel)
        super().__init__(bench, panel, {board.name: BoardHand(bench, board.name) for board in panel.boards})
        bench.start()

    def source(self, board: str) -> int:
        return self.bench.virtual.talks[board].source

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
            hand = self.hands[board]
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
            for control in self.panel.controls
            if any((each.board, each.id) == (board, channel) for each in control.channels)
        )
