"""The wiring list of a board, as text and as Markdown, both from the same sections."""

from __future__ import annotations

import itertools
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from benchcon.firmware.board_plan import Plan
from benchcon.firmware.chips import BAUDS, baud_words
from benchcon.firmware.plan import Refused, plan
from benchcon.firmware.wiring_parts import (
    WireRow,
    board_pins,
    chain_chips,
    connectors,
    ohm_words,
    plain_rows,
    rating_words,
    rows,
    transistors,
)
from benchcon.panel.electrics import (
    AVR_SHEETS,
    DRIVER_SHEET,
    PIN_DESIGN_MA,
    PIN_MOST_MA,
    SERIES,
    USB_MA,
    USB_SHEET,
    USB_UNIT_MA,
    display_worst_ma,
    drive_of,
    ma_words,
    own_ma,
    rail_ma,
    rail_of,
    resistor_of,
    sums,
    usb_ma,
)
from benchcon.panel.model import Board, Display, Lamp, Panel
from benchcon.panel.reader import PanelRemark
from benchcon.text import first_of, listed, printable

MOST_NAMED = 6
"""Most parts that a row of the list names."""
HOT_MW = 250.0
"""Power from which on a resistor on its own legs is too hot to touch (common practice, no source)."""


class Section(NamedTuple):
    """A heading, sentences, and a table (header first), which may be empty."""

    heading: str
    lines: tuple[str, ...]
    table: tuple[tuple[str, ...], ...] = ()


class BoardWiring(NamedTuple):
    """The wiring of one board, for whoever repairs it."""

    board: Board
    wires: tuple[WireRow, ...]
    """One row per wire of every part on it; an encoder has two."""
    sections: tuple[Section, ...]
    """Its wiring list without the heading; empty if the board cannot be built from the panel file alone."""


def of_panel(panel: Panel) -> list[BoardWiring]:
    """Return the wiring of every board of `panel`, as far as the file describes it. Never raises."""
    found = []
    for board in panel.boards:
        try:
            made, _ = plan(panel, board.name, currents=False)
            wires, listed = rows(made), sections(made)[1:]
        except Refused:
            wires, listed = [], []
        wires += plain_rows(panel, board.name, {row.channel for row in wires})
        found.append(BoardWiring(board, tuple(wires), tuple(listed)))
    return found


def sections(plan: Plan, baud: int = BAUDS[0], advice: Sequence[PanelRemark] = ()) -> list[Section]:
    """Return the whole list. `advice`: the findings of `plan.plan` that do not prevent building."""
    board, chip = plan.board, plan.chip
    title = " · ".join(filter(None, (plan.panel.title, board.label, f"board {board.name}")))
    of = f"Made from {printable(Path(plan.panel.path).name) or 'a panel file'} (SHA-256 {plan.panel.digest[:16]} …) by "
    found = [
        Section(
            f"Wiring list: {title}",
            (
                f"{of}`benchcon firmware`. Change the panel file, not this list.",
                f"Microcontroller: {chip.title} ({chip.boards}), {board.supply_mv / 1000:g} V.",
                f"Serial port: {baud_words(chip, baud)}.",
            ),
        ),
        Section("Cautions", cautions(plan)),
    ]
    if advice:
        found.append(Section("Advice", tuple(f"Line {each.line}: {each.text}." for each in advice)))
    found.append(_supplies(plan))
    head = ("channel", "pin", "part", "resistor", "connector", "its pin", "wire", "note")
    wires = rows(plan)
    found.append(Section("Wires", () if wires else ("No parts yet.",), _filled(head, wires) if wires else ()))
    if plugs := connectors(plan):
        found.append(Section("Connectors", (), (("connector", "its pins", "common wires besides"), *plugs)))
    found.append(Section("Pins of the board", (), (("pin", "port", "goes to"), *board_pins(plan))))
    if switches := transistors(plan):
        found.append(Section("Transistors", switches))
    if plan.matrix:
        found.append(_matrix(plan))
    for each in chain_chips(plan):
        pins = tuple((str(pin.number), pin.name, pin.goes_to) for pin in each.pins)
        found.append(Section(f"{each.reference}: {each.type}", (f"{each.note}.",), (("pin", "name", "goes to"), *pins)))
    found.append(_currents(plan))
    return found


def _filled(head: Sequence[str], rows: Sequence[Sequence[str]]) -> tuple[tuple[str, ...], ...]:
    """Return a table without the columns that no row fills: they would take room from those that are read."""
    kept = [at for at in range(len(head)) if any(row[at] for row in rows)]
    return tuple(tuple(row[at] for at in kept) for row in (head, *rows))


def _matrix(plan: Plan) -> Section:
    assert plan.matrix is not None
    matrix = plan.matrix
    pins = [(f"row {number}", pin) for number, pin in enumerate(matrix.rows)]
    pins += [(f"column {number}", pin) for number, pin in enumerate(matrix.columns)]
    if matrix.diodes:
        how = "A diode (1N4148 or similar) at every contact, its cathode towards the row."
    else:
        how = "No diodes: three contacts held at the corners of a rectangle make a ghost of the fourth."
    return Section(f"Matrix {matrix.name}", (how, "Columns are pulled up in the chip."), (("wire", "pin"), *pins))


