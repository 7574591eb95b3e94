"""The shopping list of a panel: parts, resistors by value, chips, connectors by pins; as Markdown or CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import NamedTuple

from benchcon.drawing.sizes import hole_of, plain, sort_of
from benchcon.errors import Trouble
from benchcon.firmware.chips import CHIPS
from benchcon.firmware.wiring_parts import PLENTY, PULL_OHM, ohm_words, pull_ohm, rating_words
from benchcon.panel.codes import binary, gray, one_of
from benchcon.panel.electrics import (
    BASE_OHM,
    PULL_OFF_OHM,
    SERIES,
    drive_of,
    resistor_of,
    set_resistor_kohm,
)
from benchcon.panel.model import Board, Control, Display, Lamp, Panel, Part
from benchcon.panel.pins import CHAINS, read_pins
from benchcon.text import counted, spreadsheet_cell

GROUPS = ("Boards", "Controls", "Lamps and displays", "Resistors", "Chips and transistors", "Connectors")


class ShoppingItem(NamedTuple):
    """One line of the list."""

    group: str
    number: int
    what: str
    about: str
    """What matters when choosing it."""
    used_for: str


def shopping(panel: Panel) -> list[ShoppingItem]:
    """Return what to buy, with equal things on one line, in the order of `GROUPS`."""
    found: dict[tuple[str, str, str], tuple[int, list[str]]] = {}
    for group, count, what, about, used_for in _each(panel):
        had, names = found.get((group, what, about), (0, []))
        found[group, what, about] = (had + count, [*names, used_for] if used_for not in names else names)
    items = [ShoppingItem(key[0], count, key[1], key[2], ", ".join(names)) for key, (count, names) in found.items()]
    return sorted(items, key=lambda item: GROUPS.index(item.group))


def _each(panel: Panel) -> Iterator[tuple[str, int, str, str, str]]:
    for board in panel.boards:
        title = CHIPS[board.chip].title if board.chip in CHIPS else "microcontroller of your choice"
        yield (
            "Boards",
            1,
            f"board with an {title}" if board.chip else title,
            "with its USB cable (for data)",
            board.name,
        )
    for part in panel.parts:
        if not (isinstance(part, Lamp) and part.engraved and part.inside):  # one of a housing's lamps for all
            yield _part(panel, part)
        if isinstance(part, Control) and part.guard:
            yield "Controls", 1, "flip-up cover", f"for a bushing of {hole_of(part)} mm", part.label
    for board in panel.boards:
        yield from _of_board(panel, board)
    yield from _connectors(panel)


def _part(panel: Panel, part: Part) -> tuple[str, int, str, str, str]:
    label = part.label
    hole = f"hole {hole_of(part)} mm"
    if isinstance(part, Lamp) and part.engraved:
        dice = [lamp for lamp in panel.lamps if part.name in (lamp.name, lamp.inside)]
        common = "anode" if part.channel.active == "low" else "cathode"
        light = "; ".join(f"{die.colour} {die.current_ma:g} mA, {die.forward_mv / 1000:g} V forward" for die in dice)
        what = f"{'/'.join(die.colour for die in dice)} LED, {len(dice) + 1} leads, common {common}"
        return "Lamps and displays", 1, what, f"{light}; {hole}", part.engraved
    if isinstance(part, Lamp):
        light = f"{part.current_ma:g} mA, {part.forward_mv / 1000:g} V forward"
        what = f"{part.colour} LED" + (", in its button" if part.inside else "")
        return "Lamps and displays", 1, what, light if part.inside else f"{light}, {hole}", label
    if isinstance(part, Display):
        what = f"{part.colour} seven-segment display, {part.digits} digits, common cathode"
        return "Lamps and displays", 1, what, f"digits {plain(part.digit_mm)} mm high", label
    lit = any(lamp.inside == part.name for lamp in panel.lamps)
    what = _control(part)
    if any(part.name == name for supply in panel.supplies for source in supply.sources for name, _ in source.at):
        hole += ", with one more pole for the supply that it switches"
    return "Controls", 1, f"lit {what}" if lit else what, hole, label


def _control(control: Control) -> str:
    sort = sort_of(control)
    count = len(control.positions)
    if sort == "rotary":
        return f"rotary switch, {count} positions{_coding(control)}"
    if sort == "switch":
        springs = ", springs back" if control.spring else ""
        contacts = counted(len(control.channels), "contact")
        return f"toggle switch, {count} positions on {contacts}{springs}"
    return {
        "button": "push button, makes",
        "encoder": f"rotary encoder, {control.detent_counts} counts per detent",
        "pot": "potentiometer, 10 kΩ linear",
    }[sort]


def _coding(control: Control) -> str:
    """Return which coded switch a rotary switch has to be; empty for a plain one, with a contact for each position."""
    count, several = len(control.channels), len(control.positions)
    if count < 2 or control.codes == one_of(several):
        return ""
    names = {gray(several, count): "Gray code", binary(several, count): "binary code"}
    return f", {names.get(control.codes, 'coded as the wiring list says')} on {count} contacts"


def _of_board(panel: Panel, board: Board) -> Iterator[tuple[str, int, str, str, str]]:
    lamps = [lamp for lamp in panel.lamps if lamp.channel.board == board.name]
    for lamp in lamps:
        try:
            resistor = resistor_of(board, lamp, SERIES[panel.resistors])
        except Trouble:
            continue  # `benchcon check` reports why there is none
        yield "Resistors", 1, ohm_words(resistor.ohm), rating_words(resistor.rating_mw), lamp.label
        kind = drive_of(board, lamp).kind
        if kind != "pin":
            what = f"{kind} transistor" if kind in ("NPN", "PNP") else f"{kind} MOSFET, logic level"
            yield "Chips and transistors", 1, what, f"for {lamp.current_ma:g} mA and more", lamp.label
            first = BASE_OHM if kind in ("NPN", "PNP") else 100.0
            yield "Resistors", 1, ohm_words(first), PLENTY, "base or gate"
            yield "Resistors", 1, ohm_words(PULL_OFF_OHM), PLENTY, "base or gate, to keep it off"
    for chain in board.chains:
        where = f"{board.name} chain {chain.kind}"
        yield "Chips and transistors", chain.chips, CHAINS[chain.kind], "DIP, with a socket", where
        yield "Chips and transistors", chain.chips, "capacitor 0.1 µF, ceramic", "one at each chip's supply pins", where
        if chain.kind == "7219":
            yield "Chips and transistors", chain.chips, "capacitor 10 µF, 10 V or more", "one at each driver", where
            displays = [each for each in panel.displays if each.channel.board == board.name]
            most = min((each.segment_ma for each in displays), default=5.0)
            value = ohm_words(set_resistor_kohm(most) * 1000)
            yield "Resistors", chain.chips, value, PLENTY, f"ISET of {where}"
        if chain.oe:
            yield "Resistors", 1, ohm_words(PULL_OHM), PLENTY, f"OE of {where}"
    for control, channel in ((each, channel) for each in panel.controls for channel in each.channels):
        if channel.board == board.name and control.kind != "pot":
            for ohm in (pull_ohm(pin, channel.active != "high") for pin in read_pins(channel.wire.pin)):
                if ohm:
                    yield "Resistors", 1, ohm_words(ohm), PLENTY, control.label
    diodes = sum(
        1
        for control in panel.controls
        for each in control.channels
        if control.matrix and control.diodes and each.board == board.name
    )
    if diodes:
        yield "Chips and transistors", diodes, "small-signal diode", "one at each contact of a matrix", board.name


def _connectors(panel: Panel) -> Iterator[tuple[str, int, str, str, str]]:
    pins: dict[tuple[str, str], set[str]] = {}
    for part in panel.parts:
        for channel in part.channels:
            if channel.wire.connector:
                found = pins.setdefault((channel.board, channel.wire.connector), set())
                found.update(_pins_of(channel.wire.connector_pin) or {channel.id})
    for (board, name), used in pins.items():
        highest = max([len(used), *(int(each) for each in used if each.isdecimal() and len(each) < 4)])
        about = "and one or two for ground and supply"
        yield (
            "Connectors",
            1,
            f"connector, {counted(highest, 'pin')}",
            about,
            f"{board} {name}" if len(panel.boards) > 1 else name,
        )


def _pins_of(text: str) -> set[str]:
    """Return the pins that ``3``, ``1/2`` or ``1-5`` stands for."""
    first, dash, last = text.partition("-")
    if dash and first.isdecimal() and last.isdecimal() and int(first) <= int(last) < 1000:
        return {str(number) for number in range(int(first), int(last) + 1)}
    return {each.strip() for each in text.split("/") if each.strip()}


def as_markdown(items: list[ShoppingItem], title: str) -> str:
    """Return the list as Markdown, with one table per group."""
    out = [f"# {_cell(title or 'Panel')}: what to buy"]
    for group in GROUPS:
        rows = [item for item in items if item.group == group]
        if rows:
            out += ["", f"## {group}", "", "| how many | what | note | used for |", "|---:|---|---|---|"]
            out += [f"| {i.number} | {_cell(i.what)} | {_cell(i.about)} | {_cell(i.used_for)} |" for i in rows]
    out += ["", "Hole sizes that are not in the panel file are the usual ones for such parts: measure yours.", ""]
    return "\n".join(out)


def as_csv(items: list[ShoppingItem]) -> str:
    """Return the list as CSV (RFC 4180) with a header. No label in it is a formula to a spreadsheet."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(["group", "count", "what", "note", "used for"])
    rows.writerows([each if isinstance(each, int) else spreadsheet_cell(each) for each in item] for item in items)
    return out.getvalue()


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("<", "&lt;")
