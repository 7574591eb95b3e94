"""Naming by hand: writes the label and the place of a part into the panel file, and changes nothing else in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.files import write_whole
from benchcon.panel.draft import draft
from benchcon.panel.edit import PanelFile
from benchcon.panel.model import Control, Display, Lamp, Panel, Part
from benchcon.panel.pins import CHIPS
from benchcon.panel.reader import name_from
from benchcon.panel.splice import Value
from benchcon.state import BoardState
from benchcon.state.described import said_of
from benchcon.text import printable

LONGEST_LABEL = 60


def checked_label(text: str) -> str:
    """Return `text` as a label. Raises `Trouble` if it cannot be one."""
    label = " ".join(text.split())
    if not label:
        raise Trouble("a name has at least one letter")
    if len(label) > LONGEST_LABEL:
        raise Trouble(f"that is {len(label)} characters; {LONGEST_LABEL} is the most that a label may have")
    if printable(label) != label:
        raise Trouble("a name holds no control characters")
    return label


def first_file(path: Path, boards: Iterable[BoardState]) -> Panel:
    """Write a first panel file from what the boards describe, and return its panel.

    Raises `Trouble` if the file exists already or cannot be written, or if no board has described itself.
    """
    said = said_of(boards)
    if not said:
        raise Trouble("no board has described itself yet; connect one first")
    write_whole(path, draft(said).encode(), force=False, way_out="")
    return PanelFile(path).panel


def named(
    panel: Panel, part: Part, label: str, place_mm: tuple[float, float] | None, chips: Mapping[str, str] | None = None
) -> Panel:
    """Write the label of `part` and, if given, its place into the file of `panel`; return the new panel.

    A part that the file does not have yet is added at its end, and so is its board, with its chip from `chips` (by
    ident). Raises `Trouble`, and writes nothing, if that would make the file wrong or if another program has changed
    it.
    """
    label = checked_label(label)
    file = PanelFile(panel.path)
    name = _name_in(file.panel, part)
    if name:
        file.label(name, label)
    else:
        name = _free(file.panel, name_from(label) or "part")
        _add(file, part, name, label, chips or {})
    if place_mm is not None:
        file.place(name, *place_mm)
    file.save()
    return file.panel


def part_in(panel: Panel, part: Part) -> Part | None:
    """Return the part of `panel` on the same first channel as `part`, or None."""
    name = _name_in(panel, part)
    return panel.part(name) if name else None


def _name_in(panel: Panel, part: Part) -> str:
    wanted = part.channels[0]
    for each in panel.parts:
        if any((channel.board, channel.id) == (wanted.board, wanted.id) for channel in each.channels):
            return each.name
    return ""


def _free(panel: Panel, wish: str) -> str:
    name, number = wish, 2
    while panel.part(name) is not None:
        name, number = f"{wish}_{number}", number + 1
    return name


def _add(file: PanelFile, part: Part, name: str, label: str, chips: Mapping[str, str]) -> None:
    channel = part.channels[0]
    if file.panel.board(channel.board) is None:
        chip = chips.get(channel.board, "").lower()
        file.add("boards", channel.board, {"label": channel.board} | ({"chip": chip} if chip in CHIPS else {}))
    values: dict[str, Value] = {"label": label}
    where = channel.key
    if isinstance(part, Control):
        values["kind"] = part.kind
        if part.kind == "switch" and len(part.positions) > 2:
            values["positions"] = list(part.positions)
        values["channel"] = where
        file.add("controls", name, values)
    elif isinstance(part, Lamp):
        values["colour"] = part.colour
        values["channel"] = where
        file.add("lamps", name, values)
    elif isinstance(part, Display):
        values["digits"] = part.digits
        values["channel"] = where
        file.add("displays", name, values)
