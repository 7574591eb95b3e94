"""Reads the tables of a panel file, one function for each kind: boards, matrices, controls, lamps, displays.

Mistakes are noted in the table; a part that cannot be made without what is missing is left out.
"""

from __future__ import annotations

import dataclasses
import re
from typing import Any, TypedDict

from benchcon.panel.codes import positions_of
from benchcon.panel.electrics import SHIFT_REGISTER_PIN_MA
from benchcon.panel.model import SIDES, Board, Chain, Channel, Control, Display, Lamp, Matrix, Place, Wire
from benchcon.panel.pins import CHAINS, CHIPS, read_pins
from benchcon.panel.reader import BOARD_NAME, NAME, TomlTable, options, shown
from benchcon.panel.segments import digits_of_format
from benchcon.text import label_from, near

LONGEST_LABEL = 60
"""Most characters of a part's label."""

COLOURS = ("red", "amber", "green", "blue", "white")
KINDS = ("button", "switch", "encoder", "pot")
_OF_SOME_KIND = {
    *("positions", "code", "springs_back", "begins", "debounce", "act_on", "guard", "darkens"),
    *("inverted", "counts_per_detent", "low", "high"),
}
"""Keys that only some kinds of control have."""

_NAME_FORM = "1 to 32 of a-z, 0-9 and _ are allowed, the first a letter"
_BOARD_FORM = "1 to 16 of a-z, 0-9 and _ are allowed, the first a letter"
_REFERENCE = re.compile(r"(?:([a-z][a-z0-9_]{0,15})\.)?([a-z][a-z0-9_]{0,7})")


def boards(top: TomlTable) -> tuple[Board, ...]:
    """Read ``[boards.NAME]``."""
    found: list[Board] = []
    for name, table in top.tables("boards", BOARD_NAME, _BOARD_FORM):
        found.append(
            Board(
                name=name,
                label=table.text("label", "", 24),
                ident=table.matching("ident", BOARD_NAME, _BOARD_FORM, name),
                chip=table.word("chip", CHIPS, ""),
                supply_mv=round(table.quantity("supply", "mV", 5000, 1000, 30_000, 'from "1 V" to "30 V"')),
                budget_ma=table.quantity("budget", "mA", 400, 1, 20_000, 'from "1 mA" to "20 A"'),
                external_supply=table.get("external_supply") is not None,
                external_mv=round(table.quantity("external_supply", "mV", 0, 1000, 60_000, 'from "1 V" to "60 V"')),
                chains=_chains(table),
                line=table.line,
            )
        )
        table.text("note", "", 400)
        table.done()
    return tuple(found)


def _chains(board: TomlTable) -> tuple[Chain, ...]:
    tables = board.table("chains")
    found: list[Chain] = []
    for kind in CHAINS:
        if tables.get(kind) is None:
            continue
        table = tables.table(kind)
        data, clock, load = (table.matching(key, _DIRECT, _DIRECT_FORM) for key in ("data", "clock", "load"))
        oe = table.matching("oe", _DIRECT, _DIRECT_FORM) if kind == "595" else ""
        found.append(Chain(kind, data, clock, load, table.whole("chips", 1, 1, 8), table.line, oe))
        table.done()
    tables.done()
    return tuple(found)


_DIRECT = re.compile(r"[DA](?:0|[1-9]\d?)")
_DIRECT_FORM = "a pin of the microcontroller is allowed, such as D4 or A0"


def matrices(top: TomlTable, board_names: list[str]) -> tuple[Matrix, ...]:
    """Read ``[matrices.NAME]``."""
    found: list[Matrix] = []
    for name, table in top.tables("matrices", BOARD_NAME, _BOARD_FORM):
        board = table.text("board", board_names[0] if len(board_names) == 1 else "")
        if board not in board_names:
            allowed = f"allowed: {options(board_names) or 'none yet'}"
            if board:
                table.say(None, f'board is "{board}", which is unknown; {allowed}{near(board, board_names)}')
            else:
                table.lacks(f"lacks board; {allowed}", "board")
        pins = {}
        for key in ("rows", "columns"):
            pins[key] = table.texts(key, such_as='["D4", "D5"]') or ()
            if table.get(key) is None:
                table.lacks(f'lacks {key}: pins are allowed, such as ["D4", "D5"]', key)
            for index, pin in enumerate(pins[key]):
                if not _DIRECT.fullmatch(pin):
                    table.source.say((*table.path, key, index), f"is {shown(pin)}; {_DIRECT_FORM}")
        found.append(Matrix(name, board, pins["rows"], pins["columns"], table.flag("diodes", True), table.line))
        table.done()
    return tuple(found)


