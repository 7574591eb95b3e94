"""The input side of a simulated board's firmware: debounce, quadrature, potentiometer filter, edges.

It scans every millisecond, like firmware on a chip; between scans only contacts on pins with an interrupt of their own
(``raw=1``) are seen. Only scans at which something can happen are worked out, so an idle board costs nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from benchcon.rig import loom
from benchcon.rig.faults import Fault
from benchcon.rig.timeline import Action, Timeline
from benchcon.rig.wiring import Wiring

SCAN_US = 1_000
SAMPLE_US = 5_000
"""Time between two readings of a potentiometer that moves."""
RESTLESS_US = 20_000
"""Time between two readings of one that never comes to rest."""
RAW_US = 50_000
"""Least time between two raw readings that are sent: 20 a second."""
STILL = 10
"""How many equal readings end the sampling."""
SELECTOR_US = 10_000
"""How long a selector must keep its position before that is reported."""

_COUNT = dict.fromkeys(loom.RIGHT.items(), 1)
_COUNT |= {(after, before): -1 for before, after in loom.RIGHT.items()}


class ScannedPins(Protocol):
    """The pins, as the scan reads them."""

    def reads(self, id_: str) -> int:
        """Return what a contact, selector or encoder reads now."""

    def sample(self, id_: str, raw: bool = False) -> float:
        """Return one reading of a potentiometer; `raw`: with the converter's noise."""

    def restless(self, id_: str) -> bool:
        """Return whether a potentiometer reads differently each time, though nobody turns it."""


class ScanListener(Protocol):
    """Called with what was seen, at the moment of the scan."""

    def changed(self, at_us: int, values: dict[str, int]) -> None:
        """Take inputs that changed in one scan, by channel id."""

    def edge(self, at_us: int, id_: str, level: int) -> None:
        """Take a raw edge: the pin has this level (encoder: A·2+B)."""

    def reading(self, at_us: int, id_: str, counts: int) -> None:
        """Take a raw reading of a potentiometer."""

    def skipped(self, at_us: int, id_: str, count: int) -> None:
        """Take an encoder's count of invalid transitions since reset."""

    def ghost(self, at_us: int, ids: list[str]) -> None:
        """Take contacts that read made and may be ghosts."""


class _Pot:
    def __init__(self, counts: float) -> None:
        self.filtered = counts
        self.still = 0
        self.reported_us = 0
        self.due: list[Action] = []


