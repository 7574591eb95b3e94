"""Lamp electrics: series resistors, what a board's lamps and displays draw, and what its pins and chips can carry.

Pins and chips are judged by the current at full light, because a dimmed lamp carries its full current whenever it is
on; supplies are judged by the mean over time. All of this is for extra-low voltage. Leave mains, and supplies that can
deliver many amperes, to those who are licensed to work on them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.lightness import duty_of, lit_permille
from benchcon.panel.model import Board, Display, Lamp, Panel, key_of
from benchcon.panel.pins import PORTS, read_pins

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""Preferred values, IEC 60063."""
SERIES = {"E12": E12, "E24": E24}

AVR_SHEETS = {
    "atmega328p": "ATmega328P data sheet DS40002061",
    "atmega328pb": "ATmega328PB data sheet DS40001906",
    "atmega2560": "ATmega2560 data sheet DS40002211",
}
"""For each chip its document, as messages cite it. The values below are from memory of these documents."""
SHIFT_REGISTER_SHEET = "SN74HC595 data sheet SCLS041"
DRIVER_SHEET = "MAX7219 data sheet 19-4452"
USB_SHEET = "USB 2.0 specification, section 7.2.1"

PIN_DESIGN_MA = 20.0
PIN_MOST_MA = 40.0
SUPPLY_PINS_MA = 200.0
"""ATmega328P data sheet: the current at which output levels are tested; absolute maximum ratings of a pin, and of VCC
and GND."""
SHIFT_REGISTER_MA = 70.0
"""74HC595, absolute maximum ratings: current through VCC or ground, so of all outputs together (from memory)."""
SHIFT_REGISTER_PIN_MA = 6.0
"""74HC595, electrical characteristics: the current at which an output is specified, at 4.5 V (from memory; the absolute
maximum is 35 mA)."""
DRIVER_MA = 330.0
"""MAX7219/MAX7221: supply current with all segments of all digits lit at full (from memory)."""
DRIVER_SEGMENT_MA = 5.0
"""MAX7219/MAX7221: mean current of a segment, from a peak of 40 mA with one digit in eight lit at a time."""
DRIVER_LEAST_MV, DRIVER_MOST_MV = 4000, 5500
"""MAX7219/MAX7221, electrical characteristics: operating supply voltage (from memory)."""
DRIVER_HIGH_MV = 3500
"""MAX7219/MAX7221, electrical characteristics: the least voltage that DIN, CLK and LOAD take as high (from memory)."""
USB_MA = 500.0
"""USB 2.0 specification, section 7.2.1: what a port gives once the device is configured; before that, 100 mA."""
USB_UNIT_MA = 100.0
"""USB 2.0 specification, section 7.2.1: one unit load, all that a port of a hub without its own supply gives."""

NPN_MOST_MA = 80.0
"""Most current for a small transistor; above it a MOSFET is used. Some are rated 100 mA (common practice, no
source)."""
FORCED_GAIN = 20.0
"""Ratio of collector to base current at which a transistor is well saturated: 10 to 20 (common practice, no source)."""
BASE_OHM, BASE_EMITTER_MV = 1000.0, 700.0
PULL_OFF_OHM = 10_000.0
"""Resistor that holds a base or gate off while nothing drives the pin."""


def own_ma(board: Board) -> float:
    """Return the current in mA of the microcontroller board itself, its serial chip and power light included.

    The figures are common practice, without a source. A board whose chip is not known is taken for the larger one.
    """
    return 50.0 if board.chip in ("atmega328p", "atmega328pb") else 100.0


# ATmega328P and ATmega2560 data sheets, notes to the table "DC characteristics" (from memory): groups of ports whose
# outputs together must not sink, or source, more than a limit. (chip, level that lights) → [(ports, mA)]. The
# ATmega328PB has other groups (ports E0 to E3, one pair of supply pins fewer), which are not in this table. No chip of
# the family has a group limit below 100 mA (from memory), so one group of 100 mA for all of its ports is safe.
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
    PORT_GROUPS["atmega328pb", _level] = [(_ports("B0-5", "C0-5", "D0-7"), 100.0)]
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
    """Current through it and the lamp."""
    power_mw: float
    """Power that it turns into heat at that current."""
    rating_mw: float
    """Smallest ordinary power rating of at least twice `power_mw` (common practice, no source)."""


