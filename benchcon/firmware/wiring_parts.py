"""What to solder: one row per wire of each channel, and the pins of every chip of a chain.

Chip pins are those of the DIP packages in the data sheets of 74HC165, 74HC595 and MAX7219 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from typing import NamedTuple

from benchcon.firmware.board_plan import Plan
from benchcon.panel.brightness import intensity_mcd
from benchcon.panel.electrics import (
    BASE_OHM,
    DRIVER_LEAST_MV,
    DRIVER_MOST_MV,
    DRIVER_SHEET,
    PULL_OFF_OHM,
    RATINGS_MW,
    SERIES,
    drive_of,
    rail_of,
    resistor_of,
    set_resistor_kohm,
)
from benchcon.panel.model import Board, Chain, Channel, Control, Lamp, Panel, Part, Wire
from benchcon.panel.pins import CHAINS, PORTS, SEGMENT_PINS, SERIAL, Pin
from benchcon.panel.reading import own_position


class WireRow(NamedTuple):
    """One wire of the list."""

    channel: str
    pin: str
    part: str
    resistor: str
    connector: str
    connector_pin: str
    wire: str
    note: str


class ChipPin(NamedTuple):
    """One pin of a chip, and what it is connected to."""

    number: int
    name: str
    goes_to: str


class ChainChip(NamedTuple):
    """One chip of a chain: U1, U2 …"""

    reference: str
    type: str
    pins: tuple[ChipPin, ...]
    note: str


PULL_OHM = 10_000.0
"""What pulls an input of a 74HC165, or OE of the 74HC595s, to where it rests: it draws little current, and is strong
enough against noise on a panel's wires (common practice, no source).
"""

INPUT_PINS = (11, 12, 13, 14, 3, 4, 5, 6)
"""74HC165: pins of the inputs A to H."""
OUTPUT_PINS = (15, 1, 2, 3, 4, 5, 6, 7)
"""74HC595: pins of the outputs QA to QH."""
DIGIT_PINS = (2, 11, 6, 7, 3, 10, 5, 8)
"""MAX7219: pins of DIG 0 to DIG 7."""


def ohm_words(ohm: float) -> str:
    """Return a resistor's value as on a parts list: 470 Ω, 4.7 kΩ."""
    if ohm < 1000:
        return f"{ohm:g} Ω"
    return f"{ohm / 1000:g} kΩ" if ohm < 1_000_000 else f"{ohm / 1_000_000:g} MΩ"


PLENTY = "1/4 W is plenty"
"""The rating of a resistor that turns next to nothing into heat."""


def rating_words(rating_mw: float) -> str:
    """Return which power rating of resistor to take: ``1/4 W is plenty``, ``take 2 W or more``."""
    if rating_mw <= RATINGS_MW[0]:
        return PLENTY
    return f"take {'1/2' if rating_mw == 500.0 else f'{rating_mw / 1000:g}'} W or more"


def references(plan: Plan) -> dict[tuple[str, int], str]:
    """Return (kind of chain, number of the chip in it) → its reference, such as ``U3``."""
    chips = [(c.kind, n) for c in (plan.chain_165, plan.chain_595, plan.chain_7219) if c for n in range(c.chips)]
    return {chip: f"U{number}" for number, chip in enumerate(chips, 1)}


