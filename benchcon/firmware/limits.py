"""The limits of a board with this firmware: channels, pins with special functions, currents, memory.

The counts are those of `protocols/firmware/core/benchboard.h` and `panel_types.h`. Currents are those of
`benchcon.panel.electrics`, but without the budget: the host keeps the budget, and any terminal program can talk to the
firmware.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import NamedTuple

from benchcon.firmware.board_plan import Plan
from benchcon.panel.electrics import loads, ma_words, of_lamp, sums
from benchcon.panel.model import Chain, chain_key, key_of
from benchcon.panel.reader import PanelRemark
from benchcon.wire.quote import quote

MOST_SETTLE_MS = 100
"""Longest debounce time, since the firmware counts it in scans, in one byte."""
MOST_INPUT_GROUPS = 15
MOST_ENCODERS = 8
MOST_POTS = 8
MOST_SLOTS = 240


def findings(made: Plan, file: str, *, currents: bool = True) -> list[PanelRemark]:
    """Return everything that prevents building `made`, and advice; `file` is the panel file's name in messages."""
    found = [PanelRemark(file, line, text, grave) for line, text, grave in _all(made)]
    if not currents:
        return found
    found += [PanelRemark(file, line, text, grave) for line, text, grave in _currents(made)]
    only = dataclasses.replace(made.panel, boards=(made.board,))
    found += [PanelRemark(file, load.line, load.text, load.grave) for load in loads(only)]
    return found


_Told = tuple[int, str, bool]


def _all(made: Plan) -> Iterator[_Told]:
    yield from _counts(made)
    yield from _chain_pins(made)
    yield from _spi_pins(made)
    yield from _own_light(made)


def _counts(made: Plan) -> Iterator[_Told]:
    board, line = f"boards.{made.board.name}", made.board.line
    for what, parts, most in (("encoders", made.encoders, MOST_ENCODERS), ("potentiometers", made.pots, MOST_POTS)):
        if len(parts) > most:
            over = parts[most]
            yield over.control.line, f"{key_of(over.control)} is one too many: a board has at most {most} {what}", True
    if made.input_groups > MOST_INPUT_GROUPS:
        text = f"{board} has {made.input_groups} groups of eight inputs (pins, 74HC165 and matrix rows)"
        yield line, f"{text}; the firmware scans at most {MOST_INPUT_GROUPS}", True
    if made.slots > MOST_SLOTS:
        yield line, f"{board} has {made.slots} inputs and outputs, spare ones included; at most {MOST_SLOTS}", True


def used_pins(made: Plan) -> dict[str, tuple[str, int, str]]:
    """Return pin of the chip → (what uses it, line of the panel file, ``in`` or ``out``)."""
    used: dict[str, tuple[str, int, str]] = {}
    for contact in made.contacts:
        if contact.pin.kind == "direct":
            used[contact.pin.name] = (key_of(contact.control), contact.channel.line, "in")
    for encoder in made.encoders:
        for pin in encoder.pins:
            if pin.kind == "direct":
                used[pin.name] = (key_of(encoder.control), encoder.channel.line, "in")
    for pot in made.pots:
        used[pot.pin.name] = (key_of(pot.control), pot.channel.line, "in")
    for output in made.lamps:
        if output.pin.kind == "direct":
            used[output.pin.name] = (key_of(output.lamp), output.lamp.channel.line, "out")
    for chain in _chains(made):
        who = chain_key(made.board.name, chain.kind)
        used[chain.data] = (f"{who}.data", chain.line, "in" if chain.kind == "165" else "out")
        used[chain.clock] = (f"{who}.clock", chain.line, "out")
        used[chain.load] = (f"{who}.load", chain.line, "out")
        used[chain.oe] = (f"{who}.oe", chain.line, "out")
    if made.matrix:
        for what, pins in (("row", made.matrix.rows), ("column", made.matrix.columns)):
            for number, name in enumerate(pins):
                used[name] = (f"matrices.{made.matrix.name} {what} {number}", made.matrix.line, "in")
    used.pop("", None)
    return used


def _chains(made: Plan) -> list[Chain]:
    return [chain for chain in (made.chain_165, made.chain_595, made.chain_7219) if chain]


def _chain_pins(made: Plan) -> Iterator[_Told]:
    for pin, (who, line, _) in used_pins(made).items():
        if made.chip.analogue_only(pin) and not who.startswith("controls."):
            yield line, f"{who} is {pin}, which can only read voltages; any other pin is allowed", True
    chip, first, board = made.chip, made.chain_165, f"boards.{made.board.name}"
    out, shown = made.chain_595, made.chain_7219
    if out and (out.data, out.clock) != (chip.mosi, chip.sck) and out.data and out.clock:
        text = (
            f"{board}.chains.595 has data {out.data} and clock {out.clock}; the firmware drives it with the chip's SPI"
        )
        yield out.line, f'{text}: data = "{chip.mosi}", clock = "{chip.sck}"', True
    if first and made.uses_spi and first.clock == chip.sck:
        text = f"{board}.chains.165.clock is {chip.sck}, which the chip's SPI drives for the outputs"
        yield first.line, f"{text}; give the 74HC165 another clock pin", True
    elif first and shown and first.clock == shown.clock:
        text = f"{board}.chains.165.clock is {first.clock}, which is also that of the 7219 chain (line {shown.line})"
        yield first.line, f"{text}; the inputs are scanned while a display is written, so each needs its own", True
    if out and shown and not made.display_on_spi and {shown.data, shown.clock, shown.load} & {chip.mosi, chip.sck}:
        text = f"{board}.chains.7219 has one pin of the chip's SPI, which the 74HC595 chain uses (line {out.line})"
        yield shown.line, f'{text}; use both or none: data = "{chip.mosi}", clock = "{chip.sck}"', True


