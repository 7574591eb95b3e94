"""A first panel file from what boards describe: every part, laid out so that the face is usable at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from benchcon.panel.file import inspect, loads
from benchcon.panel.model import Panel
from benchcon.panel.parts import COLOURS, LONGEST_LABEL
from benchcon.panel.pins import CHIPS, Pin, read_pins
from benchcon.panel.reader import BOARD_NAME, CHANNEL_ID, name_from
from benchcon.panel.splice import Value
from benchcon.panel.splice import written as toml
from benchcon.text import printable
from benchcon.wire.items import Item, counts_per_detent, digits_in, positions_in, top_in

Said = tuple[str, str, str, Sequence[Item]]
"""What one board described: its port, ident, name, and items."""

_TABLE = {"contact": "controls", "selector": "controls", "encoder": "controls", "pot": "controls"}
_TABLE |= {"lamp": "lamps", "display": "displays"}
_PITCH_MM = 60
_ACROSS = 8
"""How many parts stand side by side; the panel is this many pitches wide."""
_ROW_MM = {"displays": 60, "lamps": 45, "controls": 60}
_DIGIT_MM = 14
_HIGHEST_MM = 10_000
"""The greatest height of a panel. Where the parts need more, they are given no places."""

_TOP = """\
# A first panel file, from what the boards describe. protocols/panel-file.md says what each key means.
#
# Where parts sit ("at") is a guess: measure from the panel's top left corner to the centre of each part, or name and
# place them in the console. Currents are guesses too: put in what your lamps really take. Each contact is a push button
# here: for a switch that stays where it is put write kind = "switch"; several contacts of one switch are one control
# with several channels.
"""


class _Drawn(NamedTuple):
    """One part of the draft: its table, name, and keys."""

    table: str
    name: str
    values: dict[str, Value]
    remark: str
    """A comment to write above its table, or empty."""


def draft(boards: Sequence[Said]) -> str:
    """Return the text of a complete panel file for `boards`; it always loads.

    Nothing that a board says is trusted: text is bounded and made printable; impossible pins and unknown kinds of
    channel are left out, with a comment that says so.
    """
    text = _drafted(boards, pins=True)
    # Pins may contradict each other in more ways than are worth telling apart: if they do, all pins are left out.
    return text if loadable(text) else _drafted(boards, pins=False)


def described(boards: Sequence[Said]) -> Panel:
    """Return the panel that `boards` describe, as `draft` would write it; its path is empty.

    Wherever the program has no panel file it uses this panel, so that names, labels and budgets are the same
    everywhere. Its text, and so its digest, does not depend on ports, on firmware or on the order in which boards were
    found.
    """
    lasting = [("", ident, name, list(filter(None, map(_lasting, items)))) for _, ident, name, items in boards]
    return replace(loads(draft(sorted(lasting, key=lambda each: each[1]))), path="")


def _lasting(item: Item) -> Item | None:
    """Return `item` reduced to what it says about the panel: a channel, or the board's chip; None for anything else."""
    if item.is_channel:
        return item
    return item._replace(detail={"chip": item.detail.get("chip", "")}) if item.kind == "model" else None


def loadable(text: str) -> bool:
    """Return whether `text` is a panel file without mistakes; advice does not count."""
    panel, findings = inspect(text)
    return panel is not None and not any(finding.grave for finding in findings)


def _drafted(boards: Sequence[Said], *, pins: bool) -> str:
    names: set[str] = set()
    board_names: set[str] = set()
    idents: set[str] = set()
    heads: list[str] = []
    desks: list[list[_Drawn]] = []
    down = 0.0
    for number, said in enumerate(boards, 1):
        port, ident, name, items = said
        board = _free(ident if BOARD_NAME.fullmatch(ident) else f"board{number}", board_names, 16)
        chains: dict[str, int] = {}
        ids: set[str] = set()
        desks.append([])
        for item in items:
            if item.id not in ids and (part := _part(item, board, names, chains, pins=pins)):
                if any("darkens" in each.values for each in desks[-1]):
                    part.values.pop("darkens", None)  # a panel file allows one dark switch a board; the first stays
                desks[-1].append(part)
                ids.add(item.id)
        down = _lay_out(desks[-1], down)
        values: dict[str, Value] = {"ident": ident} if BOARD_NAME.fullmatch(ident) and ident != board else {}
        # Two boards of one ident cannot work together: the second has its name here as its ident, until it is given
        # one.
        values = {} if ident in idents else values
        idents.add(ident)
        heads.append(_board(board, values, name, port, items, chains))
    head: dict[str, Value] = {"title": (_text(boards[0][2], 60) if len(boards) == 1 else "") or "Panel"}
    if down <= _HIGHEST_MM:
        head |= {"width": f"{_ACROSS * _PITCH_MM} mm", "height": f"{max(down, 60):.0f} mm"}
    blocks = [_TOP, _table("panel", head)]
    for said, top, drawn in zip(boards, heads, desks, strict=True):
        for part in drawn if down > _HIGHEST_MM else ():
            del part.values["at"]
        blocks += [top, *map(_written, drawn), *_left_out(said[3])]
    return "\n".join(blocks)