def rows(plan: Plan) -> list[WireRow]:
    """Return a row for every channel, in the order of the board's own items, then for parts that are left out."""
    names = references(plan)
    found: list[WireRow] = []
    for contact in plan.contacts:
        notes = [_made(contact.pin, contact.low), *_coded(contact.control, contact.channel), *_about(contact.control)]
        notes += ["while it is made the board is dark"] if contact.control.darkens else []
        resistor = _input_resistor(contact.pin, contact.low)
        found.append(_row(names, contact.channel, contact.pin, _part(contact.control, contact.label), resistor, notes))
    for encoder in plan.encoders:
        wires = _split(encoder.channel.wire)
        for letter, pin, wire in zip("AB", encoder.pins, wires, strict=True):
            notes = ["common to ground" if encoder.low else "common to +", *_about(encoder.control)]
            resistor = _input_resistor(pin, encoder.low)
            row = _row(
                names, encoder.channel, pin, f"{_part(encoder.control, encoder.label)}, {letter}", resistor, notes
            )
            found.append(row._replace(connector_pin=wire.connector_pin, wire=wire.colour))
    for pot in plan.pots:
        notes = ["wiper; ends to ground (left) and the board's +; 1 to 10 kΩ, linear", *_about(pot.control)]
        found.append(_row(names, pot.channel, pot.pin, _part(pot.control, pot.label), "", notes))
    for output in plan.lamps:
        lamp = output.lamp
        notes = [_lit(plan.board, lamp, output.low), *_about(lamp)]
        resistor = _series(plan, lamp)
        found.append(
            _row(
                names,
                lamp.channel,
                output.pin,
                f"{lamp.label} ({lamp.colour} lamp{_housed(plan, lamp)})",
                resistor,
                notes,
            )
        )
    for each in plan.displays:
        display, chip = each.display, names.get(("7219", each.first // 8), "")
        pins = f"7219.{each.first}" + (f" to 7219.{each.first + display.digits - 1}" if display.digits > 1 else "")
        notes = [f"common cathode; leftmost digit on {chip} DIG {each.first % 8}", *_about(display)]
        part = f"{display.label} ({display.colour} display, {display.digits} digits)"
        wire = display.channel.wire
        ends = (wire.connector, wire.connector_pin, wire.colour)
        found.append(WireRow(display.channel.id, pins, part, "at ISET, below", *ends, "; ".join(notes)))
    return found


def plain_rows(panel: Panel, board: str, listed: Collection[str] = ()) -> list[WireRow]:
    """Return a row for every wire of `board` as in the panel file, without those of the channels in `listed`.

    For parts that firmware leaves out, and for boards for which no firmware can be made (such as one without a chip).
    """
    found: list[WireRow] = []
    for part in panel.parts:
        for channel in part.channels:
            if channel.board != board or channel.id in listed:
                continue
            both = isinstance(part, Control) and part.kind == "encoder" and "/" in channel.wire.pin
            for letter, wire in zip(("A", "B"), _split(channel.wire), strict=True) if both else (("", channel.wire),):
                label = f"{_called(part)}, {letter}" if letter else _called(part)
                ends = (wire.connector, wire.connector_pin, wire.colour)
                notes = [*(_coded(part, channel) if isinstance(part, Control) else ()), *_about(part)]
                found.append(WireRow(channel.id, wire.pin, label, "", *ends, "; ".join(notes)))
    return found


def _row(
    names: dict[tuple[str, int], str], channel: Channel, pin: Pin, part: str, resistor: str, notes: list[str]
) -> WireRow:
    where = pin.name
    if pin.kind in ("165", "595"):
        number = (INPUT_PINS if pin.kind == "165" else OUTPUT_PINS)[pin.bit % 8]
        where += f" ({names.get((pin.kind, pin.chip_number), '?')} pin {number})"
    wire = channel.wire
    text = "; ".join(note for note in notes if note)
    return WireRow(channel.id, where, part, resistor, wire.connector, wire.connector_pin, wire.colour, text)


def _part(control: Control, label: str) -> str:
    words = {"button": "push button", "switch": "switch", "encoder": "encoder", "pot": "potentiometer"}
    return f"{label} ({words[control.kind]})"


def _called(part: Part) -> str:
    """Return a part's name in the list."""
    if isinstance(part, Control):
        return _part(part, part.label)
    sort = "lamp" if isinstance(part, Lamp) else f"display, {part.digits} digits"
    return f"{part.label} ({part.colour} {sort})"


def _about(part: object) -> list[str]:
    wired = getattr(part, "wired", True)
    note = str(getattr(part, "note", ""))
    return [*([] if wired else ["NOT WIRED YET"]), *([note] if note else [])]


def _coded(control: Control, channel: Channel) -> list[str]:
    """Return in which positions one contact of several is made, unless its label says so."""
    place = control.channels.index(channel)
    if len(control.channels) == 1 or not control.codes or own_position(control, place) is not None:
        return []
    made = [word for word, code in zip(control.positions, control.codes, strict=True) if code[place]]
    return [f"in position{'s' * (len(made) > 1)} {', '.join(made)}"]


def _split(wire: Wire) -> tuple[Wire, Wire]:
    """Return the two wires of an encoder, which are written with a slash: ``"5/6"``, ``"white/brown"``."""

    def two(text: str) -> tuple[str, str]:
        first, slash, second = text.partition("/")
        return (first, second) if slash else (text, text)

    here, pins, colours = two(wire.pin), two(wire.connector_pin), two(wire.colour)
    return tuple(Wire(here[n], wire.connector, pins[n], colours[n]) for n in (0, 1))  # type: ignore[return-value]


def _made(pin: Pin, low: bool) -> str:
    if pin.kind == "matrix":
        return f"row {pin.row}, column {pin.column}"
    return "made to ground" if low else "made to +"


def pull_ohm(pin: Pin, low: bool) -> float:
    """Return the resistor in ohms that pulls an input to where it rests; 0 where none needs to be fitted."""
    if pin.kind == "165":
        return PULL_OHM
    # The chip's own pull-up (at least 20 kΩ) stays on: 4.7 kΩ keeps the pin below 0.3 of the supply (data sheet).
    return 0.0 if low or pin.kind == "matrix" else 4700.0


def _input_resistor(pin: Pin, low: bool) -> str:
    ohm = pull_ohm(pin, low)
    if ohm:
        return f"{ohm_words(ohm)} to {'+' if low else 'ground'}"
    return "" if pin.kind == "matrix" else "pull-up in the chip"


def _series(plan: Plan, lamp: Lamp) -> str:
    resistor = resistor_of(plan.board, lamp, SERIES[plan.panel.resistors])
    heat = f"{resistor.power_mw:.0f} mW" if resistor.power_mw >= 10 else f"{resistor.power_mw:.1f} mW"
    rated = rating_words(resistor.rating_mw)
    light = f", {intensity_mcd(lamp, resistor.current_ma):.3g} mcd" if lamp.intensity_mcd else ""
    return f"{ohm_words(resistor.ohm)} in series, {heat}, {rated} ({resistor.current_ma:.1f} mA{light})"


def _housed(plan: Plan, lamp: Lamp) -> str:
    """Return in words with which others a lamp is in one housing, and which lead they share; empty if alone."""
    home = lamp.inside or lamp.name
    others = [
        each.label
        for each in (out.lamp for out in plan.lamps)
        if lamp.engraved and home in (each.name, each.inside) and each != lamp
    ]
    common = "anode" if lamp.channel.active == "low" else "cathode"
    return f", in one housing with {' and '.join(others)}: common {common}" if others else ""


def _lit(board: Board, lamp: Lamp, low: bool) -> str:
    """Return the whole path of the lamp's current, from a supply to ground."""
    rail, kind = rail_of(board, lamp).name, drive_of(board, lamp).kind
    if kind == "pin":
        return f"{rail} → resistor → anode; cathode → pin" if low else "pin → resistor → anode; cathode → ground"
    if kind in ("NPN", "N-channel"):
        return f"{rail} → resistor → anode; cathode → {'collector' if kind == 'NPN' else 'drain'}; {kind}, below"
    out = "emitter, collector" if kind == "PNP" else "source, drain"
    return f"{rail} → {out} → resistor → anode; cathode → ground; {kind}, below"


def transistors(plan: Plan) -> tuple[str, ...]:
    """Return one sentence per kind of transistor that switches lamps: its ratings, and how to connect it."""
    board, base, off = plan.board, ohm_words(BASE_OHM), ohm_words(PULL_OFF_OHM)
    open_at = "4.5 V" if board.supply_mv >= 4500 else "2.5 V"
    gate = f"its on-resistance stated for {open_at} at the gate"
    found: list[str] = []
    for kind in ("NPN", "PNP", "N-channel", "P-channel"):
        lamps = [output.lamp for output in plan.lamps if drive_of(board, output.lamp).kind == kind]
        if not lamps:
            continue
        rail = rail_of(board, lamps[0])
        rest = "ground" if kind[0] == "N" else rail.name
        bears = f"rated for more than {rail.mv / 1000:g} V and {max(lamp.current_ma for lamp in lamps):g} mA"
        who = ", ".join(lamp.label for lamp in lamps)
        if kind in ("NPN", "PNP"):
            how = f"emitter to {rest}; base over {base} from the pin; {off} from base to {rest}"
        else:
            how = f"source to {rest}; gate over 100 Ω from the pin; {off} from gate to {rest}"
            bears, kind = f"{bears}, {gate}", f"{kind} MOSFET"
        found.append(f"{kind} ({who}): {how}; {bears}.")
    return tuple(found)


def board_pins(plan: Plan) -> list[tuple[str, str, str]]:
    """Return (pin, port of the chip, what is connected to it) for every used pin of the board, in order."""
    used: dict[str, list[str]] = {}

    def at(pin: Pin | str, what: str) -> None:
        if isinstance(pin, str) or pin.kind == "direct":
            used.setdefault(pin if isinstance(pin, str) else pin.name, []).append(what)

    for serial in SERIAL:
        at(serial, "serial port: leave it free")
    for contact in plan.contacts:
        at(contact.pin, f"{contact.label} ({contact.channel.id})")
    for encoder in plan.encoders:
        for letter, pin in zip("AB", encoder.pins, strict=True):
            at(pin, f"{encoder.label} {letter} ({encoder.channel.id})")
    for pot in plan.pots:
        at(pot.pin, f"{pot.label}, wiper ({pot.channel.id})")
    for output in plan.lamps:
        at(output.pin, f"{output.lamp.label} ({output.lamp.channel.id})")
    for chip in chain_chips(plan):
        for chip_pin in chip.pins:
            if to_board := _OF_THE_BOARD.match(chip_pin.goes_to):
                at(to_board[1], f"{chip.reference} pin {chip_pin.number} ({chip_pin.name})")
    if plan.matrix:
        for what, names in (("row", plan.matrix.rows), ("column", plan.matrix.columns)):
            for number, name in enumerate(names):
                at(name, f"{plan.matrix.name} {what} {number}")
    if plan.own_light:
        at(plan.chip.light, "the board's own light, for wink")
    if plan.uses_spi and plan.chip.miso not in used:
        at(plan.chip.miso, "leave it free: the chip's SPI reads here")
    ports = PORTS[plan.chip.name]
    order = {name: number for number, name in enumerate(ports)}
    return [
        (pin, ports.get(pin, ""), ", ".join(what)) for pin, what in sorted(used.items(), key=lambda it: order[it[0]])
    ]


_OF_THE_BOARD = re.compile(r"([DA]\d+) of the board")


def connectors(plan: Plan) -> list[tuple[str, str, str]]:
    """Return (connector, its wires, the common wires that it also needs: ground, + or LAMP+)."""
    wires: dict[str, list[tuple[str, str]]] = {}
    commons: dict[str, set[str]] = {}
    needed = _commons(plan)
    for row in rows(plan):
        if row.connector:
            wires.setdefault(row.connector, []).append((row.connector_pin, row.channel))
            commons.setdefault(row.connector, set()).update(needed.get(row.channel, ()))
    rails = ("ground", "+", "LAMP+")
    wired = {name: ", ".join(map(_at_its_pin, sorted(each, key=_by_pin))) for name, each in wires.items()}
    return [
        (name, pins, " and ".join(rail for rail in rails if rail in commons[name]) or "none")
        for name, pins in wired.items()
    ]


def _by_pin(wire: tuple[str, str]) -> tuple[bool, list[tuple[str, int]]]:
    """Return a sort key for the order of pins on a plug: 2 before 10, and wires without a pin last."""
    pin = wire[0]
    return not pin, [(text, int(step or 0)) for text, step in re.findall(r"(\D*)(\d{0,9})", pin)]


def _at_its_pin(wire: tuple[str, str]) -> str:
    pin, channel = wire
    return f"{pin}: {channel}" if pin else channel


def _commons(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return channel id → what the other ends of the part are connected to."""
    found: dict[str, tuple[str, ...]] = {}
    for contact in plan.contacts:
        if contact.pin.kind != "matrix":
            found[contact.channel.id] = ("ground" if contact.low else "+",)
    for encoder in plan.encoders:
        found[encoder.channel.id] = ("ground" if encoder.low else "+",)
    for pot in plan.pots:
        found[pot.channel.id] = ("ground", "+")
    for output in plan.lamps:
        kind, lamp = drive_of(plan.board, output.lamp).kind, output.lamp
        from_rail = output.low if kind == "pin" else kind[0] == "N"
        found[lamp.channel.id] = (rail_of(plan.board, lamp).name if from_rail else "ground",)
    return found


def chain_chips(plan: Plan) -> list[ChainChip]:
    """Return every chip of the chains, with all its pins."""
    found: list[ChainChip] = []
    for chain in (plan.chain_165, plan.chain_595, plan.chain_7219):
        if chain:
            found += [_chip(plan, chain, number) for number in range(chain.chips)]
    return found


def _chip(plan: Plan, chain: Chain, number: int) -> ChainChip:
    names = references(plan)
    pins = {"165": _pins_165, "595": _pins_595, "7219": _pins_7219}[chain.kind](plan, chain, number)
    note = "100 nF between + and ground, right at the chip"
    if chain.kind == "7219":
        bears = f"{DRIVER_LEAST_MV / 1000:g} to {DRIVER_MOST_MV / 1000:g} V"
        note = f"V+ is {driver_rail(plan, number)}; it takes {bears} ({DRIVER_SHEET}, electrical characteristics); "
        note += "100 nF and 10 µF between V+ and ground, right at the chip"
        currents = {
            each.display.segment_ma
            for each in plan.displays
            if each.first // 8 <= number <= (each.first + each.display.digits - 1) // 8
        }
        if currents:
            least = min(currents)
            note += (
                f"; {set_resistor_kohm(least):g} kΩ between ISET and V+ ({least:g} mA for each lit segment, on average)"
            )
    elif chain.kind == "595" and chain.oe:
        note += "; its outputs are off until the board has started, and while it is in reset"
    elif chain.kind == "595":
        note += "; until the board has started the outputs may be lit at random ('oe' in the panel file prevents it)"
    return ChainChip(names[chain.kind, number], CHAINS[chain.kind], tuple(sorted(pins)), note)


def driver_rail(plan: Plan, number: int) -> str:
    """Return the name of the supply of the MAX7219 `number`, which is the same for all displays of a board."""
    return next((rail_of(plan.board, each.display).name for each in plan.displays), "+")


def _neighbours(plan: Plan, chain: Chain, number: int) -> tuple[str, str]:
    """Return the references of the chip before it (towards the board) and after it; empty at the ends."""
    names = references(plan)
    return names.get((chain.kind, number - 1), ""), names.get((chain.kind, number + 1), "")


def _on(parts: Iterator[tuple[int, str]], number: int) -> dict[int, str]:
    return {bit % 8: who for bit, who in parts if bit // 8 == number}


def _pins_165(plan: Plan, chain: Chain, number: int) -> list[ChipPin]:
    before, after = _neighbours(plan, chain, number)
    contacts = [(c.pin.bit, f"{c.label} ({c.channel.id})") for c in plan.contacts if c.pin.kind == "165"]
    contacts += [
        (pin.bit, f"{encoder.label} {letter} ({encoder.channel.id})")
        for encoder in plan.encoders
        for letter, pin in zip("AB", encoder.pins, strict=True)
        if pin.kind == "165"
    ]
    used = _on(iter(contacts), number)
    pins = [ChipPin(INPUT_PINS[bit], "ABCDEFGH"[bit], used.get(bit, "+ (unused)")) for bit in range(8)]
    return [
        *pins,
        ChipPin(1, "SH/LD", f"{chain.load} of the board"),
        ChipPin(2, "CLK", f"{chain.clock} of the board"),
        ChipPin(7, "/QH", "open"),
        ChipPin(8, "GND", "ground"),
        ChipPin(9, "QH", f"{before} pin 10 (SER)" if before else f"{chain.data} of the board"),
        ChipPin(10, "SER", f"{after} pin 9 (QH)" if after else "+"),
        ChipPin(15, "CLK INH", "ground"),
        ChipPin(16, "VCC", "+"),
    ]


def _pins_595(plan: Plan, chain: Chain, number: int) -> list[ChipPin]:
    before, after = _neighbours(plan, chain, number)
    lamps = ((o.pin.bit, f"{o.lamp.label} ({o.lamp.channel.id})") for o in plan.lamps if o.pin.kind == "595")
    used = _on(lamps, number)
    pins = [ChipPin(OUTPUT_PINS[bit], "Q" + "ABCDEFGH"[bit], used.get(bit, "open")) for bit in range(8)]
    return [
        *pins,
        ChipPin(8, "GND", "ground"),
        ChipPin(9, "QH'", f"{after} pin 14 (SER)" if after else "open"),
        ChipPin(10, "SRCLR", "+"),
        ChipPin(11, "SRCLK", f"{chain.clock} of the board"),
        ChipPin(12, "RCLK", f"{chain.load} of the board"),
        ChipPin(13, "OE", _output_enable(chain, number)),
        ChipPin(14, "SER", f"{before} pin 9 (QH')" if before else f"{chain.data} of the board"),
        ChipPin(16, "VCC", "+"),
    ]


def _output_enable(chain: Chain, number: int) -> str:
    if not chain.oe:
        return "ground"
    # A single resistor keeps the whole chain off while nothing drives the pin.
    return f"{chain.oe} of the board" + (f"; {ohm_words(PULL_OHM)} from there to +" if number == 0 else "")


def _pins_7219(plan: Plan, chain: Chain, number: int) -> list[ChipPin]:
    before, after = _neighbours(plan, chain, number)
    digits = (
        (
            each.first + digit,
            f"cathode of {each.display.label}, digit {digit + 1} from the left ({each.display.channel.id})",
        )
        for each in plan.displays
        for digit in range(each.display.digits)
    )
    used = _on(digits, number)
    pins = [ChipPin(DIGIT_PINS[bit], f"DIG {bit}", used.get(bit, "open")) for bit in range(8)]
    pins += [ChipPin(pin, f"SEG {name}", f"segment {name} of every digit here") for name, pin in SEGMENT_PINS.items()]
    return [
        *pins,
        ChipPin(1, "DIN", f"{before} pin 24 (DOUT)" if before else f"{chain.data} of the board"),
        ChipPin(4, "GND", "ground"),
        ChipPin(9, "GND", "ground (both)"),
        ChipPin(12, "LOAD", f"{chain.load} of the board"),
        ChipPin(13, "CLK", f"{chain.clock} of the board"),
        ChipPin(18, "ISET", "resistor to V+ (above)"),
        ChipPin(19, "V+", driver_rail(plan, number)),
        ChipPin(24, "DOUT", f"{after} pin 1 (DIN)" if after else "open"),
    ]
