"""`panel_map.h` and `panel_map.c` of a plan.

Their form is described in `protocols/firmware/core/panel_types.h`, that of the pins in `protocols/firmware/avr/pins.h`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchcon.firmware.board_plan import ContactInput, DisplayOutput, EncoderInput, LampOutput, Plan, PotInput
from benchcon.firmware.chips import BAUDS
from benchcon.firmware.plan import TOP_COUNT
from benchcon.panel.model import Channel, key_of
from benchcon.wire.items import Item, fitting, item_words, quoted_name
from benchcon.wire.quote import quote

STILL = 3
"""Smallest change of a potentiometer that is reported: one count of noise either way, and one more."""
INTENSITY = 15
"""Brightness of the display drivers: full, since the resistor at ISET sets the current."""


def header(plan: Plan, baud: int = BAUDS[0]) -> str:
    """Return the text of `panel_map.h`."""
    matrix, inward, outward, shown = plan.matrix, plan.chain_165, plan.chain_595, plan.chain_7219
    longest = max([len(contact.channel.id) for contact in plan.contacts], default=1)
    watched = _watched(plan)
    groups = sum({1 << number // 8 for _, number in watched})
    pin = plan.chip.port_of
    lines = [
        f"/* What is wired to the board {plan.board.name}: made from a panel file by `benchcon firmware`.",
        " * Change that file, not this one. The form is described in panel_types.h, that of the pins in pins.h. */",
        "#ifndef PANEL_MAP_H",
        "#define PANEL_MAP_H",
        "",
        "#ifndef BAUD",
        f"#define BAUD {baud}",
        "#endif",
        "",
    ]
    lines += _defines(
        ("PANEL_INPUT_BYTES", plan.input_groups),
        ("PANEL_SELECTORS", 0),
        ("PANEL_ENCODERS", len(plan.encoders)),
        ("PANEL_POTS", len(plan.pots)),
        ("PANEL_LAMP_BYTES", plan.lamp_groups),
        ("PANEL_DISPLAYS", len(plan.displays)),
        ("PANEL_DISPLAY_CHIPS", plan.display_chips),
        ("PANEL_INTENSITY", INTENSITY),
        ("PANEL_POT_STILL", STILL),
        ("PANEL_MATRIX_ROWS", len(matrix.rows) if matrix else 0),
        ("PANEL_MATRIX_GROUP", plan.matrix_group if matrix else 0),
        ("PANEL_MATRIX_DIODES", int(matrix.diodes) if matrix else 1),
        ("PANEL_DARK_INPUT", next((each.number for each in plan.contacts if each.control.darkens), "0xFF")),
        ("PANEL_LONGEST_ID", longest),
        ("PANEL_OWN_LIGHT", int(plan.own_light)),
        ("PANEL_WINK_LAMPS", plan.wink_lamps),
    )
    lines.append("")
    lines += _pins("PANEL_PIN_INPUTS", [(number, *pin(name)) for number, name in plan.pin_inputs])
    lines += _pins("PANEL_PIN_WATCHES", watched)
    lines.append(f"#define PANEL_WATCH_GROUPS {groups}")
    lines += _pins(
        "PANEL_PIN_LAMPS",
        [(output.number, *pin(output.pin.name)) for output in plan.lamps if output.pin.kind == "direct"],
    )
    lines += ["", f"#define PANEL_IN_CHAIN_BYTES {inward.chips if inward else 0}"]
    lines.append(f"#define PANEL_IN_CHAIN_GROUP {plan.pin_groups}")
    if inward:
        lines += _named(plan, PANEL_IN_CLOCK=inward.clock, PANEL_IN_LOAD=inward.load, PANEL_IN_DATA=inward.data)
    lines += ["", f"#define PANEL_OUT_CHAIN_BYTES {outward.chips if outward else 0}"]
    lines.append(f"#define PANEL_OUT_CHAIN_GROUP {plan.pin_lamp_groups}")
    if outward:
        lines += _named(plan, PANEL_OUT_LATCH=outward.load)
        if outward.oe:
            lines += _named(plan, PANEL_OUT_ENABLE=outward.oe)
    lines += ["", f"#define PANEL_DISPLAY_ON_SPI {int(plan.display_on_spi)}"]
    if shown:
        if not plan.display_on_spi:
            lines += _named(plan, PANEL_DISPLAY_DATA=shown.data, PANEL_DISPLAY_CLOCK=shown.clock)
        lines += _named(plan, PANEL_DISPLAY_LOAD=shown.load)
    lines.append("")
    lines += _pins("PANEL_MATRIX_ROW_PINS", _numbered(plan, matrix.rows if matrix else ()))
    lines += _pins("PANEL_MATRIX_COLUMN_PINS", _numbered(plan, matrix.columns if matrix else ()))
    channels = ", ".join(str(pot.adc) for pot in plan.pots) or "0"
    lines += ["", f"#define PANEL_ADC_CHANNELS {{{channels}}}"]
    if plan.own_light:
        lines += _named(plan, PANEL_LIGHT=plan.chip.light)
    lines += ["", '#include "panel_types.h"', "", "#endif", ""]
    return "\n".join(lines)


def _defines(*pairs: tuple[str, object]) -> list[str]:
    return [f"#define {name} {value}" for name, value in pairs]


def _named(plan: Plan, **pins: str) -> list[str]:
    found = []
    for name, pin in pins.items():
        letter, bit = plan.chip.port_of(pin)
        found.append(f"#define {name} {letter}, {bit} /* {pin} */")
    return found


def _numbered(plan: Plan, names: Iterable[str]) -> list[tuple[int, str, int]]:
    return [(number, *plan.chip.port_of(name)) for number, name in enumerate(names)]


def _pins(name: str, uses: Sequence[tuple[object, ...]]) -> list[str]:
    """Return ``#define NAME(X) X(0, D, 2) X(1, D, 3) …``, with four uses per line."""
    words = ["X(" + ", ".join(map(str, use)) + ")" for use in uses]
    if len(words) <= 4:
        return [f"#define {name}(X) {' '.join(words)}".rstrip()]
    rows = [" ".join(words[at : at + 4]) for at in range(0, len(words), 4)]
    return [f"#define {name}(X) \\", *(f"    {row} \\" for row in rows[:-1]), f"    {rows[-1]}"]