def _channel(
    table: TomlTable, value: Any, keys: tuple[str | int, ...], board_names: list[str], low: str
) -> Channel | None:
    """Read one channel: ``"board.id"``, or a table with `id` and the way of its wire. None if there is no good id.

    `low` is the level that means made or lit where the table says nothing.
    """
    inner = TomlTable(table.source, (*table.path, *keys), {"id": value} if isinstance(value, str) else value)
    path = (*inner.path, "id") if isinstance(value, dict) else inner.path
    reference = inner.get("id")
    board, id_ = "", ""
    match = _REFERENCE.fullmatch(reference) if isinstance(reference, str) else None
    if reference is None:
        if isinstance(value, dict):
            inner.lacks('lacks id: a board and its channel are allowed, such as "lighting.sw1"', "id")
    elif match is None:
        inner.source.say(
            path,
            f"is {shown(reference)}; a board and its channel (1 to 8 of a-z, 0-9, _) are allowed, "
            'such as "lighting.sw1"',
        )
    else:
        board, id_ = match[1] or "", match[2]
        if not board and len(board_names) == 1:
            board = board_names[0]
        elif not board:
            inner.source.say(path, f'is "{id_}" without its board; allowed: {_with_boards(board_names, id_)}')
            board = "?"
        if board != "?" and board not in board_names:
            allowed = options(board_names) or "none, as there is no [boards.NAME]"
            inner.source.say_once(
                path, f'names the unknown board "{board}"; allowed: {allowed}{near(board, board_names)}'
            )
    if id_ == "all":
        inner.source.say(path, 'is "all", which has another meaning in "read all"; give the channel another id')
    pin = inner.text("pin", "", 40)
    try:
        read_pins(pin)
    except ValueError as why:
        inner.say("pin", f"{shown(pin)} {why}")
        pin = ""
    wire = Wire(pin, inner.text("connector", "", 16), inner.text("connector_pin", "", 16), inner.text("wire", "", 24))
    active = inner.word("active", ("low", "high"), low)
    inner.done()
    return Channel(board, id_, wire, active, inner.line) if match else None


def _with_boards(board_names: list[str], id_: str) -> str:
    return options(f"{name}.{id_}" for name in board_names) or "none, as there is no [boards.NAME]"


def _channels(table: TomlTable, board_names: list[str], active: str, *, several: bool) -> tuple[Channel, ...]:
    one, many = table.get("channel"), table.get("channels") if several else None
    if several:
        table.asked.add("channels")
    if (one is None) == (many is None):
        allowed = 'channel = "board.id"' + (' or channels = ["board.id", …]' if several else "")
        if one is None:
            table.lacks(f"lacks its channel; {allowed}", "channel", "channels")
        else:
            table.say(None, f"has both channel and channels; {allowed}")
        return ()
    if several and isinstance(one, list):
        table.say("channel", f"is {shown(one)}; a list of channels is called channels")
        return ()
    if many is None:
        found = [_channel(table, one, ("channel",), board_names, active)]
    elif not isinstance(many, list) or not 0 < len(many) <= 16:
        table.say("channels", f"is {shown(many)}; a list of 1 to 16 channels is allowed")
        found = []
    else:
        found = [_channel(table, each, ("channels", i), board_names, active) for i, each in enumerate(many)]
    whole = tuple(channel for channel in found if channel)
    return whole if len(whole) == len(found) else ()  # with only some of them, positions and code cannot be checked


def _place(table: TomlTable) -> Place | None:
    pair = table.pair("at", 0, 10_000, 'from "0 mm" to "10 m"')
    return Place(*pair) if pair else None


def _size(table: TomlTable) -> tuple[float, float]:
    return table.pair("size", 1, 1000, 'from "1 mm" to "1 m"') or (0.0, 0.0)


def _answers(table: TomlTable) -> tuple[str, int]:
    """Read which control an output answers, and within how many microseconds."""
    name = table.matching("answers", NAME, "the name of a control is allowed")
    within_ms = table.quantity("within", "ms", 0.0, 1, 10_000, 'from "1 ms" to "10 s"')
    if table.get("within") is not None and table.get("answers") is None:
        text = 'is of no use without answers, the control that is answered, such as answers = "stop_bar"'
        table.lacks(text, "answers", at="within")
    return name, round(within_ms * 1000)