def _board(
    board: str, values: dict[str, Value], name: str, port: str, items: Sequence[Item], chains: dict[str, int]
) -> str:
    if label := _text(name, 24):
        values["label"] = label
    chip = next((item.detail.get("chip", "").lower() for item in items if item.kind == "model"), "")
    if chip in CHIPS:
        values["chip"] = chip
    values["budget"] = "150 mA"
    for kind, last in sorted(chains.items()):
        values[f"chains.{kind}"] = {"chips": last // 8 + 1}
    about = [_text(item.detail.get("text", ""), 60) for item in items if item.kind in ("model", "firmware")]
    says = "; ".join(text for text in (f"found on {_text(port, 60)}" if port else "", *about) if text)
    return f"# {'-' * 117}\n# {says}\n\n" + _table(f"boards.{board}", values)


def _part(item: Item, board: str, names: set[str], chains: dict[str, int], *, pins: bool) -> _Drawn | None:
    table = _TABLE.get(item.kind)
    if table is None or not CHANNEL_ID.fullmatch(item.id) or item.id == "all":
        return None
    label = _text(item.detail.get("label", ""), LONGEST_LABEL)
    wish = name_from(label) or item.id
    name = _free(wish if wish not in names else f"{wish[:24]}_{item.kind}", names, 32)
    values: dict[str, Value] = {"label": label or item.id}
    remark = ""
    if item.kind == "contact":
        values["kind"] = "button"
    elif item.kind == "selector":
        values |= {"kind": "switch", "positions": [str(n + 1) for n in range(positions_in(item.detail))]}
    elif item.kind == "encoder":
        values |= {"kind": "encoder", "counts_per_detent": counts_per_detent(item.detail)}
    elif item.kind == "pot":
        values |= {"kind": "pot", "low": 0, "high": top_in(item.detail)}
    elif item.kind == "lamp":
        colour = _text(item.detail.get("colour", ""), 20)
        if colour and colour not in COLOURS:
            remark = f'The board says its colour is "{colour}".'
        values |= {"colour": colour if colour in COLOURS else "white", "current": "5 mA"}
        if item.detail.get("dim") != "1":
            values["dimmed"] = False
    else:
        values |= {"digits": digits_in(item.detail), "segment_current": "2 mA"}
        values["digit_height"] = f"{_DIGIT_MM} mm"
    channel: dict[str, Value] = {"id": f"{board}.{item.id}"}
    said = item.detail.get("pin", "")
    pin = _pin(item, said, chains) if pins else ""
    if pin:
        channel["pin"] = pin
    elif said:
        remark = f"{remark} The board says its pin is {_text(said, 40)}.".strip()
    if pin and item.kind == "contact":
        channel["active"] = "low" if item.detail.get("inv") == "1" else "high"
    if item.kind == "contact" and item.detail.get("dark") == "1":
        values["darkens"] = True
    values["channel"] = channel
    return _Drawn(table, name, values, remark)


def _pin(item: Item, said: str, chains: dict[str, int]) -> str:
    """Return the pin that a board reports for `item` as panel files write it; empty if a panel file cannot hold it."""
    try:
        found: tuple[Pin, ...] = read_pins(said)
    except ValueError:
        return ""
    wanted = {"contact": "165", "encoder": "165", "lamp": "595", "display": "7219"}.get(item.kind, "")
    if len(found) != (2 if item.kind == "encoder" else 1):
        return ""
    for pin in found:
        last = pin.bit + (digits_in(item.detail) - 1 if item.kind == "display" else 0)
        if pin.kind == wanted and last < 64:
            chains[pin.kind] = max(chains.get(pin.kind, 0), last)
        elif pin.kind != "direct" or item.kind == "display":
            return ""
    return said


def _lay_out(parts: list[_Drawn], down: float) -> float:
    """Place every part below `down` (mm): displays on top, then lamps, then controls. Return the lower end in mm."""
    for table in ("displays", "lamps", "controls"):
        for row in _rows([part for part in parts if part.table == table]):
            down += _ROW_MM[table]
            across = 0.0
            for part, slots in row:
                at = (across + slots / 2) * _PITCH_MM
                part.values["at"] = [f"{at:g} mm", f"{down - _ROW_MM[table] / 2:g} mm"]
                across += slots
    return down


def _rows(parts: list[_Drawn]) -> Iterator[list[tuple[_Drawn, int]]]:
    row: list[tuple[_Drawn, int]] = []
    for part in parts:
        digits = part.values.get("digits", 1)
        slots = 2 if isinstance(digits, int) and digits > 4 else 1
        if sum(each for _, each in row) + slots > _ACROSS:
            yield row
            row = []
        row.append((part, slots))
    if row:
        yield row


def _left_out(items: Sequence[Item]) -> list[str]:
    out = []
    for item in items:
        if item.id and (item.kind not in _TABLE or not CHANNEL_ID.fullmatch(item.id)):
            out.append(f'# Left out: channel "{_text(item.id, 16)}" of kind "{_text(item.kind, 16)}".\n')
    return out


def _free(wish: str, taken: set[str], longest: int) -> str:
    name, number = wish[:longest], 2
    while name in taken:
        name = f"{wish[: longest - 4]}_{number}"
        number += 1
    taken.add(name)
    return name


def _written(part: _Drawn) -> str:
    remark = f"# {part.remark}\n" if part.remark else ""
    return remark + _table(f"{part.table}.{part.name}", part.values)


def _table(name: str, values: dict[str, Value]) -> str:
    return f"[{name}]\n" + "".join(f"{key} = {toml(value)}\n" for key, value in values.items())


def _text(text: str, longest: int) -> str:
    """Return text from a board as one printable line of at most `longest` characters that UTF-8 can encode."""
    plain = printable(text[:longest]).encode("utf-8", "replace").decode()
    return plain[:longest].strip()