def _watched(plan: Plan) -> list[tuple[int, int]]:
    """Return (input number, pin-change number) of every input whose edges are seen by an interrupt."""
    inputs = [(contact.number, contact.pin.name) for contact in plan.contacts if contact.raw == 1]
    for encoder in plan.encoders:
        if encoder.raw == 1:
            inputs += [(encoder.a, encoder.pins[0].name), (encoder.b, encoder.pins[1].name)]
    found = [(number, plan.chip.change_number(name)) for number, name in inputs]
    return sorted((number, change) for number, change in found if change is not None)


def source(plan: Plan) -> str:
    """Return the text of `panel_map.c`."""
    slots = _slots(plan)
    lines = ['#include "panel_map.h"', "", "#define TEXT(name, words) static const char name[] BB_FLASH = words", ""]
    lines += [f"TEXT(t_{number}, {text});" for number, (text, _) in enumerate(slots) if text]
    cells = [
        f"{{{f't_{number}' if text else '0'}, {detail}}}" if text or detail else "BB_SPARE"
        for number, (text, detail) in enumerate(slots)
    ]
    encoders = [f"{{{encoder.a}, {encoder.b}}}" for encoder in plan.encoders]
    lines += [
        "",
        *_table("const bb_slot panel_slots[]", cells),
        "",
        "/* C has no empty tables, so a table without entries has a dummy one. */",
        *_table("const bb_selector panel_selectors[]", ["{0, 0, 0}"]),
        *_table("const bb_encoder panel_encoders[]", encoders or ["{0, 0}"]),
        *_table("const bb_display panel_displays[]", [f"{{{each.first}, 1}}" for each in plan.displays] or ["{0, 1}"]),
        "",
        f"const char panel_ident[] BB_FLASH = {literal(plan.board.own_ident)};",
        f"const char panel_name[] BB_FLASH = {literal(quoted_name(plan.board.called))};",
        f"const char panel_model[] BB_FLASH = {literal(' '.join(item_words(fitting(_model(plan)))[1:]))};",
        "",
    ]
    return "\n".join(lines)


def _raw(raw: int) -> list[str]:
    return [[], ["BB_RAW_PIN"], ["BB_RAW_SCAN"]][raw]


def _detail(flags: Sequence[str], number: int) -> str:
    return f"BB_DETAIL({' | '.join(flags) or '0'}, {number})"