RATINGS_MW = (250.0, 500.0, 1000.0, 2000.0, 3000.0, 5000.0)
"""Power ratings of leaded resistors that any shop has (common practice, no source)."""


def series_resistor(supply_mv: float, forward_mv: float, current_ma: float, series: Iterable[int] = E12) -> Resistor:
    """Return the smallest preferred resistor that lets no more than `current_ma` through a lamp, by Ohm's law.

    Raises `Trouble` if the supply is not above the lamp's forward voltage, if the current is not positive, or if twice
    the heat in the resistor is above the largest ordinary rating.
    """
    if not (math.isfinite(supply_mv) and math.isfinite(forward_mv) and forward_mv >= 0 and 0 < current_ma < math.inf):
        raise Trouble("a resistor needs a supply, a forward voltage of 0 V or more, and a current above 0 mA")
    drop_mv = supply_mv - forward_mv
    if drop_mv <= 0:
        raise Trouble(
            f"a supply of {supply_mv / 1000:g} V cannot light a lamp of {forward_mv / 1000:g} V: "
            "the supply must be higher"
        )
    ohm = preferred_at_least(drop_mv / current_ma, series)
    current = drop_mv / ohm
    power = drop_mv * current / 1000
    rating = next((rating for rating in RATINGS_MW if rating >= 2 * power * (1 - 1e-9)), 0.0)
    if not rating:
        raise Trouble(
            f"a resistor of {ohm:g} Ω would turn {power / 1000:.1f} W into heat, and twice that is more than the "
            f"{RATINGS_MW[-1] / 1000:g} W of the largest ordinary one; use a constant-current driver, or a lower supply"
        )
    return Resistor(ohm, current, power, rating)


def preferred_at_least(ohm: float, series: Iterable[int] = E12) -> float:
    """Return the smallest value in ohms of a series (`E12`, `E24`: two digits each) that is at least `ohm`.

    Raises `ValueError` if `ohm` is not a finite number above 0.
    """
    if not 0 < ohm < math.inf:
        raise ValueError(f"a resistance above 0 Ω is needed, not {ohm:g}")
    power = math.floor(math.log10(ohm)) - 1
    values = sorted(series)
    found = [value * 10.0**power if power >= 0 else value / 10.0**-power for value in (*values, 10 * values[0])]
    return next(value for value in found if value >= ohm * (1 - 1e-9))


def resistor_of(board: Board, lamp: Lamp, series: Iterable[int] = E12) -> Resistor:
    """Return the series resistor of `lamp` on `board`. Raises `Trouble` as `series_resistor` does."""
    return series_resistor(rail_of(board, lamp).mv, lamp.forward_mv, lamp.current_ma, series)


class Rail(NamedTuple):
    """The supply that feeds a part: ``+`` is the board's own (from USB), ``LAMP+`` the external one."""

    name: str
    mv: int


def rail_of(board: Board, part: Lamp | Display) -> Rail:
    """Return the supply that feeds `part`. The wiring list, its table of currents and `check` all use this.

    A transistor can switch the external supply, a pin cannot. A MAX7219 is fed by it if its voltage is in the chip's
    range.
    """
    if isinstance(part, Lamp):
        external = part.driver == "transistor" and board.external_mv > 0
    else:
        external = DRIVER_LEAST_MV <= board.external_mv <= DRIVER_MOST_MV
    return Rail("LAMP+", board.external_mv) if external else Rail("+", board.supply_mv)


class Drive(NamedTuple):
    """What switches a lamp."""

    kind: str
    """``pin``, ``NPN``, ``PNP``, ``N-channel`` or ``P-channel`` (logic-level MOSFETs)."""
    pin_ma: float
    """Current that the pin sources (lit by high) or sinks (lit by low) while the lamp is lit."""