def cautions(plan: Plan) -> tuple[str, ...]:
    """Return the cautions for this board: what can hurt people or parts."""
    board = plan.board
    found = [
        "Pull the USB cable and every other supply before you change a wire.",
        "Mains has no place on this bench or in this panel. Where it comes near, in a power supply, leave the work to "
        "someone licensed for it and follow your local code.",
    ]
    if board.external_supply:
        found.append(
            f"There is a second supply, LAMP+, of {board.external_mv / 1000:g} V: join its ground with the board's, "
            "never LAMP+ with the board's +, and put a fuse in each branch, chosen by what its wire can carry, if it "
            "can deliver more than a few amperes. Both supplies must be off before you change a wire."
        )
        if any(rail_of(board, each.display).name != "+" for each in plan.displays):
            found.append(
                "A display driver whose LAMP+ is off while the board is on is powered through its inputs, and that "
                f"can destroy it ({DRIVER_SHEET}, absolute maximum ratings): switch LAMP+ on first and off last, and "
                "put 1 kΩ in each of the wires to DIN, CLK and LOAD of the first driver."
            )
    usb = usb_ma(board, *_lit_parts(plan))
    found.append(
        f"{'The board, and what LAMP+ does not feed, takes its' if board.external_supply else 'All'} current from the "
        f"USB port: {USB_MA:g} mA at most once the computer has agreed, {USB_UNIT_MA:g} mA before ({USB_SHEET}). "
        + (
            f"A hub without a supply of its own gives a port {USB_UNIT_MA:g} mA and this board can take "
            f"{ma_words(usb)}: plug it into the computer, or into a hub with its own supply. "
            if usb > USB_UNIT_MA
            else f"A hub without a supply of its own gives a port {USB_UNIT_MA:g} mA. "
        )
        + "Do not bypass the port's fuse."
    )
    found += _hot(plan)
    if plan.lamps or plan.displays:
        found.append(
            "Bright lamps glare: do not look into them from close by, and begin at low brightness in a dark room."
        )
        found.append(
            "Flashing light can bring on seizures: benchcon lets no lamp, and not all of them in "
            "turn, flash more than three times a second (WCAG 2, success criterion 2.3.1), and what you add should not "
            "either."
        )
    return tuple(found)


def _hot(plan: Plan) -> list[str]:
    hot = [(output.lamp, resistor_of(plan.board, output.lamp, SERIES[plan.panel.resistors])) for output in plan.lamps]
    found = [
        f"The resistor of {lamp.label} ({ohm_words(resistor.ohm)}) turns {resistor.power_mw / 1000:.2f} W into heat "
        f"and gets hot: {rating_words(resistor.rating_mw)}, keep it off plastic, wires and fingers."
        for lamp, resistor in hot
        if resistor.power_mw >= HOT_MW
    ]
    warm = max((resistor.power_mw for _, resistor in hot), default=0.0)
    if hot and not found:
        found.append(f"Resistors get warm: the warmest of these turns {warm:.0f} mW into heat. Give them air.")
    return found


def _lit_parts(plan: Plan) -> tuple[list[Lamp], list[Display]]:
    """Return the lamps and displays of the plan that are wired."""
    lamps = [output.lamp for output in plan.lamps if output.lamp.wired]
    return lamps, [each.display for each in plan.displays if each.display.wired]


def _supplies(plan: Plan) -> Section:
    """Return the supplies: every + and LAMP+ in the list is one of these."""
    board, (lamps, displays) = plan.board, _lit_parts(plan)
    fed = {"+": ["the board", *(["the chips of the chains"] if plan.chain_165 or plan.chain_595 else [])], "LAMP+": []}
    parts: list[Lamp | Display] = [*lamps, *displays]
    for part in parts:
        fed[rail_of(board, part).name].append(part.label)
    volts = f"{board.supply_mv / 1000:g} V, the board's own (from USB)"
    table = [("name", "is", "feeds", "gives at full light")]
    table.append(("+", volts, first_of(fed["+"], MOST_NAMED), ma_words(usb_ma(board, lamps, displays))))
    if board.external_supply:
        external = f"{board.external_mv / 1000:g} V, the external supply"
        drawn = ma_words(rail_ma(board, "LAMP+", lamps, displays))
        table.append(("LAMP+", external, first_of(fed["LAMP+"], MOST_NAMED) or "nothing yet", drawn))
    every = "GND of the board" + (", the minus of the external supply" if board.external_supply else "")
    notes = (f"There is one ground for all: {every} and every part's ground are joined.", *_switched(plan))
    return Section("Supplies", notes, tuple(table))


