"""Sets the outputs of a whole panel as the walk wants them; only differences go to the link."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection
from functools import partial

from benchcon.diagnosis.layout import PanelIndex
from benchcon.link import Bench
from benchcon.link.outcomes import say
from benchcon.panel.lightness import sent_permille
from benchcon.walk.wants import Wants
from benchcon.wire.host import Outcome

OFF_S = 0.5
"""How long a test that ends waits until everything is off; whoever lights things by itself pauses until then."""


class WalkOutputs:
    """Knows what each board was last asked to light. Call `apply` on one thread; its callback runs on the link's."""

    def __init__(self, layout: PanelIndex, bench: Bench) -> None:
        self.layout = layout
        self.bench = bench
        self.sources: dict[str, int] = {}
        """For each board's name on the panel its source number."""
        self.pulse = ""
        """Name of a lamp that is lit in addition for a moment; empty: none."""
        self._asked: dict[str, dict[str, int | bytes]] = {}
        self._lock = threading.Lock()
        self._pending = 0

    @property
    def idle(self) -> bool:
        """Whether all commands have been answered."""
        return self._pending == 0

    def forget(self, board: str) -> None:
        """Forget the outputs of a board, after a reset or a lost port."""
        self._asked.pop(board, None)

    def forget_all(self) -> None:
        """Forget the outputs of all boards."""
        self._asked.clear()

    def apply(self, wants: Wants, done: Callable[[str], None], about: Collection[str] | None = None) -> None:
        """Send what differs from `wants`; `done` is called with the reason of a failure, or an empty text.

        `about` are the boards that `done` waits for; None: all. The others are set as well, and again after a failure.
        """
        asked: list[tuple[str, dict[str, int | bytes]]] = []
        for board, values in self._wanted(wants).items():
            before = self._asked.setdefault(board, {})
            differs = {c: v for c, v in values.items() if before.get(c) != v}
            before.update(values)
            if board in self.sources and differs:
                asked.append((board, differs))
        failures: list[str] = []
        mine = [board for board, _ in asked if about is None or board in about]
        with self._lock:
            self._pending += len(mine)
        left = [len(mine)]

        def came(outcome: Outcome) -> None:
            with self._lock:
                self._pending -= 1
                left[0] -= 1
                last = left[0] == 0
            if trouble := say(outcome):
                failures.append(trouble)
            if last:
                done("; ".join(dict.fromkeys(failures)))

        def other(board: str, outcome: Outcome) -> None:
            if say(outcome):
                self.forget(board)

        for board, values in asked:
            future = self.bench.set_many(self.sources[board], values)
            take = came if board in mine else partial(other, board)
            future.add_done_callback(lambda future, take=take: take(future.result()))  # type: ignore[misc]
        if not mine:
            done("")
        if wants.blink:
            for name in wants.lamps:
                channel = self.layout.lamps[name].channel
                if channel.board in self.sources:
                    self.bench.blink(self.sources[channel.board], channel.id, True)
                    # A lamp that blinks must be set to end that, even to the level that it has.
                    self._asked.get(channel.board, {}).pop(channel.id, None)

    def off(self, done: Callable[[str], None]) -> None:
        """Switch everything off, whatever it was asked before; `done` is called when all boards have answered."""
        self.pulse = ""
        self.forget_all()
        self.apply(Wants(), done)

    def _wanted(self, wants: Wants) -> dict[str, dict[str, int | bytes]]:
        out: dict[str, dict[str, int | bytes]] = {}
        for lamp in self.layout.lamps.values():
            level = wants.lamps.get(lamp.name, lamp.on_permille if lamp.name == self.pulse else 0)
            out.setdefault(lamp.channel.board, {})[lamp.channel.id] = sent_permille(lamp, level)
        for display in self.layout.displays.values():
            picture = wants.displays.get(display.name, b"").ljust(display.digits, b"\0")
            out.setdefault(display.channel.board, {})[display.channel.id] = picture[: display.digits]
        return out
