"""Lamp electrics: series resistors, what a board's lamps and displays draw, and what its pins and chips bear.

Currents are taken at full light where a pin or chip must bear them, and as means over time where a supply must: a
dimmed lamp is at its full current whenever it is on. All of it is for extra-low voltage. Mains, and supplies that can
deliver many amperes, are for those who are licensed to work on them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.lightness import duty_of, lit_permille
from benchcon.panel.model import Board, Digits, Lamp, Panel
from benchcon.panel.pins import PORTS, read_pins

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""Preferred values, IEC 60063."""

PIN_DESIGN_MA = 20.0
PIN_MOST_MA = 40.0
SUPPLY_PINS_MA = 200.0
"""ATmega328P data sheet: test condition of output levels; absolute maximum ratings of a pin, and of VCC and GND."""
SHIFT_REGISTER_MA = 70.0
"""74HC595: absolute maximum for the whole chip (from memory)."""
SHIFT_REGISTER_PIN_MA = 35.0
"""74HC595: absolute maximum of one output (from memory)."""
DRIVER_MA = 330.0
"""MAX7219/MAX7221: supply current with all segments of all places lit at full (from memory)."""
DRIVER_SEGMENT_MA = 5.0
"""The same: 40 mA peak a segment, one place in eight at a time."""
USB_MA = 500.0
"""USB 2.0 specification, section 7.2.1: what a configured port gives; before, 100 mA."""
BOARD_OWN_MA = 50.0
"""What the microcontroller board itself takes, with its serial chip and light (common practice, no source)."""

# ATmega328P and ATmega2560 data sheets, notes to the DC characteristics (from memory): ports whose sinking or sourcing
# outputs together must not exceed a sum. (chip, level that lights) → [(ports, mA)].
_Groups = list[tuple[frozenset[str], float]]


def _ports(*runs: str) -> frozenset[str]:
    return frozenset(f"P{run[0]}{n}" for run in runs for n in range(int(run[1]), int(run[-1]) + 1))


PORT_GROUPS: dict[tuple[str, str], _Groups] = {
    ("atmega328p", "low"): [
        (_ports("C0-5"), 100.0),
        (_ports("B0-5", "D5-7"), 100.0),
        (_ports("D0-4"), 100.0),
    ],
    ("atmega328p", "high"): [
        (_ports("C0-5", "D0-4"), 150.0),
        (_ports("B0-5", "D5-7"), 150.0),
    ],
}
for _level in ("low", "high"):
    PORT_GROUPS["atmega2560", _level] = [
        (_ports("J0-7", "A0-7", "G2"), 200.0),
        (_ports("C0-7", "G0-1", "D0-7", "L0-7"), 200.0),
        (_ports("G3-4", "B0-7", "H0-7"), 200.0),
        (_ports("E0-7", "G5"), 100.0),
        (_ports("F0-7", "K0-7"), 100.0),
    ]


class Resistor(NamedTuple):
    """A series resistor of a preferred value."""

    ohm: float
    current_ma: float
    """What flows with it."""
    power_mw: float
    """Heat in the resistor at that current."""
    rating_mw: float
    """Smallest usual rating of at least twice that (common practice, no source)."""


_RATINGS_MW = (62.5, 100.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 3000.0, 5000.0)


def series_resistor(supply_mv: float, forward_mv: float, current_ma: float, series: Iterable[int] = E12) -> Resistor:
    """Return the preferred resistor that lets no more than `current_ma` through a lamp, by Ohm's law.

    Raises `Trouble` where the supply is not above the lamp's forward voltage, or the current is not positive.
    """
    if not (math.isfinite(supply_mv) and math.isfinite(forward_mv) and forward_mv >= 0 and current_ma > 0):
        raise Trouble("a resistor needs a supply, a forward voltage of 0 V or more, and a current above 0 mA")
    drop_mv = supply_mv - forward_mv
    if drop_mv <= 0:
        raise Trouble(
            f"a supply of {supply_mv / 1000:g} V cannot light a lamp of {forward_mv / 1000:g} V: "
            "the supply must be the higher"
        )
    ohm = preferred_at_least(drop_mv / current_ma, series)
    current = drop_mv / ohm
    power = drop_mv * current / 1000
    rating = next((rating for rating in _RATINGS_MW if rating >= 2 * power), 2 * power)
    return Resistor(ohm, current, power, rating)