class Scan:
    """The inputs of one board, as its firmware sees them; a new one is made at each reset."""

    def __init__(
        self, wiring: Wiring, timeline: Timeline, parts: ScannedPins, listener: ScanListener, faults: Sequence[Fault]
    ) -> None:
        self.wiring = wiring
        self.timeline = timeline
        self.parts = parts
        self.listener = listener
        self.faults = faults
        self.on = True
        """False once the board is reset or unplugged: this scan then does nothing any more."""
        self.values: dict[str, int] = {}
        """Channel id → the value that the board reports for the input."""
        self.raw: set[str] = set()
        self.invalid: dict[str, int] = {}
        self._levels: dict[str, int] = {}
        self._sampled: dict[str, int] = {}
        self._settling: dict[str, list[Action]] = {}
        self._held_until: dict[str, int] = {}
        self._changes: dict[int, dict[str, int]] = {}
        self._ghosts: set[str] = set()
        self._pots: dict[str, _Pot] = {}
        for id_, kind in wiring.kinds.items():
            if kind in ("contact", "selector"):
                self.values[id_] = parts.reads(id_)
                self._sampled[id_] = parts.reads(id_)
            elif kind == "encoder":
                self.values[id_], self.invalid[id_], self._levels[id_] = 0, 0, parts.reads(id_)
            elif kind == "pot":
                pot = self._pots[id_] = _Pot(parts.sample(id_))
                self.values[id_] = round(pot.filtered)
                self.wiper(timeline.now_us, id_)

    # --- contacts and selectors -----------------------------------------------------------------------------

    def contact(self, at_us: int, id_: str, made: bool) -> None:
        """Note that a contact's pin has changed."""
        if id_ in self.raw:
            if self.wiring.contacts[id_].direct:
                self.listener.edge(at_us, id_, self._level(id_, made))
            else:
                self._later(_scan(at_us), lambda when_us: self._sample_contact(when_us, id_))
        rule = self.wiring.contacts[id_]
        if rule.at_once:
            if at_us >= self._held_until.get(id_, 0):
                self._settle(_scan(at_us), id_)
            return
        self._wait(id_, at_us + rule.debounce_us)

    def position(self, at_us: int, id_: str, position: int) -> None:
        """Note that a selector's position has changed."""
        self._wait(id_, at_us + SELECTOR_US)

    def raw_on(self, id_: str, on: bool) -> None:
        """Report every edge or reading of this channel from now on, or stop that."""
        if on and id_ not in self.raw:
            self.raw.add(id_)
            if self.wiring.kinds[id_] == "contact":
                self._sampled[id_] = self.parts.reads(id_)
            elif self.wiring.kinds[id_] == "pot":
                self._later(self.timeline.now_us + RAW_US, lambda when_us: self._raw_reading(when_us, id_))
        elif not on:
            self.raw.discard(id_)

    def _wait(self, id_: str, until_us: int) -> None:
        self._settling.get(id_, []).clear()
        self._settling[id_] = self._later(_scan(until_us), lambda when_us: self._settle(when_us, id_))

    def _settle(self, at_us: int, id_: str) -> None:
        """Take the input's present value, since it has been still for long enough."""
        value = self.parts.reads(id_)
        if value == self.values[id_]:
            return
        if value and id_ in loom.possible_ghosts(self.wiring, self.faults) and self._may_be_ghost(id_):
            if id_ not in self._ghosts:
                self._ghosts.add(id_)
                self._later(at_us, lambda when_us: self.listener.ghost(when_us, [id_]))
            return
        rule = self.wiring.contacts.get(id_)
        if rule is not None and rule.at_once:
            until_us = at_us + rule.debounce_us
            self._held_until[id_] = until_us
            self._later(until_us, lambda when_us: self._settle(when_us, id_))
        self.change(at_us, id_, value)
        for other in tuple(self._ghosts):
            self._ghosts.discard(other)
            self._wait(other, at_us + SCAN_US)

    def _may_be_ghost(self, id_: str) -> bool:
        groups = loom.without_diodes(self.wiring, self.faults)
        for group in groups.values():
            if id_ in group:
                reads = {other: bool(self.parts.reads(other)) for other in group}
                if id_ in loom.on_a_loop(reads, group):
                    return True
        return False

    def _level(self, id_: str, made: bool) -> int:
        return int(made != self.wiring.contacts[id_].inverted)

    def _sample_contact(self, at_us: int, id_: str) -> None:
        made = self.parts.reads(id_)
        if made != self._sampled[id_] and id_ in self.raw:
            self._sampled[id_] = made
            self.listener.edge(at_us, id_, self._level(id_, bool(made)))

    # --- encoders -------------------------------------------------------------------------------------------

    def levels(self, at_us: int, id_: str, levels: int) -> None:
        """Note that an encoder's pins have changed."""
        before = self._levels[id_]
        self._levels[id_] = levels
        if id_ in self.raw:
            self.listener.edge(at_us, id_, levels)
        count = _COUNT.get((before, levels))
        if count is None:
            self.invalid[id_] = self.invalid[id_] + 1 & 0xFFFF
            self._later(_scan(at_us), lambda when_us: self.listener.skipped(when_us, id_, self.invalid[id_]))
        else:
            self.change(_scan(at_us), id_, self.values[id_] + count & 0xFFFF)

    # --- potentiometers -------------------------------------------------------------------------------------

    def wiper(self, at_us: int, id_: str) -> None:
        """Note that a potentiometer may read differently, and sample it until it is still."""
        pot = self._pots[id_]
        pot.still = 0
        if not pot.due:
            pot.due = self._later(at_us + SAMPLE_US, lambda when_us: self._sample_pot(when_us, id_))

    def _sample_pot(self, at_us: int, id_: str) -> None:
        pot = self._pots[id_]
        reading = self.parts.sample(id_)
        pot.still = pot.still + 1 if abs(reading - pot.filtered) < 0.75 else 0
        pot.filtered += (reading - pot.filtered) / 2
        counts = round(pot.filtered)
        still = pot.still >= STILL
        coarse = max(self.wiring.tops[id_] // 340, 1)
        # A still knob reports nothing: a move smaller than the hysteresis is reported only when it has come to rest.
        moved = abs(counts - self.values[id_]) >= coarse and at_us - pot.reported_us >= RESTLESS_US
        if (moved or still) and counts != self.values[id_]:
            pot.reported_us = at_us
            self.change(_scan(at_us), id_, counts)
        restless = self.parts.restless(id_)
        if not still or restless:
            pause = RESTLESS_US if restless else SAMPLE_US
            pot.due = self._later(at_us + pause, lambda when_us: self._sample_pot(when_us, id_))

    def _raw_reading(self, at_us: int, id_: str) -> None:
        if id_ in self.raw:
            self.listener.reading(at_us, id_, round(self.parts.sample(id_, raw=True)))
            self._later(at_us + RAW_US, lambda when_us: self._raw_reading(when_us, id_))

    # --- all ------------------------------------------------------------------------------------------------

    def change(self, at_us: int, id_: str, value: int) -> None:
        """Report at the scan of `at_us` that this input has changed, together with all others that change there."""
        self.values[id_] = value
        if at_us in self._changes:
            self._changes[at_us][id_] = value
            return
        self._changes[at_us] = {id_: value}
        self._later(at_us, lambda when_us: self.listener.changed(when_us, self._changes.pop(when_us)))

    def _later(self, at_us: int, action: Action) -> list[Action]:
        def if_on(when_us: int) -> None:
            if self.on:
                action(when_us)

        return self.timeline.at(at_us, if_on)


def _scan(at_us: int) -> int:
    """Return the moment of the first scan at or after `at_us`."""
    return -(-at_us // SCAN_US) * SCAN_US
