"""The scripted hand works the desks gently, so that something moves when the demo opens, until somebody takes over."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from functools import partial

from benchcon.errors import Trouble
from benchcon.rig.hand import Hand

PACE_S = 1.4
"""Between two movements."""

Move = Callable[[], object]


class ScriptedHand:
    """A thread that moves one control after the other. `take_over` when the user moves one."""

    def __init__(self, hands: Mapping[str, Hand], pace_s: float = PACE_S) -> None:
        self.hands = hands
        self.pace_s = pace_s
        self.moves = 0
        self._taken = threading.Event()
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._work, name="demo-hand", daemon=True)

    @property
    def working(self) -> bool:
        """Whether it goes on moving things."""
        return self._thread.is_alive() and not self._taken.is_set()

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def take_over(self) -> None:
        """The user works the desks from now on: keep off, for good."""
        self._taken.set()
        self._ends.set()

    def close(self) -> None:
        """End."""
        self.take_over()
        if self._thread.is_alive():
            self._thread.join(10)

    def _work(self) -> None:
        while not self._ends.is_set():
            for move in self._round():
                if self._ends.wait(self.pace_s):
                    return
                try:
                    move()
                except Trouble:
                    # A desk was unplugged or has ended: the others may go on.
                    continue
                self.moves += 1

    def _round(self) -> Iterator[Move]:
        """One round over the desks."""
        lighting, met, power = (self.hands.get(name) for name in ("lighting", "met", "power"))
        if met:
            yield partial(met.turn, "pressure_set", 2)
        if lighting:
            for name in ("runway_edge", "approach"):
                yield partial(lighting.put, name, 1)
            for position in (1, 2, 3):
                yield partial(lighting.put, "intensity", position)
        if power:
            yield partial(power.put, "bus_volts", 700)
        if lighting:
            for name in ("taxiway", "stop_bar", "obstruction"):
                yield partial(lighting.put, name, 1)
        if met:
            yield partial(met.press, "pressure_unit")
            yield partial(met.release, "pressure_unit")
            yield partial(met.turn, "pressure_set", -3)
        if lighting:
            yield partial(lighting.press, "lamp_test")
            yield partial(lighting.release, "lamp_test")
            yield partial(lighting.put, "intensity", 1)
        if power:
            yield partial(power.put, "bus_volts", 420)
            yield partial(power.put, "battery", 1)
            yield partial(power.put, "battery", 0)
            # The cut: with the last source off, the other two desks go out, until the mains is back.
            yield partial(power.put, "mains", 0)
            yield partial(power.put, "mains", 1)
        if lighting:
            for name in ("stop_bar", "taxiway", "obstruction", "approach", "runway_edge"):
                yield partial(lighting.put, name, 0)
            yield partial(lighting.put, "intensity", 0)
        if met:
            yield partial(met.press, "pressure_unit")
            yield partial(met.release, "pressure_unit")
            yield partial(met.turn, "pressure_set", 1)