def _spi_pins(made: Plan) -> Iterator[_Told]:
    if not made.uses_spi:
        return
    chip, used = made.chip, used_pins(made)
    who, line, way = used.get(chip.ss, ("", 0, "out"))
    if way == "in":
        text = f"{who} is on {chip.ss}, which must be an output while the chip's SPI drives a chain"
        yield line, f"{text}; use another pin for it, and {chip.ss} for the load of a chain or a lamp", True
    who, line, way = used.get(chip.miso, ("", 0, "in"))
    matrix_row = made.matrix and chip.miso in made.matrix.rows
    if way == "out" or matrix_row:
        yield line, f"{who} is on {chip.miso}, which can only be an input while the chip's SPI drives a chain", True


def _lines(lines: tuple[int, ...]) -> str:
    shown = ", ".join(map(str, lines[:12])) + (" …" if len(lines) > 12 else "")
    return f"line{'s' * (len(lines) > 1)} {shown}"


def _currents(made: Plan) -> Iterator[_Told]:
    """Check currents with parts that are not wired yet, and without the budget, unlike the panel's own check."""
    board, lamps = made.board, [output.lamp for output in made.lamps]
    for lamp in lamps:
        if not lamp.wired:
            yield from (load for load in of_lamp(made.panel, board, lamp) if load.grave)
    for each in sums(board, lamps, ()):
        if each.drawn_ma > each.most_ma:
            text = f"boards.{board.name}: up to {ma_words(each.drawn_ma)} is asked of {each.what}"
            bears = f"its limit is {each.most_ma:g} mA ({each.source}), whatever the budget"
            cure = 'use less current, more chips, or driver = "transistor"'
            yield board.line, f"{text} ({_lines(each.lines)}); {bears}; {cure}", True


class MemoryUse(NamedTuple):
    """How much of a chip's memory a build uses, in bytes."""

    flash_bytes: int
    ram_bytes: int
    """Without the stack."""


STACK_BYTES = 256
"""RAM that is kept free for the stack: the deepest call, three nested interrupts, and a reserve."""


def estimate(made: Plan) -> MemoryUse:
    """Return roughly how much memory a build uses: slightly more than avr-size reported for twenty builds.

    RAM is the core's structure (`bb_board` in benchboard.h), whose parts are counted, and what the port keeps. Flash is
    the program, what each kind of part adds to it, the tables, and the texts.
    """
    groups, lamps = made.input_groups, made.lamp_groups
    rows = len(made.matrix.rows) if made.matrix else 0
    encoders, pots, chips = len(made.encoders), len(made.pots), made.display_chips
    ram = 900 + 18 * groups + 28 * lamps + 8 * chips + 11 * encoders + 7 * pots + 3 * rows

    labels = [*(c.label for c in made.contacts), *(e.label for e in made.encoders), *(p.label for p in made.pots)]
    labels += [*(o.lamp.label for o in made.lamps), *(o.display.label for o in made.displays)]
    texts = sum(min(60, len(quote(label))) + 24 for label in labels)
    kinds = ((made.contacts, 700), (made.encoders, 1000), (made.pots, 500), (made.lamps, 1000), (made.displays, 700))
    program = 9700 + sum(cost for parts, cost in kinds if parts) + (700 if rows else 0)
    pins = len(made.pin_inputs) + sum(output.pin.kind == "direct" for output in made.lamps) + rows
    return MemoryUse(program + texts + 4 * made.slots + 24 * pins, ram)


def too_much(made: Plan, file: str, measured: MemoryUse | None = None) -> list[PanelRemark]:
    """Return findings about memory that the chip does not have, by the measured use or else by the estimate."""
    memory, how = (measured, "measured") if measured else (estimate(made), "estimated")
    chip, found = made.chip, []
    for what, taken, most in (
        ("flash", memory.flash_bytes, chip.flash_bytes),
        ("RAM", memory.ram_bytes + STACK_BYTES, chip.ram_bytes),
    ):
        if taken > most:
            with_stack = f", {STACK_BYTES} of them for the stack" if what == "RAM" else ""
            text = f"boards.{made.board.name} takes {taken} bytes of {what} ({how}{with_stack})"
            cure = "use fewer parts" if chip.name == "atmega2560" else 'use fewer parts, or chip = "atmega2560"'
            found.append(PanelRemark(file, made.board.line, f"{text}; an {chip.title} has {most}; {cure}"))
    return found


def _own_light(made: Plan) -> Iterator[_Told]:
    """Advise against inputs on the pin of the board's own light, whose resistor is stronger than a pull-up (common
    practice, no source)."""
    who, line, way = used_pins(made).get(made.chip.light, ("", 0, ""))
    chained = who.startswith("boards.")
    if way == "in" and not chained:
        text = f"{who} is on {made.chip.light}, on which many boards have a light to ground that keeps an input low"
        yield line, f"{text}; another pin is better", False


def with_own_light(made: Plan) -> Plan:
    """Return `made` with the board's own light for `wink`, if its pin is free."""
    taken = set(used_pins(made)) | ({made.chip.sck, made.chip.mosi} if made.uses_spi else set())
    return dataclasses.replace(made, own_light=made.chip.light not in taken)
