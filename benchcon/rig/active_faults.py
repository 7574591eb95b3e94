"""The faults in a board: when each begins and ends, and what some of them do by themselves in between."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Protocol

from benchcon.rig.faults import Fault
from benchcon.rig.timeline import Action, Timeline

MOST = 256
"""Most faults in one board at a time."""
_LAMP_PAUSE_US = 500_000
"""Least time between two moments at which a fault makes a lamp go out: at most twice a second."""


class FaultyBoard(Protocol):
    """A board, as far as faults act on it."""

    def faults_changed(self, at_us: int, fault: Fault) -> None:
        """Note that this fault has begun or ended."""

    def break_wire(self, at_us: int, id_: str, broken: bool) -> None:
        """Let the wire of a channel drop out, or make contact again."""

    def hum(self, at_us: int, id_: str, low: bool) -> None:
        """Let interference pull this input low, or release it."""

    def is_lamp(self, id_: str) -> bool:
        """Return whether this channel is a lamp."""

    def storm(self, at_us: int, ids: tuple[str, ...]) -> None:
        """Let one of these contacts (empty: any) seem to change."""

    def noise(self, at_us: int, data: bytes) -> None:
        """Put these bytes on the line to the port."""

    def reset(self, at_us: int, cause: str) -> None:
        """Reset the board."""


class _Entry:
    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        self.acts = False
        self.due: list[list[Action]] = []


class ActiveFaults:
    """All faults of one board."""

    def __init__(self, board: FaultyBoard, timeline: Timeline, chance: random.Random) -> None:
        self.board = board
        self.timeline = timeline
        self.chance = chance
        self.acting: list[Fault] = []
        """The faults that act at this moment, in the order in which they began."""
        self._entries: dict[int, _Entry] = {}
        self._last = 0

    def put(self, fault: Fault, at_us: int) -> int:
        """Put in a fault, and return its number. Raises ValueError if there are `MOST` already."""
        if len(self._entries) >= MOST:
            raise ValueError(f"there are {MOST} faults already; clear some")
        self._last += 1
        entry = self._entries[self._last] = _Entry(fault)
        if fault.after_us:
            entry.due.append(self.timeline.at(at_us + fault.after_us, lambda when_us: self._begin(entry, when_us)))
        else:
            self._begin(entry, at_us)
        return self._last

    def clear(self, number: int | None, at_us: int) -> None:
        """Take out one fault, or all (None). Raises ValueError if there is no such fault."""
        if number is not None and number not in self._entries:
            raise ValueError(f"there is no fault {number}")
        for each in list(self._entries) if number is None else [number]:
            self._end(self._entries.pop(each), at_us)

    def all(self) -> dict[int, Fault]:
        """Return number → fault for all faults that are in."""
        return {number: entry.fault for number, entry in self._entries.items()}

    def _begin(self, entry: _Entry, at_us: int) -> None:
        fault = entry.fault
        entry.acts = True
        self.acting.append(fault)
        self.board.faults_changed(at_us, fault)
        if fault.for_us:
            entry.due.append(self.timeline.at(at_us + fault.for_us, lambda when_us: self._end(entry, when_us)))
        start = _BY_ITSELF.get(fault.kind)
        if start is not None:
            start(self, entry, at_us)

    def _end(self, entry: _Entry, at_us: int) -> None:
        for due in entry.due:
            due.clear()
        entry.due.clear()
        if entry.acts:
            entry.acts = False
            # By identity: two faults may be equal.
            self.acting[:] = [fault for fault in self.acting if fault is not entry.fault]
            for id_ in entry.fault.channels if entry.fault.kind in ("loose", "flickering") else ():
                self.board.break_wire(at_us, id_, False)
            for id_ in entry.fault.channels if entry.fault.kind in ("floating", "crosstalk") else ():
                self.board.hum(at_us, id_, False)
            self.board.faults_changed(at_us, entry.fault)

    # --- what some faults do by themselves ------------------------------------------------------------------

    def _again(self, entry: _Entry, at_us: float, action: Action) -> None:
        entry.due = [due for due in entry.due if due]
        entry.due.append(self.timeline.at(int(at_us), action))

    def _drop_outs(self, entry: _Entry, at_us: int) -> None:
        fault, id_ = entry.fault, entry.fault.channels[0]
        gap_us = fault.settings["gap"]

        def pause() -> float:
            if fault.kind == "flickering":
                return self.chance.uniform(_LAMP_PAUSE_US - gap_us, 2 * _LAMP_PAUSE_US)
            mean_us = fault.settings["every"]
            least_us = _LAMP_PAUSE_US if self.board.is_lamp(id_) else 0
            return max(self.chance.expovariate(1 / mean_us), least_us, 1)

        def drop(when_us: int) -> None:
            self.board.break_wire(when_us, id_, True)
            self._again(entry, when_us + gap_us, back)

        def back(when_us: int) -> None:
            self.board.break_wire(when_us, id_, False)
            self._again(entry, when_us + pause(), drop)

        self._again(entry, at_us + pause(), drop)

    def _mains(self, entry: _Entry, at_us: int) -> None:
        """Pick up mains hum now and then, for a tenth of a second to two seconds, as when hands and cables move."""
        fault, id_ = entry.fault, entry.fault.channels[0]
        period_us = fault.settings["period"]

        def begin(when_us: int) -> None:
            periods = self.chance.randint(6, 100)
            low_us = round(period_us * self.chance.uniform(0.52, 0.75))

            def low(at: int, left: int = periods) -> None:
                self.board.hum(at, id_, True)
                self._again(entry, at + low_us, lambda then: high(then, left))

            def high(at: int, left: int) -> None:
                self.board.hum(at, id_, False)
                if left > 1:
                    self._again(entry, at + period_us - low_us, lambda then: low(then, left - 1))
                else:
                    self._again(entry, at + self.chance.expovariate(1 / 1_500_000), begin)

            low(when_us)

        self._again(entry, at_us + self.chance.expovariate(1 / 500_000), begin)

    def _storm(self, entry: _Entry, at_us: int) -> None:
        pause_us = 1e6 / entry.fault.settings["rate"]
        begun_us, count = at_us, 0

        def strike(when_us: int) -> None:
            nonlocal count
            count += 1
            self.board.storm(when_us, entry.fault.channels)
            self._again(entry, begun_us + (count + 1) * pause_us, strike)

        self._again(entry, at_us + pause_us, strike)

    def _garbage(self, entry: _Entry, at_us: int) -> None:
        rate = entry.fault.settings["rate"]

        def spill(when_us: int) -> None:
            count = self.chance.randint(1, 8)
            self.board.noise(when_us, self.chance.randbytes(count))
            self._again(entry, when_us + count * 1e6 / rate, spill)

        self._again(entry, at_us + self.chance.random() * 1e6 / rate, spill)

    def _endless(self, entry: _Entry, at_us: int) -> None:
        rate = entry.fault.settings["rate"]
        count = max(int(rate / 50), 1)

        def go_on(when_us: int) -> None:
            self.board.noise(when_us, bytes(self.chance.choices(b"abcdefghijklmnopqrstuvwxyz0123456789 ", k=count)))
            self._again(entry, when_us + count * 1e6 / rate, go_on)

        go_on(at_us)

    def _reset_once(self, entry: _Entry, at_us: int) -> None:
        self.board.reset(at_us, entry.fault.settings["cause"])

    def _reset_loop(self, entry: _Entry, at_us: int) -> None:
        def again(when_us: int) -> None:
            self._again(entry, when_us + entry.fault.settings["every"], again)
            self.board.reset(when_us, "watchdog")

        again(at_us)


_BY_ITSELF: dict[str, Callable[[ActiveFaults, _Entry, int], None]] = {
    "loose": ActiveFaults._drop_outs,
    "flickering": ActiveFaults._drop_outs,
    "floating": ActiveFaults._mains,
    "storm": ActiveFaults._storm,
    "garbage": ActiveFaults._garbage,
    "endless_line": ActiveFaults._endless,
    "board_reset": ActiveFaults._reset_once,
    "reset_loop": ActiveFaults._reset_loop,
}