def preferred_at_least(ohm: float, series: Iterable[int] = E12) -> float:
    """Return the smallest value of a series (`E12`, `E24`) that is at least `ohm`."""
    values = sorted(series)
    decade = math.floor(math.log10(ohm)) - 1
    for power in (decade, decade + 1, decade + 2):
        for value in values:
            found = value * 10.0**power if power >= 0 else value / 10.0**-power
            if found >= ohm * (1 - 1e-9):
                return found
    raise Trouble("there is no such resistor")


def resistor_of(board: Board, lamp: Lamp, series: Iterable[int] = E12) -> Resistor:
    """Return the series resistor of `lamp` on `board`. Raises `Trouble` where there is none."""
    return series_resistor(lamp_supply_mv(board, lamp), lamp.forward_mv, lamp.current_ma, series)


def lamp_supply_mv(board: Board, lamp: Lamp) -> int:
    """Return the voltage that feeds `lamp`: a transistor can switch the external supply, a pin cannot."""
    return board.external_mv if lamp.driver == "transistor" and board.external_mv else board.supply_mv


def of_board(panel: Panel, board: str) -> tuple[list[Lamp], list[Digits]]:
    """Return the wired lamps and displays on the board called `board`."""
    return (
        [lamp for lamp in panel.lamps if lamp.wired and lamp.channel.board == board],
        [digits for digits in panel.digits if digits.wired and digits.channel.board == board],
    )


def lamp_ma(lamp: Lamp, permille: int) -> float:
    """Return the mean current of `lamp` when `permille` was sent to its board."""
    return lamp.current_ma * duty_of(lit_permille(lamp.dimmed, permille))


def digits_ma(digits: Digits, segments: int | bytes) -> float:
    """Return the mean current of `digits` showing `segments` (as bytes, or as one number as in channel values)."""
    lit = sum(each.bit_count() for each in segments) if isinstance(segments, bytes) else max(0, segments).bit_count()
    return digits.segment_ma * min(lit, 8 * digits.places)


def current_ma(panel: Panel, board: str, levels: Mapping[str, int | bytes]) -> float:
    """Return the mean current in mA of all lamps and displays of the board called `board`, its own need left out.

    `levels`: by channel id, as sent on the wire: lightness in permille of a lamp, segments of a display. What is not in
    it is dark.
    """
    lamps, displays = of_board(panel, board)
    total = 0.0
    for lamp in lamps:
        level = levels.get(lamp.channel.id, 0)
        total += lamp_ma(lamp, level if isinstance(level, int) else int.from_bytes(level))
    for digits in displays:
        total += digits_ma(digits, levels.get(digits.channel.id, 0))
    return total


def worst_case_ma(panel: Panel, board: str) -> float:
    """Return the current in mA with every lamp at full and every segment and point lit."""
    lamps, displays = of_board(panel, board)
    return sum(lamp.current_ma for lamp in lamps) + sum(8 * d.places * d.segment_ma for d in displays)


class Load(NamedTuple):
    """One finding: `line` of the panel file, a plain sentence, and whether something would be damaged."""

    line: int
    text: str
    grave: bool


def loads(panel: Panel) -> list[Load]:
    """Return what is too much for a pin, a group of ports, a chip or the supply, or cannot light at all."""
    found: list[Load] = []
    for board in panel.boards:
        lamps, displays = of_board(panel, board.name)
        for lamp in lamps:
            found += _of_lamp(board, lamp)
        found += _of_chips(board, lamps, displays)
        found += _of_supply(panel, board, lamps, displays)
    return found


