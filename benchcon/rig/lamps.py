"""What is really lit on one board: drive, faults, supply and wink put together, and flashes counted."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from benchcon.panel.lightness import duty_of, lit_permille
from benchcon.rig import loom
from benchcon.rig.faults import Fault
from benchcon.rig.light import Flashes
from benchcon.rig.timeline import Action, Timeline
from benchcon.rig.wiring import Wiring

LEAST_SUPPLY_MV = 3000
"""With less, lamps and displays are not lit."""
WINK_US = 250_000
WINKS = 6
"""Twice a second for three seconds."""
WINK_LEVEL = 500
"""All lamps together, so weakly that no budget is exceeded: 18 % of the current."""


class Lamps:
    """The lamps and displays of one board."""

    def __init__(
        self,
        wiring: Wiring,
        timeline: Timeline,
        faults: Sequence[Fault],
        broken: Collection[str],
        made: Mapping[str, bool],
    ) -> None:
        """`made`: which contacts are made, at any moment."""
        self.wiring = wiring
        self.timeline = timeline
        self.faults = faults
        self.broken = broken
        self.made = made
        self.powered = False
        self.supply_mv = wiring.supply_mv
        """Supply, unloaded."""
        self.no_supply: set[str] = set()
        """Lamps and displays whose own supply is off."""
        self.lit: dict[str, int] = dict.fromkeys(wiring.colours, 0)
        """How light each lamp really is, in permille of lightness."""
        self.shown: dict[str, bytes] = {id_: bytes(digits) for id_, digits in wiring.digits.items()}
        """The segments that each display really shows."""
        self._driven: Mapping[str, int] = {}
        self._flashes = {id_: Flashes() for id_ in (*self.lit, *self.shown)}
        self._wink: list[Action] = []
        self._wink_level: int | None = None

    def drive(self, at_us: int, values: Mapping[str, int]) -> None:
        """Take the values that the board drives its outputs with, as on the wire; what is missing is off."""
        self._driven = values
        self.look(at_us)

    def look(self, at_us: int) -> None:
        """Work out what is lit, after anything has changed, and count flashes."""
        feeds = self.feeds
        lit = loom.lit(self._lamps(), self.wiring, self.faults, feeds, self.broken, self.made)
        segments = {id_: self._driven.get(id_, 0).to_bytes(digits, "big") for id_, digits in self.wiring.digits.items()}
        shown = loom.shown(segments, self.wiring, self.faults, feeds)
        past = {id_ for fault in loom.of_kind(self.faults, "supplied_past_the_switch") for id_ in fault.channels}
        if past and self.powered and not feeds:
            fed = loom.lit(self._lamps(), self.wiring, self.faults, True, self.broken, self.made)
            lit |= {id_: level for id_, level in fed.items() if id_ in past}
            showing = loom.shown(segments, self.wiring, self.faults, True)
            shown |= {id_: digits for id_, digits in showing.items() if id_ in past}
        for id_ in self.no_supply - past:
            if id_ in lit:
                lit[id_] = 0
            else:
                shown[id_] = bytes(self.wiring.digits[id_])
        for id_, level in lit.items():
            if level != self.lit[id_]:
                self._flashes[id_].see(at_us, level)
        for id_, digits in shown.items():
            if digits != self.shown[id_]:
                # A display counts as one light: any segment lit, or none.
                self._flashes[id_].see(at_us, 1000 if any(digits) else 0)
        self.lit, self.shown = lit, shown

    def supply(self, millivolts: int, only: Sequence[str] = ()) -> None:
        """Set the supply of the board's outputs, or of these lamps and displays only. Raises ValueError for others."""
        for id_ in only:
            if id_ not in self.lit and id_ not in self.shown:
                raise ValueError(f"there is no lamp or display '{id_[:40]}' on this board")
        if not only:
            self.supply_mv = millivolts
        elif millivolts >= LEAST_SUPPLY_MV:
            self.no_supply.difference_update(only)
        else:
            self.no_supply.update(only)

    @property
    def feeds(self) -> bool:
        """Whether there is supply enough for anything to be lit."""
        return self.powered and self.supply_mv >= LEAST_SUPPLY_MV

    @property
    def loaded_mv(self) -> int:
        """The supply under load; never 0, which would mean on the wire that it is not known."""
        sagging = loom.of_kind(self.faults, "weak_supply")
        if not sagging:
            return max(self.supply_mv, 1)
        current_ma = sum(duty_of(level) * self.wiring.currents_ma[id_] for id_, level in self.lit.items())
        for id_, shown in self.shown.items():
            current_ma += self.wiring.currents_ma[id_] * sum(digit.bit_count() for digit in shown)
        ohms = sum(fault.settings["resistance"] for fault in sagging)
        return min(max(int(self.supply_mv - ohms * current_ma), 1), 0xFFFF)

    def seen(self) -> dict[str, tuple[int, str, bool]]:
        """Return for each lamp: lightness, colour, whether it goes out for moments."""
        steady = loom.lit(self._lamps(), self.wiring, self.faults, self.feeds, made=self.made)
        colours = loom.colours(self.wiring, self.faults)
        goes_out = {id_ for fault in self.faults if fault.kind in ("flickering", "loose") for id_ in fault.channels}
        return {id_: (level, colours[id_], id_ in goes_out and steady[id_] > 0) for id_, level in self.lit.items()}

    def flashes(self) -> dict[str, int]:
        """Return for each lamp and display the greatest number of flashes within any one second so far."""
        return {id_: flashes.most for id_, flashes in self._flashes.items()}

    def wink(self, at_us: int) -> None:
        """Blink all lamps twice a second for three seconds, then show them as before."""
        self._wink.clear()
        half = 0

        def turn(when_us: int) -> None:
            nonlocal half
            half += 1
            self._wink_level = None if half > 2 * WINKS else WINK_LEVEL if half % 2 else 0
            self.look(when_us)
            if self._wink_level is not None:
                self._wink = self.timeline.at(when_us + WINK_US, turn)

        turn(at_us)

    def still(self, at_us: int) -> None:
        """End a wink: the board has gone dark, or is gone."""
        self._wink.clear()
        if self._wink_level is not None:
            self._wink_level = None
            self.look(at_us)

    def _lamps(self) -> dict[str, int]:
        """What the board's outputs give, before wires and faults."""
        asked = dict.fromkeys(self.wiring.colours, self._wink_level) if self._wink_level is not None else self._driven
        return {id_: lit_permille(id_ in self.wiring.dimmed, asked.get(id_, 0)) for id_ in self.wiring.colours}