def _switched(plan: Plan) -> Iterator[str]:
    """Yield a note for each supply that feeds something here through switches of the panel."""
    panel, board = plan.panel, plan.board
    for supply in panel.supplies:
        parts = [panel.part(name) for name in supply.feeds if name != board.name]
        here = [part.label for part in parts if isinstance(part, Lamp | Display) and part.channel.board == board.name]
        here = ["all lamps and displays of this board"] if board.name in supply.feeds else here
        switches = dict.fromkeys(name for source in supply.sources for name, _ in source.at)
        labels = [part.label for part in map(panel.part, switches) if part is not None]
        if here:
            yield (
                f"{first_of(here, MOST_NAMED)}: switched by {listed(labels)}. Lead their supply through a pole of its "
                "own there: the contacts on the wiring list only tell a board where a switch stands."
            )


def _budget_source(board: Board) -> str:
    """Return in words whether the budget is from the panel file or the usual one."""
    if board.budget_ma == Board(board.name).budget_ma:
        return "usual; the panel file can set another budget"
    return "budget of the panel file"


def _currents(plan: Plan) -> Section:
    """Return the sums of currents with everything at full light, beside their limits."""
    board, chip, (lamps, displays) = plan.board, plan.chip, _lit_parts(plan)
    table: list[tuple[str, ...]] = [("what", "at full light", "may be", "from")]
    total = sum(lamp.current_ma for lamp in lamps) + sum(map(display_worst_ma, displays))
    table.append(("lamps and displays together", ma_words(total), f"{board.budget_ma:g} mA", _budget_source(board)))
    own = f"from the USB port, with about {own_ma(board):g} mA for the board"
    table.append((own, ma_words(usb_ma(board, lamps, displays)), f"{USB_MA:g} mA", USB_SHEET))
    direct = [output for output in plan.lamps if output.lamp.wired and output.pin.kind == "direct"]
    if direct:
        most = max(drive_of(board, output.lamp).pin_ma for output in direct)
        limit = f"{PIN_DESIGN_MA:g} mA, never over {PIN_MOST_MA:g} mA"
        sheet = AVR_SHEETS[chip.name]
        source = f"{sheet}, test conditions in the table of DC characteristics; absolute maximum ratings"
        table.append(("the most loaded pin", ma_words(most), limit, source))
    for each in sums(board, lamps, displays):
        table.append((each.what, ma_words(each.drawn_ma), f"{each.most_ma:g} mA", each.source))
    over = total > board.budget_ma
    note = (
        "Not everything can be lit at once: the budget is less. benchcon holds back what would exceed it, other "
        "programs do not."
    )
    notes = [note] if over else []
    if chip.name == "atmega328p" and direct:
        notes.append(
            "A chip that is marked ATmega328PB is a different chip, whose ports can take less together: write "
            'chip = "atmega328pb" in the panel file to have its limits here.'
        )
    return Section("Currents", tuple(notes), tuple(table))


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
    # Everything that Markdown could take for markup, except the backquotes of our own sentences.
    text = text.replace("\\", "\\\\")
    for character in "|*_<>[]#":
        text = text.replace(character, "\\" + character)
    return text


def _width(text: str) -> int:
    return sum(2 if unicodedata.east_asian_width(each) in "WF" else not unicodedata.combining(each) for each in text)


def _padded(text: str, width: int) -> str:
    return text + " " * (width - _width(text))


WIDEST = 100
"""Most columns of the text, so that terminals and paper show it without breaking lines."""


def as_text(found: Sequence[Section]) -> str:
    """Return the list as plain text, with no line longer than `WIDEST` unless a single word is."""
    out: list[str] = []
    for number, section in enumerate(found):
        out += [section.heading, ("=" if number == 0 else "-") * _width(section.heading), ""]
        for line in section.lines:
            out += textwrap.wrap(line.replace("`", "'"), WIDEST, initial_indent="  * ", subsequent_indent="    ")
        if section.lines:
            out.append("")
        if section.table:
            out += [*_table(section.table), ""]
    return "\n".join(out).rstrip() + "\n"


def _table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Yield the lines of a table; cells are broken into lines if rows would be too long."""
    widths = _column_widths(rows)
    for number, row in enumerate(rows):
        cells = [
            textwrap.wrap(cell, width, break_long_words=False, break_on_hyphens=False) or [""]
            for cell, width in zip(row, widths, strict=True)
        ]
        for parts in itertools.zip_longest(*cells, fillvalue=""):
            padded = [_padded(part, width) for part, width in zip(parts, widths, strict=True)]
            yield ("  " + "  ".join(padded)).rstrip()
        if number == 0:
            yield "  " + "  ".join("-" * width for width in widths)


def _column_widths(rows: Sequence[Sequence[str]]) -> list[int]:
    """Return the widths of columns: the widest shrink, down to their longest word, until a row is short enough."""
    columns = list(zip(*rows, strict=True))
    widths = [max(map(_width, column)) for column in columns]
    least = [max((_width(word) for cell in column for word in cell.split()), default=0) for column in columns]
    room = WIDEST - 2 * len(widths)
    while sum(widths) > room:
        wide = max(range(len(widths)), key=lambda at: (widths[at] > least[at], widths[at]))
        if widths[wide] <= least[wide]:
            break
        widths[wide] -= 1
    return widths