def drive_of(board: Board, lamp: Lamp) -> Drive:
    """Return what switches `lamp`, and the load on its pin: the lamp's own current, or that of a base or gate.

    A small transistor carries at most 80 mA, and at most 20 times its base current; above that it is a MOSFET.
    """
    if lamp.driver != "transistor":
        return Drive("pin", lamp.current_ma)
    low = lamp.channel.active == "low"
    volts = rail_of(board, lamp).mv if low else board.supply_mv
    base_ma = max(0.0, volts - BASE_EMITTER_MV) / BASE_OHM
    if lamp.current_ma <= min(NPN_MOST_MA, FORCED_GAIN * base_ma):
        return Drive("PNP" if low else "NPN", base_ma)
    return Drive("P-channel" if low else "N-channel", volts / PULL_OFF_OHM)


def of_board(panel: Panel, board: str) -> tuple[list[Lamp], list[Display]]:
    """Return the wired lamps and displays on the board called `board`."""
    return (
        [lamp for lamp in panel.lamps if lamp.wired and lamp.channel.board == board],
        [display for display in panel.displays if display.wired and display.channel.board == board],
    )


def lamp_ma(lamp: Lamp, permille: int) -> float:
    """Return the mean current of `lamp` in mA after the level `permille` (0 to 1000) was sent to its board."""
    return lamp.current_ma * duty_of(lit_permille(lamp.dimmed, permille))


def display_ma(display: Display, segments: int | bytes) -> float:
    """Return the mean current in mA of `display` showing `segments` (bytes, or one number as in channel values)."""
    lit = sum(each.bit_count() for each in segments) if isinstance(segments, bytes) else max(0, segments).bit_count()
    return display.segment_ma * min(lit, 8 * display.digits)


def current_ma(panel: Panel, board: str, levels: Mapping[str, int | bytes]) -> float:
    """Return the mean current in mA of all lamps and displays of the board called `board`, without the board itself.

    `levels` gives by channel id what was sent on the wire: of a lamp its lightness in permille, of a display its
    segments. Channels that are missing from it are dark.
    """
    lamps, displays = of_board(panel, board)
    total = 0.0
    for lamp in lamps:
        level = levels.get(lamp.channel.id, 0)
        total += lamp_ma(lamp, level if isinstance(level, int) else int.from_bytes(level))
    for display in displays:
        total += display_ma(display, levels.get(display.channel.id, 0))
    return total


def worst_case_ma(panel: Panel, board: str) -> float:
    """Return the current in mA of the board's outputs with every lamp at full and every segment and point lit."""
    lamps, displays = of_board(panel, board)
    return sum(lamp.current_ma for lamp in lamps) + sum(map(display_worst_ma, displays))


def display_worst_ma(display: Display) -> float:
    """Return the current of `display` in mA with every segment and point lit."""
    return 8 * display.digits * display.segment_ma


def rail_ma(board: Board, rail: str, lamps: Iterable[Lamp], displays: Iterable[Display]) -> float:
    """Return the current in mA from `rail` (``+`` or ``LAMP+``) with everything lit, without the board itself.

    The currents of bases and gates come from ``+``.
    """
    total = 0.0
    for lamp in lamps:
        total += lamp.current_ma if rail_of(board, lamp).name == rail else 0.0
        total += drive_of(board, lamp).pin_ma if lamp.driver == "transistor" and rail == "+" else 0.0
    return total + sum(display_worst_ma(each) for each in displays if rail_of(board, each).name == rail)


def usb_ma(board: Board, lamps: Iterable[Lamp], displays: Iterable[Display]) -> float:
    """Return the current in mA that the board draws from its USB port with everything lit, itself included."""
    return rail_ma(board, "+", lamps, displays) + own_ma(board)


class Sum(NamedTuple):
    """What several parts together draw through one chip at full light, and the chip's limit."""

    what: str
    drawn_ma: float
    most_ma: float
    source: str
    """Document and table that the limit is from."""
    lines: tuple[int, ...]
    """Lines of the panel file with the parts that are in this sum."""