def _table(head: str, cells: Sequence[str]) -> list[str]:
    if len(cells) <= 2:
        return [f"{head} BB_FLASH = {{{', '.join(cells)}}};"]
    return [f"{head} BB_FLASH = {{", *(f"    {cell}," for cell in cells), "};"]


def literal(text: str) -> str:
    """Return printable ASCII `text` as a C string; question marks are escaped, as they could begin a trigraph."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("?", "\\?") + '"'


def _name(plan: Plan) -> Item:
    return Item(0, "board", "", {"name": plan.board.called})


def _model(plan: Plan) -> Item:
    return Item(0, "model", "", {"text": plan.board.called, "chip": plan.chip.name})


def _contact(contact: ContactInput) -> Item:
    raw = {"raw": "1"} if contact.raw else {}
    does = ({"inv": "1"} if contact.low else {}) | raw | {"deb": "000A"}
    does |= {"dark": "1"} if contact.control.darkens else {}
    return _item("contact", contact.channel, does, "", contact.label)


def _encoder(encoder: EncoderInput) -> Item:
    raw = {"raw": "1"} if encoder.raw else {}
    return _item("encoder", encoder.channel, raw | {"det": "4"}, "", encoder.label)


def _pot(pot: PotInput) -> Item:
    return _item("pot", pot.channel, {"top": "03FF"}, "", pot.label)


def _lamp(output: LampOutput) -> Item:
    lamp = output.lamp
    does = ({"inv": "1"} if output.low else {}) | ({"dim": "1"} if lamp.dimmed else {})
    return _item("lamp", lamp.channel, does, lamp.colour, lamp.label)


def _display(output: DisplayOutput) -> Item:
    display = output.display
    return _item("display", display.channel, {"digits": "8"}, "", display.label)


def _item(kind: str, channel: Channel, does: dict[str, str], colour: str, label: str) -> Item:
    """Return a channel's item as the board sends it: the words for what it does, and those for people."""
    texts = {"pin": channel.wire.pin, "colour": colour, "label": label}
    return Item(0, kind, channel.id, does | {key: text for key, text in texts.items() if text})


def said(plan: Plan) -> list[tuple[int, str, Item]]:
    """Return (line and key of the panel file, item) for every item that may be too long for a line."""
    board = plan.board
    found = [(board.line, f"boards.{board.name}", _name(plan)), (board.line, f"boards.{board.name}", _model(plan))]
    found += [(each.control.line, key_of(each.control), _contact(each)) for each in plan.contacts]
    found += [(each.control.line, key_of(each.control), _encoder(each)) for each in plan.encoders]
    found += [(each.control.line, key_of(each.control), _pot(each)) for each in plan.pots]
    found += [(each.lamp.line, key_of(each.lamp), _lamp(each)) for each in plan.lamps]
    found += [(each.display.line, key_of(each.display), _display(each)) for each in plan.displays]
    return found


def _slots(plan: Plan) -> list[tuple[str, str]]:
    """Return (C text, detail) of every slot; both empty for a spare one."""
    inputs = [("", "")] * (8 * plan.input_groups)
    for contact in plan.contacts:
        flags = ["BB_LOW"] * contact.low + ["BB_FIRST"] * contact.first_edge + _raw(contact.raw)
        inputs[contact.number] = _text(_contact(contact)), _detail(flags, contact.settle_ms)
    turned = []
    for encoder in plan.encoders:
        for number in (encoder.a, encoder.b):
            inputs[number] = "", _detail(["BB_LOW"], 0) if encoder.low else ""
        turned.append((_text(_encoder(encoder)), _detail(_raw(encoder.raw), encoder.control.detent_counts)))
    pots = [(_text(_pot(pot)), str(TOP_COUNT)) for pot in plan.pots]
    lamps = [("", "")] * (8 * plan.lamp_groups)
    for output in plan.lamps:
        flags = ["BB_DIM"] * output.lamp.dimmed + ["BB_LOW"] * output.low
        lamps[output.number] = _text(_lamp(output)), _detail(flags, 0)
    shown = [(_text(_display(each)), _detail([], each.display.digits)) for each in plan.displays]
    return [*inputs, *turned, *pots, *lamps, *shown]


def _text(item: Item) -> str:
    """Return a channel's text as C source, cut so that its item fits in a line.

    The words for what the channel does are added by the firmware.
    """
    detail = fitting(item).detail
    macros = [f"{key.upper()} {literal(quote(detail[key]))}" for key in ("pin", "colour", "label") if key in detail]
    return " ".join([literal(item.id), *macros])
