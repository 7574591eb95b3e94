"""Evenly bright lamps, worked out before anything is soldered: which current, resistor and trim give the wanted look.

A data sheet gives an LED's luminous intensity at a test current. Below that current the intensity is taken to be
proportional to the current, which the sheets' curves nearly are: a tenth of the current gives a tenth of the light, and
a dimmed lamp gives light for the share of the time that it is on. In the end the eye and the viewing angle decide, so
trims are set on the finished panel. This is the first estimate, which saves unsoldering.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.electrics import (
    PIN_DESIGN_MA,
    SERIES,
    SHIFT_REGISTER_PIN_MA,
    Load,
    of_board,
    rail_of,
    resistor_of,
    series_resistor,
)
from benchcon.panel.lightness import duty_of, lightness_of
from benchcon.panel.model import Board, Lamp, Panel, key_of
from benchcon.panel.pins import read_pins
from benchcon.units import percent

LEAST_MA = 0.5
"""Below this current LEDs of one type differ too much from each other and from their curve (common practice, no
source)."""
NOTICED = 0.15
"""How much brighter or dimmer than wanted a lamp must be before it is reported, as a share of the wanted intensity.
Between two lamps with space between them a tenth is hard to see, a quarter is not (common practice, no source)."""


class Match(NamedTuple):
    """The resistor and trim that make a lamp look as bright as wanted."""

    ohm: float
    current_ma: float
    """Current at full light through that resistor."""
    trim_permille: int
    gives_mcd: float
    """Luminous intensity with that resistor and trim."""


def intensity_mcd(lamp: Lamp, current_ma: float) -> float:
    """Return the luminous intensity of `lamp` in mcd at `current_ma`; 0 if the panel file gives none."""
    return lamp.intensity_mcd * current_ma / lamp.test_ma


def wanted_mcd(panel: Panel, lamp: Lamp) -> float:
    """Return how bright `lamp` should look at full light in mcd: its `look`, else the panel's; 0 if none is given."""
    return lamp.look_mcd or panel.look_mcd


def most_ma(lamp: Lamp) -> float:
    """Return the highest current in mA to propose for `lamp`: its pin's design value or its test current if less."""
    kinds = {pin.kind for pin in read_pins(lamp.channel.wire.pin)}
    pin = SHIFT_REGISTER_PIN_MA if "595" in kinds else PIN_DESIGN_MA
    return lamp.test_ma if lamp.driver == "transistor" else min(lamp.test_ma, pin)


def match(panel: Panel, board: Board, lamp: Lamp) -> Match | None:
    """Return the resistor and trim that come closest to the wanted look; None if intensity or look is not known.

    A lamp that can be dimmed gets the next lower resistor and a trim that takes the excess off; one that cannot be
    dimmed gets the next higher resistor. Raises `Trouble` if the supply cannot light the lamp.
    """
    wanted = wanted_mcd(panel, lamp)
    if not (wanted and lamp.intensity_mcd):
        return None
    most = most_ma(lamp)
    series = SERIES[panel.resistors]
    drop_mv = rail_of(board, lamp).mv - lamp.forward_mv
    needed = lamp.test_ma * wanted / lamp.intensity_mcd
    found = series_resistor(rail_of(board, lamp).mv, lamp.forward_mv, min(most, max(LEAST_MA, needed)), series)
    if lamp.dimmed and found.current_ma < needed:
        # The next value down lets more through than is needed: the trim takes it off again.
        below = max((each for each in _values(found.ohm, series) if each < found.ohm * (1 - 1e-9)), default=0.0)
        if below and drop_mv / below <= most * (1 + 1e-9):
            found = series_resistor(rail_of(board, lamp).mv, lamp.forward_mv, drop_mv / below, series)
    full = intensity_mcd(lamp, found.current_ma)
    trim = max(10, min(1000, round(lightness_of(wanted / full)))) if lamp.dimmed else 1000
    return Match(found.ohm, found.current_ma, trim, full * duty_of(trim))


def _values(near_ohm: float, series: tuple[int, ...]) -> list[float]:
    decade = math.floor(math.log10(near_ohm)) - 1
    return [value * 10.0**power for power in (decade - 1, decade, decade + 1) for value in series]


def as_drawn_mcd(panel: Panel, board: Board, lamp: Lamp) -> float:
    """Return the intensity of `lamp` in mcd at full light, with the current and trim that the panel file gives it.

    Raises `Trouble` if the supply cannot light it.
    """
    current = resistor_of(board, lamp, SERIES[panel.resistors]).current_ma
    return intensity_mcd(lamp, current) * (duty_of(lamp.trim_permille) if lamp.dimmed else 1.0)


def uneven(panel: Panel) -> list[Load]:
    """Return advice on each lamp that would look noticeably brighter or dimmer than wanted, and on colours by role."""
    found: list[Load] = []
    for board in panel.boards:
        for lamp in of_board(panel, board.name)[0]:
            found += _of_role(lamp)
            try:
                wanted, better = wanted_mcd(panel, lamp), match(panel, board, lamp)
                gives = as_drawn_mcd(panel, board, lamp)
            except Trouble:
                continue  # `electrics.of_lamp` reports it
            if better is not None and abs(gives / wanted - 1) > NOTICED:
                found.append(Load(lamp.line, _advice(lamp, gives, wanted, better), False))
    return found


def _advice(lamp: Lamp, gives: float, wanted: float, better: Match) -> str:
    head = f"{key_of(lamp)} would give {gives:.3g} mcd at full light, and {wanted:g} mcd are wanted"
    # Rounded up, so that `series_resistor` arrives at the resistor that was chosen here.
    digits = 2 - math.floor(math.log10(better.current_ma))
    current = math.ceil(better.current_ma * 10**digits - 1e-6) / 10**digits
    trim = f' and trim = "{percent(better.trim_permille)}"' if lamp.dimmed and better.trim_permille < 1000 else ""
    gives_word = "give" if trim else "gives"
    cure = f'current = "{current:g} mA"{trim} ({better.ohm:g} ohm) {gives_word} {better.gives_mcd:.3g} mcd'
    if better.gives_mcd < wanted * (1 - NOTICED):
        return f"{head}; the brightest that is safe here: {cure}; use a brighter lamp, or a lower look for the others"
    if better.gives_mcd > wanted * (1 + NOTICED):
        return f"{head}; the dimmest that is reliable: {cure}; use a dimmer lamp, or dimmed = true"
    return f"{head}; {cure}"


_OF_ROLE = {
    "warning": (("red",), "red"),
    "caution": (("amber",), "amber"),
    "advisory": (("green", "blue", "white"), "any colour but red and amber"),
    "other": (("green", "blue", "white"), "any colour but red and amber"),
}
"""14 CFR 27.1322: red for warnings, amber for cautions, green for safe operation, and for the rest any other colour
that cannot be mistaken for one of these."""


def _of_role(lamp: Lamp) -> list[Load]:
    if not lamp.role:
        return []
    colours, words = _OF_ROLE[lamp.role]
    if lamp.colour in colours:
        return []
    text = f'{key_of(lamp)} has the role "{lamp.role}" and is {lamp.colour}; that is for {words} (14 CFR 27.1322)'
    return [Load(lamp.line, text, False)]
