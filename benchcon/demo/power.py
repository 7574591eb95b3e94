"""The power desk feeds the other two: with no source switched on, their lamps and displays are unlit.

This is physics of the rig, not of a board: whoever has started the boards watches where the power desk's switches
stand and sets the supply of the others accordingly, over their control connections.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchcon.errors import Trouble

if TYPE_CHECKING:
    from benchcon.demo.desks import Demo
    from benchcon.rig.hand import Hand

DESK = "power"
MAINS, STANDBY, BATTERY = "mains", "standby", "battery"
STANDBY_AUTO, STANDBY_OFF, STANDBY_ON = 0, 1, 2
STARTS_S = 3.0
"""The standby set, on auto, needs so long to start after the mains has gone."""
SUPPLY_MV = 5000


def source(switches: Mapping[str, int], mains_gone_s: float) -> str:
    """Return what feeds the rig: ``mains``, ``standby``, ``battery``, or nothing.

    `switches` are positions; `mains_gone_s` is for how long the mains has been off.
    """
    if switches.get(MAINS):
        return MAINS
    standby = switches.get(STANDBY, STANDBY_OFF)
    if standby == STANDBY_ON or (standby == STANDBY_AUTO and mains_gone_s >= STARTS_S):
        return STANDBY
    return BATTERY if switches.get(BATTERY) else ""


class Feed:
    """Watches the power desk, and feeds the others or not."""

    def __init__(self, power: Hand, others: list[Hand]) -> None:
        self.power = power
        self.others = others
        self.source = MAINS
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="demo-power", daemon=True)

    def start(self) -> None:
        """Begin: mains on, standby off."""
        self.power.put(MAINS, 1)
        self.power.put(STANDBY, STANDBY_OFF)
        self._thread.start()

    def stop(self) -> None:
        """Stop as soon as the boards end."""
        self._ends.set()

    def join(self) -> None:
        """Wait until it has stopped."""
        self._thread.join(5)

    def _watch(self) -> None:
        moves: int | None = None
        mains_gone_at = time.monotonic()
        while not self._ends.is_set():
            try:
                moved = self.power.moved(moves, within_s=1.0)
            except Trouble:
                return
            moves = moved.moves
            if moved.positions.get(MAINS):
                mains_gone_at = time.monotonic()
            found = source(moved.positions, time.monotonic() - mains_gone_at)
            if bool(found) != bool(self.source):
                for hand in self.others:
                    try:
                        hand.supply(SUPPLY_MV if found else 0)
                    except Trouble:
                        continue
            self.source = found


def feed(demo: Demo) -> Feed | None:
    """Let the power desk of `demo` feed its other desks; None if it has no such desk."""
    from benchcon.rig.hand import Hand

    desk = next((desk for desk in demo.boards if desk.name == DESK), None)
    if desk is None or MAINS not in demo.hands[DESK].parts():
        return None
    others = [Hand(other.control) for other in demo.boards if other.name != DESK]
    made = Feed(Hand(desk.control), others)
    made.start()
    return made
