"""The wiring list of a board, as text and as Markdown, from the same sections."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from benchcon.firmware.chips import BAUDS, baud_words
from benchcon.firmware.plan import Plan
from benchcon.firmware.wiring_parts import chain_chips, ohm_words, rating_words, rows
from benchcon.panel.electrics import (
    BOARD_OWN_MA,
    DRIVER_MA,
    E24,
    PIN_DESIGN_MA,
    PIN_MOST_MA,
    PORT_GROUPS,
    SHIFT_REGISTER_MA,
    SUPPLY_PINS_MA,
    USB_MA,
    resistor_of,
)
from benchcon.panel.pins import PORTS
from benchcon.panel.reader import Finding
from benchcon.wire.printable import printable

HOT_MW = 250.0
"""A resistor that turns so much into heat is too hot to touch on its own legs (common practice, no source)."""


DRIVER_MOST_MV = 5500
"""MAX7219/MAX7221 data sheet: highest supply."""


class Section(NamedTuple):
    """A heading, sentences, and a table (head first) or none."""

    heading: str
    lines: tuple[str, ...]
    table: tuple[tuple[str, ...], ...] = ()


def sections(plan: Plan, baud: int = BAUDS[0], advice: Sequence[Finding] = ()) -> list[Section]:
    """Return the whole list. `advice` is what `plan.plan` found that does not keep the board from being built."""
    board, chip = plan.board, plan.chip
    title = " · ".join(filter(None, (plan.panel.title, board.label, f"board {board.name}")))
    of = f"Made from {printable(Path(plan.panel.path).name) or 'a panel file'} (SHA-256 {plan.panel.digest[:16]} …) by "
    found = [
        Section(
            f"Wiring list: {title}",
            (
                f"{of}`benchcon firmware`. Change the panel file, not this list.",
                f"Microcontroller: {chip.title} ({chip.boards}), {board.supply_mv / 1000:g} V. “+” is that supply.",
                f"Serial port: {baud_words(baud)}.",
            ),
        ),
        Section("Cautions", cautions(plan)),
    ]
    if advice:
        found.append(Section("Advice", tuple(f"Line {each.line}: {each.text}." for each in advice)))
    head = ("channel", "pin", "part", "resistor", "connector", "its pin", "wire", "note")
    wires = rows(plan)
    found.append(Section("Wires", () if wires else ("No parts yet.",), (head, *wires) if wires else ()))
    if plan.matrix:
        found.append(_matrix(plan))
    for each in chain_chips(plan):
        pins = tuple((str(pin.number), pin.name, pin.goes_to) for pin in each.pins)
        found.append(Section(f"{each.reference}: {each.type}", (f"{each.note}.",), (("pin", "name", "goes to"), *pins)))
    found.append(_currents(plan))
    return found


def _matrix(plan: Plan) -> Section:
    assert plan.matrix is not None
    matrix = plan.matrix
    pins = [(f"row {number}", pin) for number, pin in enumerate(matrix.rows)]
    pins += [(f"column {number}", pin) for number, pin in enumerate(matrix.columns)]
    if matrix.diodes:
        how = "A diode (1N4148 or the like) at every contact, its cathode towards the row."
    else:
        how = "No diodes: three contacts held at the corners of a rectangle make a phantom of the fourth."
    return Section(f"Matrix {matrix.name}", (how, "Columns are pulled up in the chip."), (("wire", "pin"), *pins))


def cautions(plan: Plan) -> tuple[str, ...]:
    """Return what can hurt a person or a part here."""
    board = plan.board
    found = [
        "Pull the USB cable and every other supply before you change a wire.",
        "Mains has no place on this bench or in this panel. Where it comes near, in a power supply, leave the work to "
        "someone licensed for it and follow your local code.",
    ]
    if board.external_supply:
        found.append(
            f"There is a second supply, of {board.external_mv / 1000:g} V: join its ground with the board's, never its "
            "+ with the board's, and put a fuse in each branch if it can deliver more than a few amperes."
        )
    found.append(
        f"{'The board, and what its pins light, takes its' if board.external_supply else 'All'} current from the USB "
        f"port: {USB_MA:g} mA at the most once the computer has agreed, 100 mA before (USB 2.0 specification, section "
        "7.2.1). A hub without a supply of its own gives less. Do not bypass the port's fuse."
    )
    found += _hot(plan)
    if plan.lamps or plan.digits:
        found.append(
            "Bright lamps glare: do not look into them from close by, and begin at low brightness in a dark room."
        )
        found.append(
            "Flashing light can bring on seizures: nothing here flashes faster than three times a second "
            "(WCAG 2, success criterion 2.3.1), and what you add should not either."
        )
    return tuple(found)


def _hot(plan: Plan) -> list[str]:
    hot = [(output.lamp, resistor_of(plan.board, output.lamp, E24)) for output in plan.lamps]
    found = [
        f"The resistor of {lamp.label} ({ohm_words(resistor.ohm)}) turns {resistor.power_mw / 1000:.2f} W into heat "
        f"and gets hot: take {rating_words(resistor.rating_mw)} or more, keep it off plastic, wires and fingers."
        for lamp, resistor in hot
        if resistor.power_mw >= HOT_MW
    ]
    warm = max((resistor.power_mw for _, resistor in hot), default=0.0)
    if hot and not found:
        found.append(f"Resistors get warm: the warmest of these turns {warm:.0f} mW into heat. Give them air.")
    return found


def _currents(plan: Plan) -> Section:
    """Sums with everything at full light, beside what bears them."""
    board, chip = plan.board, plan.chip
    table: list[tuple[str, ...]] = [("what", "at full light", "may be", "from")]
    lit = [output for output in plan.lamps if output.lamp.wired]
    lamps = sum(output.lamp.current_ma for output in lit)
    shown = sum(8 * each.digits.places * each.digits.segment_ma for each in plan.digits if each.digits.wired)
    table.append(
        ("lamps and displays together", f"{lamps + shown:g} mA", f"{board.budget_ma:g} mA", "budget of the panel file")
    )
    # What the second supply feeds: lamps by a transistor, and displays if they bear it.
    usb = sum(o.lamp.current_ma for o in lit if o.lamp.driver == "pin" or not board.external_mv)
    usb += 0 if 0 < board.external_mv <= DRIVER_MOST_MV else shown
    own = f"{usb + BOARD_OWN_MA:g} mA"
    table.append(("from the USB port, with about 50 mA for the board", own, f"{USB_MA:g} mA", "USB 2.0, section 7.2.1"))
    carried = [output for output in lit if output.lamp.driver == "pin"]
    direct = [output for output in carried if output.pin.kind == "direct"]
    if direct:
        most = max(output.lamp.current_ma for output in direct)
        limit = f"{PIN_DESIGN_MA:g} mA, never over {PIN_MOST_MA:g} mA"
        table.append(("the most loaded pin", f"{most:g} mA", limit, f"{chip.title} data sheet"))
        total = sum(output.lamp.current_ma for output in direct)
        table.append(
            ("all pins together", f"{total:g} mA", f"{SUPPLY_PINS_MA:g} mA", "absolute maximum of VCC and GND")
        )
    for level in ("high", "low"):
        for ports, limit_ma in PORT_GROUPS.get((chip.name, level), []):
            group = [o for o in direct if (o.low == (level == "low")) and PORTS[chip.name].get(o.pin.name) in ports]
            if group:
                names = ", ".join(sorted({port[:2] for port in ports}))
                way = "sourced" if level == "high" else "sunk"
                drawn = sum(output.lamp.current_ma for output in group)
                table.append(
                    (
                        f"group of ports {names}, {way}",
                        f"{drawn:g} mA",
                        f"{limit_ma:g} mA",
                        "notes to DC characteristics",
                    )
                )
    for each in range(plan.chain_595.chips if plan.chain_595 else 0):
        drawn = sum(o.lamp.current_ma for o in carried if o.pin.kind == "595" and o.pin.chip_number == each)
        table.append(
            (f"chip {each + 1} of the 74HC595 chain", f"{drawn:g} mA", f"{SHIFT_REGISTER_MA:g} mA", "absolute maximum")
        )
    for each in range(plan.display_chips):
        drawn = sum(
            8 * out.digits.segment_ma
            for out in plan.digits
            for place in range(out.first, out.first + out.digits.places)
            if place // 8 == each and out.digits.wired
        )
        table.append(
            (f"chip {each + 1} of the MAX7219 chain", f"{drawn:g} mA", f"{DRIVER_MA:g} mA", "data sheet (from memory)")
        )
    over = lamps + shown > board.budget_ma
    note = (
        "Not everything can be lit at once: the budget is less. benchcon holds back what would exceed it, other "
        "programs do not."
    )
    return Section("Currents", (note,) if over else (), tuple(table))


def as_markdown(found: Sequence[Section]) -> str:
    """Return the list as Markdown."""
    out: list[str] = []
    for number, section in enumerate(found):
        out += [f"{'#' if number == 0 else '##'} {_escaped(section.heading)}", ""]
        out += [*(f"- {_escaped(line)}" for line in section.lines), *([""] if section.lines else [])]
        if section.table:
            head, *body = section.table
            out += ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
            out += ["| " + " | ".join(_escaped(cell) for cell in row) + " |" for row in body]
            out.append("")
    return "\n".join(out).rstrip() + "\n"


def _escaped(text: str) -> str:
    # Everything that Markdown could take for markup, but for the backquotes of our own sentences.
    text = text.replace("\\", "\\\\")
    for character in "|*_<>[]#":
        text = text.replace(character, "\\" + character)
    return text


def _width(text: str) -> int:
    return sum(2 if unicodedata.east_asian_width(each) in "WF" else not unicodedata.combining(each) for each in text)


def _padded(text: str, width: int) -> str:
    return text + " " * (width - _width(text))


def as_text(found: Sequence[Section]) -> str:
    """Return the list as plain text."""
    out: list[str] = []
    for number, section in enumerate(found):
        out += [section.heading, ("=" if number == 0 else "-") * _width(section.heading), ""]
        for line in section.lines:
            out += textwrap.wrap(line.replace("`", "'"), 110, initial_indent="  * ", subsequent_indent="    ")
        if section.lines:
            out.append("")
        if section.table:
            widths = [max(map(_width, column)) for column in zip(*section.table, strict=True)]
            for row in section.table:
                cells = [_padded(cell, width) for cell, width in zip(row, widths, strict=True)]
                out.append(("  " + "  ".join(cells)).rstrip())
                if row is section.table[0]:
                    out.append("  " + "  ".join("-" * width for width in widths))
            out.append("")
    return "\n".join(out).rstrip() + "\n"