def _pin(lamp: Lamp) -> tuple[str, int, str]:
    pins = read_pins(lamp.channel.wire.pin)
    return (pins[0].kind, pins[0].chip_number, pins[0].name) if pins else ("", 0, "")


def _of_lamp(board: Board, lamp: Lamp) -> list[Load]:
    found: list[Load] = []
    supply = lamp_supply_mv(board, lamp)
    if supply <= lamp.forward_mv:
        found.append(
            Load(
                lamp.line,
                f"lamps.{lamp.name} needs {lamp.forward_mv / 1000:g} V and its supply gives {supply / 1000:g} V; "
                "a higher supply or a lamp of less forward voltage is needed",
                True,
            )
        )
    kind, _, pin = _pin(lamp)
    if lamp.driver == "transistor" or not kind:
        return found
    most = SHIFT_REGISTER_PIN_MA if kind == "595" else PIN_MOST_MA
    what = "an output of a 74HC595" if kind == "595" else "a pin of the chip"
    if lamp.current_ma > most:
        text = f"draws {lamp.current_ma:g} mA from {pin}; {what} bears {most:g} mA at most (absolute maximum)"
        found.append(Load(lamp.line, f'lamps.{lamp.name} {text}; use less current, or driver = "transistor"', True))
    elif lamp.current_ma > PIN_DESIGN_MA:
        text = f"draws {lamp.current_ma:g} mA from {pin}; {what} is made for {PIN_DESIGN_MA:g} mA"
        found.append(Load(lamp.line, f'lamps.{lamp.name} {text}; better use less, or driver = "transistor"', False))
    return found


def _of_chips(board: Board, lamps: list[Lamp], displays: list[Digits]) -> list[Load]:
    found: list[Load] = []
    registers: dict[int, float] = {}
    total = 0.0
    sums: dict[tuple[str, float, frozenset[str]], float] = {}
    for lamp in lamps:
        kind, chip, pin = _pin(lamp)
        if lamp.driver == "transistor":
            continue
        if kind == "595":
            registers[chip] = registers.get(chip, 0.0) + lamp.current_ma
        elif kind == "direct":
            total += lamp.current_ma
            level = lamp.channel.active or "high"
            port = PORTS.get(board.chip, {}).get(pin, "")
            for ports, most in PORT_GROUPS.get((board.chip, level), []):
                if port in ports:
                    sums[level, most, ports] = sums.get((level, most, ports), 0.0) + lamp.current_ma
    for chip, drawn in sorted(registers.items()):
        found += _over(board, drawn, SHIFT_REGISTER_MA, f"chip {chip + 1} of the 74HC595 chain", "absolute maximum")
    for (level, most, ports), drawn in sums.items():
        way = "sourced" if level == "high" else "sunk"
        names = ", ".join(sorted({port[:2] for port in ports}))
        found += _over(board, drawn, most, f"the port group {names}, {way} together", "notes to the DC characteristics")
    found += _over(board, total, SUPPLY_PINS_MA, "the chip's supply pins", "absolute maximum")
    return found + _of_drivers(board, displays)