def _begins(table: TomlTable, positions: tuple[str, ...], spring: tuple[int, ...]) -> int:
    """Read in which position (its index) a simulated control starts."""
    stays = [word for number, word in enumerate(positions) if number not in spring]
    if table.misspells("positions"):
        return 0
    word = table.word("begins", stays, stays[0] if stays else "")
    return positions.index(word) if word in positions else 0


def _hole(table: TomlTable) -> tuple[float, float]:
    """Read a hole, in mm: a diameter (and height 0), or width and height of a cut-out."""
    bounds = 'from "1 mm" to "1 m"'
    if isinstance(table.values.get("hole"), list):
        return table.pair("hole", 1, 1000, bounds) or (0.0, 0.0)
    return table.quantity("hole", "mm", 0.0, 1, 1000, bounds), 0.0


def _body(table: TomlTable) -> tuple[float, float]:
    return table.pair("body", 1, 1000, 'from "1 mm" to "1 m"') or (0.0, 0.0)


def _depth(table: TomlTable) -> float:
    return table.quantity("depth", "mm", 0.0, 1, 1000, 'from "1 mm" to "1 m"')


def _label(table: TomlTable, name: str) -> str:
    return table.text("label", "", LONGEST_LABEL) or label_from(name)


class _OnPanel(TypedDict):
    """The fields of `OnPanel`."""

    place: Place | None
    wired: bool
    note: str
    width_mm: float
    height_mm: float
    hole_mm: tuple[float, float]
    body_mm: tuple[float, float]
    depth_mm: float
    label_at: str
    line: int


class _Output(_OnPanel):
    answers: str
    within_us: int


def _on_panel(table: TomlTable) -> _OnPanel:
    """Read the keys that every part has."""
    width, height = _size(table)
    return {
        "place": _place(table),
        "wired": table.flag("wired", True),
        "note": table.text("note", "", 400),
        "width_mm": width,
        "height_mm": height,
        "hole_mm": _hole(table),
        "body_mm": _body(table),
        "depth_mm": _depth(table),
        "label_at": table.word("label_at", SIDES, ""),
        "line": table.line,
    }


def _output(table: TomlTable) -> _Output:
    """Read the keys that every lamp and display has."""
    answers, within_us = _answers(table)
    return {**_on_panel(table), "answers": answers, "within_us": within_us}


def controls(top: TomlTable, board_names: list[str]) -> tuple[Control, ...]:
    """Read ``[controls.NAME]``."""
    found: list[Control] = []
    for name, table in top.tables("controls", NAME, _NAME_FORM):
        kind = table.word("kind", KINDS, "")
        if table.get("kind") is None:
            table.lacks(f"lacks its kind; allowed: {', '.join(KINDS)}", "kind")
        channels = _channels(table, board_names, "low" if kind in ("button", "switch") else "", several=True)
        if not kind:
            # Its other keys depend on the kind, so they are checked once that is right.
            found.append(Control(name, _label(table, name), "button", channels, **_on_panel(table)))
            table.asked |= _OF_SOME_KIND
            table.done()
            continue
        positions, codes, spring = positions_of(table, kind, len(channels))
        found.append(
            Control(
                name=name,
                label=_label(table, name),
                kind=kind,
                channels=channels,
                positions=positions,
                codes=codes,
                spring=spring,
                begins=_begins(table, positions, spring) if kind in ("button", "switch") else 0,
                inverted=table.flag("inverted", False) if kind in ("encoder", "pot") else False,
                detent_counts=table.whole("counts_per_detent", 4, 1, 15) if kind == "encoder" else 4,
                low_count=table.whole("low", 0, 0, 65535) if kind == "pot" else 0,
                high_count=table.whole("high", 1023, 0, 65535) if kind == "pot" else 1023,
                debounce_ms=table.quantity("debounce", "ms", 10, 0.1, 250, 'from "100 us" to "250 ms"')
                if kind in ("button", "switch")
                else 10.0,
                act_on=table.word("act_on", ("settled", "first edge"), "settled")
                if kind in ("button", "switch")
                else "settled",
                guard=table.flag("guard", False) if kind in ("button", "switch") else False,
                darkens=table.flag("darkens", False) if kind in ("button", "switch") else False,
                **_on_panel(table),
            )
        )
        if kind in ("encoder", "pot", "button") and len(channels) > 1:
            table.say("channels", f"are {len(channels)}; a control of kind {kind} has one")
        if found[-1].darkens and (len(channels) != 1 or any(code[0] > 1 for code in codes)):
            table.say("darkens", "is for a control of one contact: while that is made its board is dark")
        if kind == "pot" and found[-1].low_count >= found[-1].high_count:
            table.say("low", f"is {found[-1].low_count}, not below high, which is {found[-1].high_count}")
        table.done()
    return tuple(found)


