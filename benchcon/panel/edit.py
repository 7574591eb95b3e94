"""Edits an existing panel file: comments, order, spacing and line ends of everything else survive, byte for byte.

The result of each change is read as a panel before it is accepted, so an edit never leaves a file that cannot be
opened.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Mapping
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.files import write_whole
from benchcon.panel.composed import MOST_COLOURS
from benchcon.panel.file import loads, slurp
from benchcon.panel.model import Control, Lamp, Panel, Part, key_of
from benchcon.panel.reader import NAME, name_from
from benchcon.panel.splice import Value, with_key_renamed, with_table, with_value
from benchcon.panel.where import Path as KeyPath
from benchcon.panel.where import places_in
from benchcon.text import did_you_mean, printable
from benchcon.units import percent, quantity, written

_PROGRAM = Path(__file__).resolve().parents[1]
"""The installed package; nothing is ever written below it."""


class PanelFile:
    """A panel file that is being edited.

    A change that would make the panel wrong, or that cannot be made in this file, raises `Trouble` and changes nothing.
    """

    def __init__(self, path: str | Path) -> None:
        """Read `path`. Raises `Trouble` if it cannot be read or has a mistake."""
        self.path = Path(path)
        self._as_read = slurp(path)
        self.panel: Panel = loads(self._as_read, str(path))
        """The panel with all changes so far."""
        # The byte order mark that some editors write in front is not part of the panel's text.
        self._mark = "\ufeff" if self._as_read.startswith(b"\xef\xbb\xbf") else ""
        self._before = self.panel.text

    @property
    def text(self) -> str:
        """The file's text with all changes so far."""
        return self.panel.text

    @property
    def changed(self) -> bool:
        """Whether there are changes that are not saved."""
        return self.text != self._before

    def patch(self) -> str:
        """Return the changes since the last save as a unified diff."""
        old, new = self._before.splitlines(keepends=True), self.text.splitlines(keepends=True)
        return "".join(difflib.unified_diff(old, new, str(self.path), str(self.path)))

    def rename(self, part: str, name: str) -> None:
        """Rename the part called `part` to `name`, wherever the file names it."""
        path = self._path(part)
        if not NAME.fullmatch(name):
            hint = did_you_mean(name_from(name))
            raise Trouble(
                f'"{printable(name[:40])}" is not a name: a-z, 0-9 and _ are allowed, beginning with a letter{hint}'
            )
        text = with_key_renamed(self.text, path, name)
        for number, trigger in enumerate(self.panel.triggers):
            if trigger.values.get("part") == part:
                text = with_value(text, ("triggers", number), "part", name)
        for output in self.panel.parts:
            if not isinstance(output, Control) and output.answers == part:
                text = with_value(text, self._path(output.name), "answers", name)
        for supply in self.panel.supplies:
            table = ("supplies", supply.name)
            for number in range(len(supply.sources)):
                text = with_key_renamed(text, (*table, "on_when", number, part), name)
            for number, fed in enumerate(supply.feeds):
                if fed == part and not self.panel.board(part):
                    text = with_value(text, (*table, "feeds"), number, name)
        self._take(text)

    def label(self, part: str, text: str) -> None:
        """Set the label of a part. For a part that a repeat makes, its entry in the list `labels` is set."""
        found = self._part(part)
        if found.made_by and not (isinstance(found, Lamp) and found.inside):
            labels = [text if each.name == part else each.label for each in self._made_with(found)]
            self._take(with_value(self.text, (*found.made_by.split("."), "repeat"), "labels", labels))
            return
        self.set(part, "label", text)

    def place(self, part: str, x_mm: float, y_mm: float) -> None:
        """Set the centre of a part, in mm from the panel's top left corner. The file keeps the unit it has there."""
        path = self._path(part)
        values = places_in(self.text).values
        new = []
        for index, length in enumerate((x_mm, y_mm)):
            start, end = values.get((*path, "at", index), (0, 0))
            unit = re.search(r"([A-Za-z]+)['\"]$", self.text[start:end])
            new.append(_length(length, unit[1] if unit else "mm"))
        self.set(part, "at", new)

    def set(self, part: str, key: str, value: Value) -> None:
        """Set `key` of a part (`on`, `trim`, `wired`, `inverted`, `code` …) to `value`, as the file would have it."""
        self._take(with_value(self.text, self._path(part), key, value))

    def trim(self, lamp: str, permille: int) -> None:
        """Set the trim of `lamp`. For a lamp that a repeat makes, its entry in the list `trims` is set."""
        part = self._part(lamp)
        if not isinstance(part, Lamp) or not part.made_by:
            self.set(lamp, "trim", percent(permille))
            return
        path: KeyPath = tuple(part.made_by.split("."))
        if path[-1] == "colours":
            housing = lamp.removesuffix(f"_{part.colour}")
            same = [each for each in self.panel.lamps if each.made_by == part.made_by]
            dice = [each.colour for each in same if each.name.startswith(f"{housing}_")][:MOST_COLOURS]
            path = (*path, dice.index(part.colour))
            names = [each.name for each in same if each.colour == part.colour]
            if housing == path[1]:
                self._take(with_value(self.text, path, "trim", percent(permille)))
            else:
                self._trims(path, names, lamp, permille)
            return
        if part.inside and lamp != f"{part.inside}_lit":
            path = (*path, int(lamp.rpartition("_")[2]) - 1)  # `NAME_2` is the second of several lamps in one control
        repeated = self._part(part.inside) if part.inside else part
        if not repeated.made_by:
            self._take(with_value(self.text, path, "trim", percent(permille)))
            return
        names = [each.name + lamp.removeprefix(repeated.name) for each in self._made_with(repeated)]
        self._trims(path, names, lamp, permille)

    def _trims(self, path: KeyPath, names: list[str], lamp: str, permille: int) -> None:
        trims = {each.name: each.trim_permille for each in self.panel.lamps} | {lamp: permille}
        self._take(with_value(self.text, path, "trims", [percent(trims[name]) for name in names]))

    def add(self, table: str, name: str, values: Mapping[str, Value]) -> None:
        """Add ``[table.name]`` at the end of the file; `table`: ``controls``, ``lamps``, ``displays``, ``boards``."""
        self._take(with_table(self.text, f"{table}.{name}", values))

    def save(self) -> None:
        """Write the file, all of it or nothing.

        Raises `Trouble` if another program has changed it since it was read (its version is kept), if it cannot be
        written, or if it is part of the installed package.
        """
        if _PROGRAM in Path(os.path.realpath(self.path)).parents:
            raise Trouble(f"{self._shown} is part of the installed program: copy it, and open the copy with --panel")
        if slurp(self.path) != self._as_read:
            raise Trouble(f"{self._shown} was changed by another program meanwhile; nothing was written: open it again")
        raw = (self._mark + self.text).encode()
        write_whole(self.path, raw)
        self._as_read, self._before = raw, self.text

    @property
    def _shown(self) -> str:
        return printable(str(self.path))

    def _part(self, name: str) -> Part:
        found = self.panel.part(name)
        if found is None:
            raise Trouble(f'{self._shown} has no part "{printable(name[:40])}"')
        return found

    def _made_with(self, part: Part) -> list[Part]:
        """Return all parts of the repeat that makes `part`, in their order."""
        return [each for each in self.panel.parts if each.made_by == part.made_by]

    def _path(self, name: str) -> KeyPath:
        part = self._part(name)
        made_by = part.made_by
        if isinstance(part, Lamp) and name == f"{part.inside}_lit" and not self._part(part.inside).made_by:
            return tuple(made_by.split("."))  # a control's only lamp is the table `lit` itself
        if made_by:
            raise Trouble(f"{name} is made by {made_by}, with others; change that in {self._shown} by hand")
        return tuple(key_of(part).split("."))

    def _take(self, text: str) -> None:
        self.panel = loads(text, str(self.path))


def _length(mm: float, unit: str) -> str:
    try:
        return written(mm / quantity(f"1 {unit}", "mm"), unit, 1 if unit == "mm" else 4)
    except ValueError:
        return written(mm, "mm", 1)
