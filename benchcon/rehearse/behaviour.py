"""Behaviour files (TOML, see `protocols/behaviour-file.md`): the values of a panel's rules, their units and ranges."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchcon.panel.file import LARGEST, file_beside, open_table, slurp
from benchcon.panel.reader import NAME, PanelRemark, TomlTable, has_heading, in_order, shown, without_mistakes
from benchcon.text import label_from
from benchcon.units import is_unit, quantity

KIND = "behaviour file"
RESERVED = ("memory", "seconds")
"""Parameters of rules that are neither values nor controls."""
_NUMBER_BOUND = 1e12


@dataclass(frozen=True, slots=True)
class Value:
    """A named quantity that comes from a simulator, a scenario or a slider."""

    name: str
    label: str
    unit: str
    """Its unit; empty for a plain number."""
    low: float
    high: float
    start: float | None = None
    """Its number before anything is known about it; None: no data."""
    max_age_s: float = 0.0
    """A number from another program becomes no data after this time; 0: never."""
    line: int = 0

    def number(self, text: object) -> float:
        """Return a written quantity (``"20 kt"``, or a plain number if the value has no unit) in this value's unit.

        Raises ValueError, which says what is wrong, also if it is outside the value's range.
        """
        if not self.unit:
            if isinstance(text, bool) or not isinstance(text, int | float):
                raise ValueError(f"has to be a plain number here, without quotes or unit, such as {self.example:g}")
            number = float(text)
        elif not isinstance(text, str):
            raise ValueError(f'needs its unit, in quotes, such as "{self.written(self.example)}"')
        else:
            number = quantity(text, self.unit, self.written(self.example))
        if not self.low <= number <= self.high:
            raise ValueError(f"lies outside its range, {self.written(self.low)} to {self.written(self.high)}")
        return number

    @property
    def example(self) -> float:
        """A number within its range, for messages."""
        return 0.0 if self.low <= 0 <= self.high else self.low

    def written(self, number: float) -> str:
        """Return `number` with its unit: ``20 kt``."""
        return f"{number:.10g} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Behaviour:
    """The contents of a behaviour file."""

    path: str = ""
    title: str = ""
    values: tuple[Value, ...] = ()
    panel: Path | None = None
    """The panel file that it names, relative to its own folder."""
    rules: Path | None = None
    """The rules file that it names, relative to its own folder."""

    def value(self, name: str) -> Value | None:
        """Return the value called `name`."""
        return next((value for value in self.values if value.name == name), None)


def looks_like_one(text: str) -> bool:
    """Return whether a TOML text is meant as a behaviour file."""
    return has_heading(text, "[behaviour]", "[values.")


def load(path: str | Path) -> Behaviour:
    """Read the behaviour file `path`. Raises `Trouble` with file and line for the first mistake."""
    behaviour, findings = inspect(slurp(path, LARGEST + 1, whole=False), str(path))
    return without_mistakes(behaviour, findings, str(path), KIND)


def inspect(text: str | bytes, name: str) -> tuple[Behaviour | None, list[PanelRemark]]:
    """Return the behaviour, as far as it is readable, and everything found about its file, in order of line."""
    top, findings = open_table(text, name, KIND)
    if top is None:
        return None, findings
    head = top.table("behaviour")
    title = head.text("title", "", 60)
    panel, rules = file_beside(head, "panel", name), file_beside(head, "rules", name)
    head.text("note", "", 400)
    head.done()
    allowed = "a lower-case letter, then up to 31 of a-z, 0-9 and _ are allowed"
    values = tuple(_value(key, table) for key, table in top.tables("values", NAME, allowed))
    top.done()
    if not values:
        top.source.say((), "has no values yet", grave=False)
    behaviour = Behaviour(name, title, values, panel, rules)
    return behaviour, in_order(top.source.findings)


def _value(name: str, table: TomlTable) -> Value:
    if name in RESERVED:
        table.say(None, f"has a name that rules use for something else; any but {' and '.join(RESERVED)} is allowed")
    label = table.text("label", "", 40)
    unit = table.text("unit", "", 24)
    unknown = unit != (table.get("unit") or "") or table.misspells("unit")
    if unit and not is_unit(unit):
        table.say("unit", f'is {shown(unit)}, which is not a known unit; "kt", "hPa" and "deg" are examples')
        unit, unknown = "", True
    low, high = _range(table, unit, unknown)
    bare = Value(name, label or label_from(name), unit, low, high, line=table.line)
    start = table.get("start")
    number: float | None = None
    if start is not None and not unknown:
        try:
            number = bare.number(start)
        except ValueError as why:
            table.say("start", f"is {shown(start)}: it {why}")
    age_s = table.quantity("max_age", "s", 0.0, 0.01, 86_400, 'from "10 ms" to "24 h"')
    table.text("note", "", 400)
    table.done()
    return Value(name, bare.label, unit, low, high, number, age_s, table.line)


def _range(table: TomlTable, unit: str, unknown: bool) -> tuple[float, float]:
    value = table.get("range")
    if unknown:
        return 0.0, 1.0  # what it may be hangs on the unit: the next check will tell
    example = f'["0 {unit}", "100 {unit}"]' if unit else "[0, 100]"
    if value is None:
        table.lacks(f"has no range; write one, such as range = {example}", "range")
        return 0.0, 1.0
    if not isinstance(value, list) or len(value) != 2:
        table.say("range", f"is {shown(value)}; minimum and maximum are needed, such as {example}")
        return 0.0, 1.0
    free = Value("", "", unit, -_NUMBER_BOUND, _NUMBER_BOUND)
    ends = []
    for index, each in enumerate(value):
        try:
            ends.append(free.number(each))
        except ValueError as why:
            table.source.say((*table.path, "range", index), f"is {shown(each)}: it {why}")
    if len(ends) != 2:
        return 0.0, 1.0
    if not ends[0] < ends[1]:
        table.say("range", f"is {shown(value)}; the minimum comes first, such as {example}")
        return 0.0, 1.0
    return ends[0], ends[1]