def in_matrix(control: Control, matrices_: tuple[Matrix, ...]) -> Control:
    """Return `control` with the matrix that its contacts are in, if its pins name one."""
    for channel in control.channels:
        for pin in read_pins(channel.wire.pin):
            for matrix in matrices_:
                if pin.kind == "matrix" and (matrix.name, matrix.board) == (pin.matrix, channel.board):
                    return dataclasses.replace(control, matrix=matrix.name, diodes=matrix.diodes)
    return control


BRIGHT = 'from "1 %" to "100 %"'
_CURRENTS = 'from "0.1 mA" to "5 A"'
INTENSITIES = 'from "0.1 mcd" to "1000 cd"'
ROLES = ("warning", "caution", "advisory", "other")


def _usual_ma(table: TomlTable, channels: tuple[Channel, ...]) -> float:
    """Return the current in mA of a lamp for which the file gives none: what its pin is made for."""
    kinds = {pin.kind for channel in channels for pin in read_pins(channel.wire.pin)}
    return SHIFT_REGISTER_PIN_MA if "595" in kinds and table.get("driver") != "transistor" else 10.0


def lamps(top: TomlTable, board_names: list[str]) -> tuple[Lamp, ...]:
    """Read ``[lamps.NAME]``."""
    found: list[Lamp] = []
    for name, table in top.tables("lamps", NAME, _NAME_FORM):
        channels = _channels(table, board_names, "high", several=False)
        found.append(
            Lamp(
                name=name,
                label=_label(table, name),
                channel=channels[0] if channels else Channel("", ""),
                colour=table.word("colour", COLOURS, "white"),
                current_ma=table.quantity("current", "mA", _usual_ma(table, channels), 0.1, 5000, _CURRENTS),
                forward_mv=round(table.quantity("forward", "mV", 2000, 0, 60_000, 'from "0 V" to "60 V"')),
                on_permille=round(table.quantity("on", "permille", 1000, 10, 1000, BRIGHT)),
                trim_permille=round(table.quantity("trim", "permille", 1000, 10, 1000, BRIGHT)),
                intensity_mcd=table.quantity("intensity", "mcd", 0.0, 0.1, 1e6, INTENSITIES),
                test_ma=table.quantity("test_current", "mA", 20.0, 0.1, 5000, _CURRENTS),
                look_mcd=table.quantity("look", "mcd", 0.0, 0.1, 1e6, INTENSITIES),
                role=table.word("role", ROLES, ""),
                driver=table.word("driver", ("pin", "transistor"), "pin"),
                dimmed=table.flag("dimmed", True),
                **_output(table),
            )
        )
        table.done()
    return tuple(found)


def displays(top: TomlTable, board_names: list[str]) -> tuple[Display, ...]:
    """Read ``[displays.NAME]``."""
    found: list[Display] = []
    for name, table in top.tables("displays", NAME, _NAME_FORM):
        channels = _channels(table, board_names, "", several=False)
        digits = table.whole("digits", 1, 1, 8)
        if table.get("digits") is None:
            table.lacks("lacks digits; a whole number from 1 to 8 is allowed", "digits")
        form = table.text("format", "", 16)
        try:
            if form and digits_of_format(form) != digits and table.get("digits") == digits:
                table.say(
                    "format", f'is "{form}", which fills {digits_of_format(form)} digits; the display has {digits}'
                )
        except ValueError as why:
            table.say("format", f"is {shown(form)}, which {why}")
            form = ""
        found.append(
            Display(
                name=name,
                label=_label(table, name),
                channel=channels[0] if channels else Channel("", ""),
                digits=digits,
                format=form,
                colour=table.word("colour", COLOURS, "red"),
                segment_ma=table.quantity("segment_current", "mA", 5, 0.1, 100, 'from "0.1 mA" to "100 mA"'),
                digit_mm=table.quantity("digit_height", "mm", 14, 3, 500, 'from "3 mm" to "500 mm"'),
                **_output(table),
            )
        )
        table.done()
    return tuple(found)