def sums(board: Board, lamps: Iterable[Lamp], displays: Iterable[Display]) -> list[Sum]:
    """Return the sums that a board's chips limit, over the parts whose pins the panel file gives."""
    registers, groups, pins, drivers = _Adding(), _Adding(), _Adding(), _Adding()
    for lamp in lamps:
        kind, chip, pin = _pin(lamp)
        drawn = drive_of(board, lamp).pin_ma
        if kind == "595":
            registers.add(chip, drawn, lamp.line)
        elif kind == "direct":
            pins.add(0, drawn, lamp.line)
            level = lamp.channel.active or "high"
            port = PORTS.get(board.chip, {}).get(pin, "")
            for ports, most in PORT_GROUPS.get((board.chip, level), []):
                if port in ports:
                    names = ", ".join(sorted({port[:2] for port in ports}))
                    way = "sourced" if level == "high" else "sunk"
                    groups.add((f"the port group {names}, {way} together", most), drawn, lamp.line)
    for display in displays:
        for bit in _driver_rows(display):
            drivers.add(bit // 8, 8 * display.segment_ma, display.line)
    sheet = _sheet(board)
    found = [
        Sum(f"chip {chip + 1} of the 74HC595 chain", drawn, SHIFT_REGISTER_MA, _most_of(SHIFT_REGISTER_SHEET), lines)
        for chip, drawn, lines in registers.items()
    ]
    note = f"{sheet}, notes to the table of DC characteristics"
    if board.chip == "atmega328pb":
        note += ": the least that a group bears, for all of them together"
    found += [Sum(what, drawn, most, note, lines) for (what, most), drawn, lines in groups.items()]
    found += [
        Sum("the chip's supply pins", drawn, SUPPLY_PINS_MA, _most_of(sheet), lines) for _, drawn, lines in pins.items()
    ]
    typical = f"{DRIVER_SHEET}, electrical characteristics, all segments on"
    found += [
        Sum(f"chip {chip + 1} of the MAX7219 chain", drawn, DRIVER_MA, typical, lines)
        for chip, drawn, lines in drivers.items()
    ]
    return found


class _Adding:
    """Adds up currents by key (a port group, a chip), with the panel file's lines they are from."""

    def __init__(self) -> None:
        self._sums: dict[Any, tuple[float, list[int]]] = {}

    def add(self, key: Any, current_ma: float, line: int) -> None:
        total, lines = self._sums.get(key, (0.0, []))
        self._sums[key] = (total + current_ma, [*lines, line])

    def items(self) -> Iterator[tuple[Any, float, tuple[int, ...]]]:
        """Yield key, current in mA and lines, in the order of the keys."""
        for key, (total, lines) in sorted(self._sums.items()):
            yield key, total, tuple(sorted(set(lines)))


def _sheet(board: Board) -> str:
    return AVR_SHEETS.get(board.chip, AVR_SHEETS["atmega328p"])


def _most_of(sheet: str) -> str:
    return f"{sheet}, absolute maximum ratings"


def _driver_rows(display: Display) -> list[int]:
    """Return the rows of the MAX7219 chain that `display` occupies; none if its pin is not known."""
    return [bit for pin in read_pins(display.channel.wire.pin)[:1] for bit in range(pin.bit, pin.bit + display.digits)]


def ma_words(current_ma: float) -> str:
    """Return a current as people read it: ``4.3 mA``."""
    return f"{round(current_ma, 1):g} mA"


class Load(NamedTuple):
    """One finding about currents: the panel file's line, a sentence, and whether something would be damaged."""

    line: int
    text: str
    grave: bool


def loads(panel: Panel) -> list[Load]:
    """Return a finding for each pin, port group, chip or supply that is overloaded, and each lamp that cannot light."""
    found: list[Load] = []
    for board in panel.boards:
        lamps, displays = of_board(panel, board.name)
        for lamp in lamps:
            found += of_lamp(panel, board, lamp)
        found += [load for each in sums(board, lamps, displays) for load in _over(board, each)]
        found += _of_drivers(board, displays)
        found += _of_supply(panel, board, lamps, displays)
    return found


def _pin(lamp: Lamp) -> tuple[str, int, str]:
    pins = read_pins(lamp.channel.wire.pin)
    return (pins[0].kind, pins[0].chip_number, pins[0].name) if pins else ("", 0, "")


def of_lamp(panel: Panel, board: Board, lamp: Lamp) -> list[Load]:
    """Return the findings about one lamp by itself: its supply, resistor, transistor and pin."""
    found: list[Load] = []
    try:
        resistor_of(board, lamp, SERIES[panel.resistors])
    except Trouble as trouble:
        found.append(Load(lamp.line, f"{key_of(lamp)}: {trouble}", True))
    found += _of_high_side(board, lamp)
    kind, _, pin = _pin(lamp)
    drive = drive_of(board, lamp)
    drawn = f"{key_of(lamp)} draws {ma_words(drive.pin_ma)} from {pin}"
    cure = 'use less current, or driver = "transistor"' if drive.kind == "pin" else "use another pin"
    if kind == "595" and drive.pin_ma > SHIFT_REGISTER_PIN_MA:
        limit = f"an output of a 74HC595 is specified at {SHIFT_REGISTER_PIN_MA:g} mA"
        source = f"{SHIFT_REGISTER_SHEET}, electrical characteristics; its 35 mA are the absolute maximum"
        found.append(Load(lamp.line, f"{drawn}; {limit} ({source}); {cure}", True))
    elif kind == "direct" and drive.pin_ma > PIN_MOST_MA:
        limit = f"a pin of the chip bears {PIN_MOST_MA:g} mA at most ({_most_of(_sheet(board))})"
        found.append(Load(lamp.line, f"{drawn}; {limit}; {cure}", True))
    elif kind == "direct" and drive.pin_ma > PIN_DESIGN_MA:
        source = f"{_sheet(board)}, test conditions in the table of DC characteristics"
        text = f"{drawn}; a pin of the chip is made for {PIN_DESIGN_MA:g} mA ({source})"
        found.append(Load(lamp.line, f"{text}; better {cure}", False))
    return found


def _of_high_side(board: Board, lamp: Lamp) -> list[Load]:
    """Check a high-side switch: a PNP or P-channel MOSFET is off only while its pin reaches the supply's voltage."""
    rail = rail_of(board, lamp)
    if lamp.driver != "transistor" or lamp.channel.active != "low" or rail.name == "+" or rail.mv < board.supply_mv:
        return []
    who = f"{key_of(lamp)} is lit when its pin is low, from an external supply of {rail.mv / 1000:g} V"
    cure = 'use active = "high", which is a transistor between the lamp and ground'
    if rail.mv == board.supply_mv:
        text = "two supplies of one voltage are never quite equal, so it may glow when it should be dark"
        return [Load(lamp.line, f"{who}; {text}; better {cure}", False)]
    text = f"a pin of {board.supply_mv / 1000:g} V cannot switch that off, and would be lifted above its own supply"
    return [Load(lamp.line, f"{who}; {text}; {cure}", True)]


def _of_drivers(board: Board, displays: list[Display]) -> list[Load]:
    found: list[Load] = []
    set_by: dict[int, Display] = {}
    for display in displays:
        for bit in _driver_rows(display):
            first = set_by.setdefault(bit // 8, display)
            if first.segment_ma != display.segment_ma and bit == max(_driver_rows(display)[0], bit // 8 * 8):
                text = (
                    f"{key_of(display)} has a segment_current of {display.segment_ma:g} mA, {first.name} "
                    f"on the same driver {first.segment_ma:g} mA; one resistor sets both"
                )
                found.append(Load(display.line, text, False))
        if not _driver_rows(display):
            continue
        if display.segment_ma > DRIVER_SEGMENT_MA:
            text = f"{key_of(display)} has a segment_current of {display.segment_ma:g} mA"
            limit = f"a MAX7219 gives {DRIVER_SEGMENT_MA:g} mA a segment at most (mean; 40 mA at its peak)"
            found.append(Load(display.line, f"{text}; {limit}", True))
        found += _of_driver_supply(board, display)
    return found


def _of_driver_supply(board: Board, display: Display) -> list[Load]:
    rail = rail_of(board, display)
    bears = f"{DRIVER_LEAST_MV / 1000:g} to {DRIVER_MOST_MV / 1000:g} V ({DRIVER_SHEET}, electrical characteristics)"
    if not DRIVER_LEAST_MV <= rail.mv <= DRIVER_MOST_MV:
        text = f"{key_of(display)} would be fed with {rail.mv / 1000:g} V; a MAX7219 takes {bears}"
        return [Load(display.line, f'{text}; give the board external_supply = "5 V"', True)]
    if board.supply_mv < DRIVER_HIGH_MV:
        text = f"{key_of(display)} is worked by a board of {board.supply_mv / 1000:g} V; a MAX7219 takes"
        source = f"{DRIVER_HIGH_MV / 1000:g} V or more for high ({DRIVER_SHEET}, electrical characteristics)"
        return [Load(display.line, f"{text} {source}; use a board of 5 V", True)]
    if board.external_mv and rail.name == "+":
        text = f"{key_of(display)} stays on the board's own supply: a MAX7219 takes {bears}"
        return [Load(display.line, f"{text}, and the external one has {board.external_mv / 1000:g} V", False)]
    return []


def _over(board: Board, sum_: Sum) -> list[Load]:
    if sum_.drawn_ma <= sum_.most_ma:
        return []
    text = (
        f"boards.{board.name}: up to {ma_words(sum_.drawn_ma)} is asked of {sum_.what}; it bears {sum_.most_ma:g} mA "
        f"({sum_.source})"
    )
    # The link holds back whatever would take a board above its budget.
    if board.budget_ma <= sum_.most_ma:
        return [Load(board.line, f"{text}; only the budget of {board.budget_ma:g} mA keeps it from harm", False)]
    return [Load(board.line, f"{text}; use less current, more chips, or a smaller budget", True)]


def _of_supply(panel: Panel, board: Board, lamps: list[Lamp], displays: list[Display]) -> list[Load]:
    found = _of_usb(board, lamps, displays)
    parts = [(lamp.line, key_of(lamp), lamp.current_ma) for lamp in lamps]
    parts += [(d.line, key_of(d), display_worst_ma(d)) for d in displays]
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


def _of_usb(board: Board, lamps: list[Lamp], displays: list[Display]) -> list[Load]:
    """Check the load on the USB port: the parts on it within the budget, bases and gates, and the board itself."""
    own, on_usb = own_ma(board), rail_ma(board, "+", lamps, displays)
    switched = sum(drive_of(board, lamp).pin_ma for lamp in lamps if lamp.driver == "transistor")
    drawn = min(board.budget_ma, on_usb - switched) + switched
    over = drawn + own > USB_MA
    gives = f"and about {own:g} mA for itself; a USB port gives {USB_MA:g} mA ({USB_SHEET})"
    if over and board.external_supply:
        text = f"boards.{board.name} takes up to {ma_words(drawn)} from USB for what its external supply does not feed"
        return [Load(board.line, f'{text}, {gives}; lower the budget, or give lamps driver = "transistor"', True)]
    if over or (not board.external_supply and board.budget_ma + own > USB_MA):
        text = f"boards.{board.name} has a budget of {board.budget_ma:g} mA"
        text += f", {ma_words(switched)} for bases and gates" if switched else ""
        cure = "say external_supply if there is one, or lower the budget"
        return [Load(board.line, f"{text}, {gives}; {cure}", True)]
    return []


# MAX7219/MAX7221 data sheet, table 11 (from memory): resistor in kΩ for a peak segment current in mA, LEDs of 2.0 V.
_SET_KOHM = ((40.0, 11.8), (30.0, 17.1), (20.0, 28.0), (10.0, 63.7))


def set_resistor_kohm(segment_ma: float) -> float:
    """Return the E12 resistor in kΩ between V+ and ISET of a MAX7219 for a mean current of `segment_ma` a segment.

    The driver lights one digit in eight, so the peak is eight times the mean. The result is never below the table's
    value for a peak of 40 mA. Raises `Trouble` if `segment_ma` is not above 0.
    """
    if segment_ma <= 0:
        raise Trouble("a segment current above 0 mA is needed")
    peak = min(40.0, 8 * segment_ma)
    if peak <= 10.0:
        return preferred_at_least(63.7 * 10.0 / peak)
    for (high, low_kohm), (low, high_kohm) in itertools.pairwise(_SET_KOHM):
        if low <= peak <= high:
            # The current is proportional to 1/R: interpolate linearly in the inverse.
            share = (1 / peak - 1 / high) / (1 / low - 1 / high)
            return preferred_at_least(low_kohm + share * (high_kohm - low_kohm))
    return preferred_at_least(_SET_KOHM[0][1])