def _of_drivers(board: Board, displays: list[Digits]) -> list[Load]:
    found: list[Load] = []
    set_by: dict[int, Digits] = {}
    drawn: dict[int, float] = {}
    for digits in displays:
        for pin in read_pins(digits.channel.wire.pin):
            for place in range(pin.bit, pin.bit + digits.places):
                chip = place // 8
                drawn[chip] = drawn.get(chip, 0.0) + 8 * digits.segment_ma
                first = set_by.setdefault(chip, digits)
                if first.segment_ma != digits.segment_ma and place == max(pin.bit, chip * 8):
                    text = (
                        f"digits.{digits.name} has a segment_current of {digits.segment_ma:g} mA, {first.name} "
                        f"on the same driver {first.segment_ma:g} mA; one resistor sets both"
                    )
                    found.append(Load(digits.line, text, False))
        if digits.channel.wire.pin and digits.segment_ma > DRIVER_SEGMENT_MA:
            text = f"digits.{digits.name} has a segment_current of {digits.segment_ma:g} mA"
            limit = f"a MAX7219 gives {DRIVER_SEGMENT_MA:g} mA a segment at most (mean; 40 mA at its peak)"
            found.append(Load(digits.line, f"{text}; {limit}", True))
    for chip, most in sorted(drawn.items()):
        found += _over(board, most, DRIVER_MA, f"chip {chip + 1} of the MAX7219 chain", "data sheet")
    return found


def _over(board: Board, drawn: float, most: float, what: str, source: str) -> list[Load]:
    if drawn <= most:
        return []
    text = f"boards.{board.name}: {what}, can be asked for {drawn:g} mA; it bears {most:g} mA ({source})"
    # The link never lets a board draw more than its budget, whatever is asked for.
    if board.budget_ma <= most:
        return [Load(board.line, f"{text}; only the budget of {board.budget_ma:g} mA keeps it from harm", False)]
    return [Load(board.line, f"{text}; use less current, more chips, or a smaller budget", True)]


def _of_supply(panel: Panel, board: Board, lamps: list[Lamp], displays: list[Digits]) -> list[Load]:
    found: list[Load] = []
    if not board.external_supply and board.budget_ma + BOARD_OWN_MA > USB_MA:
        text = (
            f"boards.{board.name} has a budget of {board.budget_ma:g} mA, and about {BOARD_OWN_MA:g} mA for itself; "
            f"a USB port gives {USB_MA:g} mA; say external_supply if there is one, or lower the budget"
        )
        found.append(Load(board.line, text, True))
    parts = [(lamp.line, f"lamps.{lamp.name}", lamp.current_ma) for lamp in lamps]
    parts += [(d.line, f"digits.{d.name}", 8 * d.places * d.segment_ma) for d in displays]
    for line, name, most in parts:
        if most > board.budget_ma:
            text = f"{name} alone can draw {most:g} mA; the budget of {board.name} is {board.budget_ma:g} mA"
            found.append(Load(line, text, True))
    worst = worst_case_ma(panel, board.name)
    if worst > board.budget_ma:
        text = (
            f"boards.{board.name}: everything lit draws {worst:g} mA; the budget is {board.budget_ma:g} mA, "
            "so not all can be lit at once"
        )
        found.append(Load(board.line, text, False))
    return found


# MAX7219/MAX7221 data sheet, table 11 (from memory): resistor in kΩ for a peak segment current in mA, LEDs of 2.0 V.
_SET_KOHM = ((40.0, 11.8), (30.0, 17.1), (20.0, 28.0), (10.0, 63.7))


def set_resistor_kohm(segment_ma: float) -> float:
    """Return the resistor between V+ and ISET of a MAX7219 for a mean current of `segment_ma` a segment (E12, kΩ).

    The driver lights one place in eight, so the peak is eight times the mean. Never below what the table has for 40 mA.
    Raises `Trouble` where `segment_ma` is not above 0.
    """
    if segment_ma <= 0:
        raise Trouble("a segment current above 0 mA is needed")
    peak = min(40.0, 8 * segment_ma)
    if peak <= 10.0:
        return preferred_at_least(63.7 * 10.0 / peak)
    for (high, low_kohm), (low, high_kohm) in itertools.pairwise(_SET_KOHM):
        if low <= peak <= high:
            # The current goes with the inverse of the resistor: straight lines between inverse points.
            share = (1 / peak - 1 / high) / (1 / low - 1 / high)
            return preferred_at_least(low_kohm + share * (high_kohm - low_kohm))
    return preferred_at_least(_SET_KOHM[0][1])
