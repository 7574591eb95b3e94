"""What is really lit on one board, from what it drives, faults, supply and winking; flashes are counted."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from benchcon.panel.lightness import duty_of, lit_permille
from benchcon.rig import loom
from benchcon.rig.faults import Fault
from benchcon.rig.light import Flashes
from benchcon.rig.timeline import Action, Timeline
from benchcon.rig.wiring import Wiring

LEAST_SUPPLY_MV = 3000
"""Least supply, in mV, at which lamps and displays are lit."""
WINK_US = 250_000
WINKS = 6
"""Flashes of a wink: two a second for three seconds."""
WINK_LEVEL = 500
"""Level of all lamps in a wink: 18 % of the current, so that no budget is exceeded."""


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
        """Keep `faults`, `broken` (channels whose wire is off) and `made` (contacts made), which may all change."""
        self.wiring = wiring
        self.timeline = timeline
        self.faults = faults
        self.broken = broken
        self.made = made
        self.powered = False
        self.supply_mv = wiring.supply_mv
        """The supply without load."""
        self.no_supply: set[str] = set()
        """Lamps and displays whose own supply is off."""
        self.lit: dict[str, int] = dict.fromkeys(wiring.colours, 0)
        """Channel id → lightness of the lamp as it is really lit, in permille."""
        self.shown: dict[str, bytes] = {id_: bytes(digits) for id_, digits in wiring.digits.items()}
        """Channel id → segments that the display really shows."""
        self._driven: Mapping[str, int] = {}
        self._flashes = {id_: Flashes() for id_ in (*self.lit, *self.shown)}
        self._wink: list[Action] = []
        self._wink_level: int | None = None

    def drive(self, at_us: int, values: Mapping[str, int]) -> None:
        """Take the values that the board drives its outputs with, as on the wire; outputs not named are off."""
        self._driven = values
        self.look(at_us)

    def look(self, at_us: int) -> None:
        """Work out what is lit after anything has changed, and count flashes."""
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
                # A display counts as one light, which is on if any segment is lit.
                self._flashes[id_].see(at_us, 1000 if any(digits) else 0)
        self.lit, self.shown = lit, shown

    def supply(self, millivolts: int, only: Sequence[str] = ()) -> None:
        """Set the supply of all lamps and displays, or of those in `only`. Raises ValueError if one does not exist."""
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
        """Whether the supply is high enough for anything to be lit."""
        return self.powered and self.supply_mv >= LEAST_SUPPLY_MV

    @property
    def loaded_mv(self) -> int:
        """The supply under load, in mV; never 0, which on the wire would mean that it is not known."""
        sagging = loom.of_kind(self.faults, "weak_supply")
        if not sagging:
            return max(self.supply_mv, 1)
        current_ma = sum(duty_of(level) * self.wiring.currents_ma[id_] for id_, level in self.lit.items())
        for id_, shown in self.shown.items():
            current_ma += self.wiring.currents_ma[id_] * sum(digit.bit_count() for digit in shown)
        ohms = sum(fault.settings["resistance"] for fault in sagging)
        return min(max(int(self.supply_mv - ohms * current_ma), 1), 0xFFFF)

    def seen(self) -> dict[str, tuple[int, str, bool]]:
        """Return channel id → (lightness in permille, colour, whether it goes out for moments) for each lamp."""
        steady = loom.lit(self._lamps(), self.wiring, self.faults, self.feeds, made=self.made)
        colours = loom.colours(self.wiring, self.faults)
        goes_out = {id_ for fault in self.faults if fault.kind in ("flickering", "loose") for id_ in fault.channels}
        return {id_: (level, colours[id_], id_ in goes_out and steady[id_] > 0) for id_, level in self.lit.items()}

    def flashes(self) -> dict[str, int]:
        """Return, for each lamp and display, the greatest number of flashes in any one second so far."""
        return {id_: flashes.most for id_, flashes in self._flashes.items()}

    def wink(self, at_us: int) -> None:
        """Let all lamps blink twice a second for three seconds, and then show them as before."""
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
        """End a wink, since the board has gone dark or is gone."""
        self._wink.clear()
        if self._wink_level is not None:
            self._wink_level = None
            self.look(at_us)

    def _lamps(self) -> dict[str, int]:
        """Return the level of each lamp at the board's outputs, before wires and faults."""
        asked = dict.fromkeys(self.wiring.colours, self._wink_level) if self._wink_level is not None else self._driven
        return {id_: lit_permille(id_ in self.wiring.dimmed, asked.get(id_, 0)) for id_ in self.wiring.colours}
