"""Scenario files (TOML, values also as CSV; see `protocols/scenario-file.md`): what happens, and what is expected."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchcon.errors import Trouble
from benchcon.panel.file import LARGEST, file_beside, open_table, slurp
from benchcon.panel.lightness import OFF, ON
from benchcon.panel.model import Control, Lamp, Panel
from benchcon.panel.reader import PanelRemark, TomlTable, has_heading, in_order, options, shown, without_mistakes
from benchcon.rehearse.behaviour import Behaviour, Value
from benchcon.rehearse.expect import Clause, Expectation, WantedOutput
from benchcon.rehearse.showing import NumberStyle, bars, display_shows, outputs_of, too_much
from benchcon.text import did_you_mean, near, printable
from benchcon.units import number_in, percent

KIND = "scenario"
LARGEST_CSV = 64 << 20
LONGEST_S = 7 * 86_400.0
MOST_ACTIONS = 5_000_000
RAMP_US = 50_000
"""Time between two values of a ramp: 20 a second."""
WITHIN_US = 200_000
"""Default time within which an expectation must be met."""


@dataclass(frozen=True, slots=True)
class Set:
    """Step: a value becomes this number; None: no data."""

    name: str
    number: float | None


@dataclass(frozen=True, slots=True)
class Move:
    """Step: a control is moved, by the simulated hand or the user."""

    control: str
    boards: tuple[str, ...]
    verb: str
    """``put``, ``share`` (a potentiometer), ``press``, ``release`` or ``turn``."""
    to: int
    """Position, permille of a potentiometer's travel, or detents; 0 for a button."""
    words: str
    """What to ask the user to do."""


@dataclass(frozen=True, slots=True)
class SupplyStep:
    """Step: the supply of a simulated board's lamps and displays is set."""

    board: str
    millivolts: int


@dataclass(frozen=True, slots=True)
class Expect:
    """Step: this is expected, once."""

    expectation: Expectation


Action = Set | Move | SupplyStep | Expect


@dataclass(frozen=True, slots=True)
class Scenario:
    """The contents of a scenario file, worked out so that no step depends on another."""

    path: str
    title: str
    panel: Panel
    behaviour: Behaviour
    rules: Path
    lasts_us: int
    actions: tuple[tuple[int, Action], ...] = ()
    """(time since the beginning in microseconds, step), in order of time."""
    expectations: tuple[Expectation, ...] = ()
    """The expectations that are not of a step."""

    @property
    def checks(self) -> list[Expectation]:
        """All expectations, those of steps included, in the order of their lines."""
        once = [action.expectation for _, action in self.actions if isinstance(action, Expect)]
        return sorted((*self.expectations, *once), key=lambda expectation: expectation.line)


@dataclass(slots=True)
class Named:
    """Files that the command line names instead of those in the scenario."""

    panel: Path | None = None
    rules: Path | None = None


def looks_like_one(text: str) -> bool:
    """Return whether a TOML text is meant as a scenario."""
    return has_heading(text, "[scenario]", "[[steps]]", "[[expect]]")


def load(path: str | Path, named: Named | None = None) -> Scenario:
    """Read the scenario `path` and the files that it names, except the rules, which are not read.

    Raises `Trouble` with file and line of the first mistake.
    """
    text = slurp(path, LARGEST + 1, whole=False)
    _refuse_others(text.decode("utf-8", "replace"), printable(str(path)))
    scenario, findings = inspect(text, str(path), named)
    return without_mistakes(scenario, findings, str(path), KIND)


def _refuse_others(text: str, path: str) -> None:
    """Raise `Trouble`, which says what the file is, if it is of another kind."""
    from benchcon.rehearse import behaviour as behaviour_file

    if looks_like_one(text):
        return
    if behaviour_file.looks_like_one(text):
        raise Trouble(
            f"{path}: without a console there is nothing to play in a behaviour file alone; "
            "name a scenario, or a capture beside it, or add --values or --sweep"
        )
    if has_heading(text, "[panel]", "[boards."):
        raise Trouble(f"{path}: this is a panel file; a rehearsal takes a scenario or a behaviour file")


def without_steps(path: str | Path, named: Named | None = None) -> Scenario:
    """Return a scenario from a behaviour file alone, in which nothing happens by itself.

    Raises `Trouble` if the file is wrong, or names no panel or no rules.
    """
    from benchcon.panel import file as panel_file
    from benchcon.rehearse import behaviour as behaviour_file

    named = named or Named()
    behaviour = behaviour_file.load(path)
    panel, rules = named.panel or behaviour.panel, named.rules or behaviour.rules
    for what, found in (("panel", panel), ("rules", rules)):
        if found is None:
            hint = f"write one under [behaviour], or name it with --{what}"
            raise Trouble(f"{printable(str(path))}: names no {what}; {hint}")
    assert panel is not None
    assert rules is not None
    title = behaviour.title or Path(path).stem
    return Scenario(str(path), title, panel_file.load(panel), behaviour, rules, round(LONGEST_S * 1e6))


def inspect(text: str | bytes, name: str, named: Named | None = None) -> tuple[Scenario | None, list[PanelRemark]]:
    """Return the scenario, or None if it cannot be played, and everything found about its file. Runs nothing."""
    from benchcon.panel import file as panel_file
    from benchcon.rehearse import behaviour as behaviour_file

    named = named or Named()
    top, findings = open_table(text, name, KIND)
    if top is None:
        return None, findings
    source = top.source
    head = top.table("scenario")
    title = head.text("title", "", 80) or Path(name).stem
    head.text("note", "", 400)
    behaviour_path = file_beside(head, "behaviour", name)
    panel_path, rules = file_beside(head, "panel", name), file_beside(head, "rules", name)
    csv_path = file_beside(head, "values", name)
    longest = f'from "1 s" to "{LONGEST_S / 3600:g} h"'
    lasts_s = head.quantity("lasts", "s", 0.0, 0.1, LONGEST_S, longest)
    behaviour, panel = Behaviour(), None
    nor = "nor does its behaviour file;"
    try:
        if behaviour_path is None:
            head.lacks('names no behaviour file; write behaviour = "desk-behaviour.toml"', "behaviour")
        elif behaviour_path.is_file():
            behaviour = behaviour_file.load(behaviour_path)
            panel_path = named.panel or panel_path or behaviour.panel
            rules = named.rules or rules or behaviour.rules
            if panel_path is None:
                head.lacks(f'names no panel file, {nor} write panel = "desk.toml"', "panel")
            elif panel_path.is_file():
                panel = panel_file.load(panel_path)
            if rules is None:
                head.lacks(f'names no rules file, {nor} write rules = "rules.py"', "rules")
    except Trouble as trouble:
        return None, [*source.findings, _elsewhere(str(trouble), name)]
    head.done()
    if panel is None:
        return None, source.findings  # every name in the steps would be unknown
    reading = _Reading(top, panel, behaviour)
    reading.steps()
    if csv_path is not None and csv_path.is_file():
        source.findings += reading.csv(csv_path)
    always = reading.always()
    top.done()
    lasts_us = round(lasts_s * 1e6) or reading.last_us + 1_000_000
    if lasts_s and reading.last_us > lasts_us:
        head.say("lasts", f"is shorter than its steps, the last of which is at {reading.last_us / 1e6:g} s")
    findings = in_order(source.findings)
    if rules is None or any(finding.grave for finding in findings):
        return None, findings
    return Scenario(name, title, panel, behaviour, rules, lasts_us, reading.actions(), always), findings


def _elsewhere(text: str, name: str) -> PanelRemark:
    """Return a `Trouble` about another file as a finding."""
    match = re.match(r"(.+?):(\d{1,9}): ", text)
    if match:
        return PanelRemark(match[1], int(match[2]), text[match.end() :])
    return PanelRemark(printable(name), 0, text)


class _Reading:
    """Reads the steps and expectations of one file."""

    def __init__(self, top: TomlTable, panel: Panel, behaviour: Behaviour) -> None:
        self.top = top
        self.panel = panel
        self.behaviour = behaviour
        self.controls = {control.name: control for control in panel.controls}
        self.values = {value.name: value for value in behaviour.values}
        self.last_us = 0
        self._planned: list[tuple[int, int, Any]] = []
        """Time, order, and a `Set`, `_Ramp`, `_Hold` or another action."""

    # --- steps ------------------------------------------------------------------------------------------------------

    def steps(self) -> None:
        at_us = 0
        for table in self._list("steps"):
            at_us = self._when(table, at_us)
            before = len(self._planned)
            self._values(table, at_us)
            self._moves(table, at_us)
            self._supply(table, at_us)
            if (once := self._expectation(table, "expect", at_us)) is not None:
                self._add(at_us, Expect(once))
                self.last_us = max(self.last_us, at_us + once.within_us)
            note = table.text("note", "", 400)
            table.done()
            if len(self._planned) == before and not note and not self.top.source.findings:
                table.say(None, "does nothing; say what is set, ramped, put, pressed, turned or expected", grave=False)

    def _when(self, table: TomlTable, before_us: int) -> int:
        at, after = table.get("at"), table.get("after")
        if at is not None and after is not None:
            table.say("after", "is given together with at; only one of the two is allowed")
        key = "after" if after is not None else "at"
        if at is None and after is None:
            return before_us
        found_s = table.quantity(key, "s", -1.0, 0.0, LONGEST_S, f'from "0 s" to "{LONGEST_S / 3600:g} h"')
        if found_s < 0:
            return before_us
        at_us = round(found_s * 1e6) + (before_us if key == "after" else 0)
        if at_us < before_us:
            table.say("at", f"is before the step above it, which is at {before_us / 1e6:g} s")
        return max(at_us, before_us)

    def _add(self, at_us: int, action: object) -> None:
        self.last_us = max(self.last_us, at_us)
        self._planned.append((at_us, len(self._planned), action))

    def _values(self, table: TomlTable, at_us: int) -> None:
        for name, value, written in self._each(table, "set", self.values, "value"):
            if (number := self._number(table, ("set", name), value, written)) is not None:
                self._add(at_us, Set(name, number))
        over = table.get("over")
        ramps = self._each(table, "ramp", self.values, "value")
        over_us = 0
        if over is not None or ramps:
            over_us = round(table.quantity("over", "s", 0.0, 0.05, LONGEST_S, 'from "50 ms" to "168 h"') * 1e6)
            if ramps and over is None:
                table.lacks('has a ramp but no time for it; write over = "10 s"', "over")
            elif not ramps:
                table.lacks("is the time of a ramp, but there is no ramp", "ramp", at="over")
        for name, value, written in ramps:
            if (number := self._number(table, ("ramp", name), value, written)) is not None:
                self._add(at_us, _Ramp(name, number, over_us))
                self.last_us = max(self.last_us, at_us + over_us)
        for key in ("hold", "lose"):
            for name in self._names(table, key, self.values, "value"):
                self._add(at_us, _Hold(name) if key == "hold" else Set(name, None))

    def _number(self, table: TomlTable, path: tuple[str, ...], value: Value, written: object) -> float | None:
        try:
            return value.number(written)
        except ValueError as why:
            table.source.say((*table.path, *path), f"is {shown(written)}: it {why}")
            return None

    def _moves(self, table: TomlTable, at_us: int) -> None:
        for name, control, written in self._each(table, "put", self.controls, "control"):
            path = (*table.path, "put", name)
            if control.kind == "encoder":
                table.source.say(path, f"is an encoder, which is turned: turn = {{ {name} = 3 }}")
            elif control.kind == "pot":
                share = table.a_quantity(("put", name), written, "permille", 0, 1000, 'from "0 %" to "100 %"')
                if share is not None:
                    words = f"turn {_label(control)} to {percent(share)} of its travel"
                    self._move(at_us, control, "share", round(share), words)
            elif written not in control.positions:
                hint = near(written, control.positions) if isinstance(written, str) else ""
                table.source.say(path, f"is {shown(written)}; allowed: {', '.join(control.positions)}{hint}")
            else:
                words = f"set {_label(control)} to '{printable(str(written))}'"
                self._move(at_us, control, "put", control.positions.index(written), words)
        for verb in ("press", "release"):
            for name in self._names(table, verb, self.controls, "control"):
                control = self.controls[name]
                if control.kind != "button":
                    table.say(verb, f"names {name}, which is not a button; put = {{ {name} = … }} moves it")
                else:
                    self._move(at_us, control, verb, 0, f"{verb} {_label(control)}")
        for name, control, written in self._each(table, "turn", self.controls, "control"):
            path = (*table.path, "turn", name)
            if control.kind != "encoder":
                table.source.say(path, f"is not an encoder; put = {{ {name} = … }} moves it")
            elif not isinstance(written, int) or isinstance(written, bool) or not 0 < abs(written) <= 1000:
                table.source.say(path, f"is {shown(written)}; detents from -1000 to 1000 are allowed, not 0")
            else:
                way = "right" if written > 0 else "left"
                words = f"turn {_label(control)} by {abs(written)} detents to the {way}"
                self._move(at_us, control, "turn", written, words)

    def _move(self, at_us: int, control: Control, verb: str, to: int, words: str) -> None:
        boards = tuple(dict.fromkeys(channel.board for channel in control.channels))
        self._add(at_us, Move(control.name, boards, verb, to, words))

    def _supply(self, table: TomlTable, at_us: int) -> None:
        boards = {board.name: board for board in self.panel.boards}
        for name, _, written in self._each(table, "supply", boards, "board"):
            volts = table.a_quantity(("supply", name), written, "mV", 0, 60_000, 'from "0 V" to "60 V"')
            if volts is not None:
                self._add(at_us, SupplyStep(name, round(volts)))

    # --- expectations -----------------------------------------------------------------------------------------------

    def always(self) -> tuple[Expectation, ...]:
        found = []
        for table in self._list("expect"):
            expectation = self._expectation(table, "show", None)
            if expectation is None and table.get("dark") is None:
                table.lacks('expects nothing; write show = { crosswind = "on" }, or dark = ["met"]', "show", "dark")
            table.text("note", "", 400)
            table.done()
            if expectation is not None:
                found.append(expectation)
        return tuple(found)

    def _expectation(self, table: TomlTable, key: str, at_us: int | None) -> Expectation | None:
        value = table.get(key)
        within = table.get("within")
        within_us = WITHIN_US
        if within is not None:
            within_us = round(table.quantity("within", "us", WITHIN_US, 0, 3.6e9, 'from "0 s" to "1 h"'))
        name = table.text("name", "", 80)
        conditions: tuple[Clause, ...] = ()
        dark: tuple[str, ...] = ()
        if at_us is None:
            conditions = tuple(self._conditions(table))
            boards = [board.name for board in self.panel.boards]
            dark = tuple(self._names(table, "dark", dict.fromkeys(boards), "board"))
        wanted = tuple(self._wanted(table, key))
        if value is None and not dark:
            if at_us is not None and within is not None:
                table.say("within", "is the time for an expectation, but nothing is expected")
            return None
        called = name or _in_words(wanted, dark, conditions, {})
        label = name or _in_words(wanted, dark, conditions, self._labels())
        return Expectation(called, table.line, wanted, dark, conditions, within_us, at_us, label)

    def _labels(self) -> dict[str, str]:
        """Return name → label of the panel's parts and of the values, for a user at the panel."""
        parts = [*self.panel.controls, *outputs_of(self.panel).values(), *self.behaviour.values]
        return {part.name: printable(part.label) for part in parts}

    def _wanted(self, table: TomlTable, key: str) -> Iterator[WantedOutput]:
        outputs = outputs_of(self.panel)
        for name, part, written in self._each(table, key, outputs, "lamp or display"):
            path = (*table.path, key, name)
            if isinstance(part, Lamp):
                level: int | None = None
                if not isinstance(written, str) or not (written in (ON, OFF) or re.search(r"\d", written)):
                    meant = {"lit": ON, "out": OFF, "true": ON, "false": OFF}.get(str(written).lower(), "")
                    hint = did_you_mean(meant)
                    text = f'is {shown(written)}; on, off, or a lightness such as "40 %" is allowed{hint}'
                    table.source.say(path, text)
                    continue
                if written not in (ON, OFF):
                    found = table.a_quantity((key, name), written, "permille", 0, 1000, 'on, off, or "40 %"')
                    if found is None:
                        continue
                    level = round(found)
                yield WantedOutput(name, written, level=level)
                continue
            if not isinstance(written, str):
                table.source.say(path, f'is {shown(written)}; text in quotes is allowed, such as "29.92"')
                continue
            special = {"no data": bars(part), "overflow": too_much(part)}.get(written)
            try:
                made = special or display_shows(part, written, NumberStyle())
            except ValueError as why:
                table.source.say(path, f"is {shown(written)}, which {printable(str(why))}")
                continue
            if made.why == "overflow" and special is None:
                table.source.say(path, f"is {shown(written)}, which has no room on {part.digits} digits")
                continue
            assert isinstance(made.value, bytes)
            yield WantedOutput(name, written, segments=made.value)

    def _conditions(self, table: TomlTable) -> Iterator[Clause]:
        known: dict[str, Any] = {**self.values, **self.controls}
        for name, what, written in self._each(table, "when", known, "value or control"):
            try:
                test = _test_of_value(what, written) if isinstance(what, Value) else _test_of_control(what, written)
            except ValueError as why:
                table.source.say((*table.path, "when", name), f"is {shown(written)}: {why}")
                continue
            yield Clause(name, printable(str(written)), test)

    # --- values from a CSV ------------------------------------------------------------------------------------------

    def csv(self, path: Path) -> list[PanelRemark]:
        """Add times and values from a CSV file, with units in its header: ``time [s],wind_speed [kt]``."""
        file = printable(str(path))
        try:
            text = slurp(path, LARGEST_CSV).decode("utf-8-sig")
        except Trouble as trouble:
            return [PanelRemark(file, 0, str(trouble))]
        except UnicodeDecodeError:
            return [PanelRemark(file, 0, "is not UTF-8; save it as UTF-8")]
        rows = csv.reader(io.StringIO(text, newline=""))
        try:
            header = next(rows, [])
            columns, time_factor = self._columns(header)
            before_us = -1
            for row in rows:
                if not any(cell.strip() for cell in row):
                    continue
                if len(row) != len(header):
                    raise ValueError(f"has {len(row)} cells; the header has {len(header)}")
                at_us = round(_plain(row[0]) * time_factor)
                if not before_us < at_us <= LONGEST_S * 1e6:
                    raise ValueError(f"has the time {printable(row[0])}; times grow from line to line, from 0 on")
                before_us = at_us
                for cell, (value, factor, offset) in zip(row[1:], columns, strict=True):
                    if not cell.strip():
                        continue
                    number = float(f"{_plain(cell) * factor + offset:.12g}")
                    if not value.low <= number <= value.high:
                        raise ValueError(f"has {value.written(number)} for {value.name}, outside its range")
                    self._add(at_us, Set(value.name, number))
                if len(self._planned) > MOST_ACTIONS:
                    raise ValueError(f"is more than {MOST_ACTIONS} values into the file; that is too many")
        except (ValueError, csv.Error) as why:
            return [PanelRemark(file, rows.line_num, printable(str(why)))]
        return []

    def _columns(self, header: list[str]) -> tuple[list[tuple[Value, float, float]], float]:
        from benchcon.units import linear

        found = [re.fullmatch(r"\s*([a-z][a-z0-9_]*)\s*(?:\[\s*(.*?)\s*\])?\s*", cell) for cell in header]
        if not header or found[0] is None or found[0][1] != "time":
            raise ValueError('has no header; the first line is such as "time [s],wind_speed [kt]"')
        time_factor = linear(found[0][2] or "s", "us")[0]
        columns: list[tuple[Value, float, float]] = []
        for cell, match in zip(header[1:], found[1:], strict=True):
            value = self.values.get(match[1]) if match else None
            if value is None:
                hint = near(cell, self.values)
                raise ValueError(f"has the column {shown(cell)}; the values are {options(self.values)}{hint}")
            unit = match[2] if match and match[2] else ""
            if bool(unit) != bool(value.unit):
                example = f"{value.name} [{value.unit}]" if value.unit else value.name
                raise ValueError(f"has the column {shown(cell)}; it is written {example}")
            if any(value is one for one, *_ in columns):
                raise ValueError(f"has the column {value.name} twice; remove one")
            columns.append((value, *(linear(unit, value.unit) if unit else (1.0, 0.0))))
        return columns, time_factor

    # --- put together -----------------------------------------------------------------------------------------------

    def actions(self) -> tuple[tuple[int, Action], ...]:
        """Return all actions in order of time, with ramps split into single values."""
        made: list[tuple[int, int, Action]] = []
        numbers: dict[str, float | None] = {value.name: value.start for value in self.behaviour.values}
        ramps: dict[str, tuple[int, int, float, _Ramp]] = {}

        def end_ramp(name: str, until_us: int) -> None:
            if name not in ramps:
                return
            began_us, order, start, ramp = ramps[name]
            last_us = began_us + ramp.over_us
            times = range(began_us + RAMP_US, min(last_us, until_us), RAMP_US)
            made.extend((at, order, Set(name, _between(start, ramp, at - began_us))) for at in times)
            if until_us >= last_us:
                made.append((last_us, order, Set(name, ramp.to)))
                numbers[name] = ramp.to
                del ramps[name]
            else:
                numbers[name] = _between(start, ramp, until_us - began_us)
                made.append((until_us, order, Set(name, numbers[name])))
                del ramps[name]

        for at_us, order, action in sorted(self._planned, key=lambda each: each[:2]):
            if isinstance(action, Set | _Ramp | _Hold):
                end_ramp(action.name, at_us)
            if isinstance(action, Set):
                numbers[action.name] = action.number
                made.append((at_us, order, action))
            elif isinstance(action, _Ramp):
                start = numbers[action.name]
                if start is None:
                    start = action.to  # a ramp that begins at no data is at its end at once
                ramps[action.name] = (at_us, order, start, action)
            elif not isinstance(action, _Hold):
                made.append((at_us, order, action))
        for name in list(ramps):
            end_ramp(name, 1 << 62)
        made.sort(key=lambda each: each[:2])
        return tuple((at_us, action) for at_us, _, action in made)

    # --- reading tables ---------------------------------------------------------------------------------------------

    def _list(self, key: str) -> Iterator[TomlTable]:
        value = self.top.get(key)
        if value is None:
            return
        if not isinstance(value, list):
            self.top.say(key, f"is not a list of tables; each begins with [[{key}]]")
            return
        for index, each in enumerate(value[:10_000]):
            yield TomlTable(self.top.source, (key, index), each)

    def _each(self, table: TomlTable, key: str, known: Mapping[str, Any], what: str) -> list[tuple[str, Any, object]]:
        """Return (name, the thing with that name in `known`, written value) for each pair of the table `key`."""
        value = table.get(key)
        if value is None:
            return []
        if not isinstance(value, dict):
            table.say(key, f'is {shown(value)}; a table of names and values is allowed, such as {{ name = "…" }}')
            return []
        if not value:
            table.say(key, f"is empty; name at least one {what}, or leave {key} out")
        found = []
        for name, written in value.items():
            if name in known:
                found.append((name, known[name], written))
            else:
                text = f"is not a {what}; there are: {options(known) or 'none'}{near(name, known)}"
                table.source.say((*table.path, key, name), text)
        return found

    def _names(self, table: TomlTable, key: str, known: Mapping[str, Any], what: str) -> list[str]:
        value = table.get(key)
        if value is None:
            return []
        names = [value] if isinstance(value, str) else value
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            table.say(key, f"is {shown(value)}; a name or a list of names is allowed")
            return []
        if not names:
            table.say(key, f"is empty; name at least one {what}, or leave {key} out")
        for name in names:
            if name not in known:
                table.say(
                    key,
                    f"names {shown(name)}, which is not a {what}; "
                    f"there are: {options(known) or 'none'}{near(name, known)}",
                )
        return [name for name in names if name in known]


@dataclass(frozen=True, slots=True)
class _Ramp:
    name: str
    to: float
    over_us: int


@dataclass(frozen=True, slots=True)
class _Hold:
    name: str


def _between(start: float, ramp: _Ramp, after_us: int) -> float:
    return float(f"{start + (ramp.to - start) * after_us / ramp.over_us:.12g}")


def _label(control: Control) -> str:
    return printable(control.label)


def _plain(cell: str) -> float:
    try:
        number = number_in(cell)
    except ValueError:
        raise ValueError(f"has {shown(cell.strip())}, which is not a number; decimals follow a point") from None
    if not math.isfinite(number):
        raise ValueError(f"has {shown(cell.strip())}, which is not a number")
    return number


_BOUNDS = re.compile(r"(?:(above|below|at least|at most)\s+(.+)|from\s+(.+?)\s+to\s+(.+))")


def _test_of_value(value: Value, written: object) -> Callable[[Any], bool]:
    """Return a function that tests a condition on a value. Raises ValueError, which says what is allowed."""
    if written == "no data":
        return lambda now: now is None
    match = _BOUNDS.fullmatch(written.strip()) if isinstance(written, str) else None
    if match is None:
        exact = _number_of(value, written)
        return lambda now: now is not None and math.isclose(now, exact, rel_tol=1e-9, abs_tol=1e-9)
    if match[1]:
        return _bounded(match[1], _number_of(value, match[2]))
    low, high = _number_of(value, match[3]), _number_of(value, match[4])
    if low > high:
        raise ValueError(f"the smaller one comes first: from {value.written(high)} to {value.written(low)}")
    return lambda now: now is not None and low <= now <= high


def _bounded(word: str, limit: float) -> Callable[[Any], bool]:
    if word == "above":
        return lambda now: now is not None and now > limit
    if word == "below":
        return lambda now: now is not None and now < limit
    if word == "at least":
        return lambda now: now is not None and now >= limit
    return lambda now: now is not None and now <= limit


def _number_of(value: Value, written: object) -> float:
    try:
        return value.number(_plain(written) if not value.unit and isinstance(written, str) else written)
    except ValueError as why:
        example = value.written(value.example)
        text = f'it {why}; allowed: "{example}", "above {example}", "below …", "from … to …", "no data"'
        raise ValueError(text) from None


def _test_of_control(control: Control, written: object) -> Callable[[Any], bool]:
    if written == "not known":
        return lambda now: now is None
    if control.positions:
        if written not in control.positions:
            hint = near(written, control.positions) if isinstance(written, str) else ""
            raise ValueError(f"allowed: {', '.join(control.positions)}{hint}")
        number = control.positions.index(written)
        return lambda now: now is not None and int(now) == number
    unit, low, high = ("", -10_000.0, 10_000.0) if control.kind == "encoder" else ("%", 0.0, 100.0)
    scale = 1.0 if control.kind == "encoder" else 100.0
    test = _test_of_value(Value(control.name, "", unit, low, high), written)
    return lambda now: test(None if now is None else now * scale)


def _in_words(
    wanted: tuple[WantedOutput, ...], dark: tuple[str, ...], conditions: tuple[Clause, ...], labels: Mapping[str, str]
) -> str:
    """Return what is expected as one line; `labels`: name → label; without one, the name is used."""

    def called(name: str) -> str:
        return labels.get(name, name)

    parts = [f"{called(each.output)} {each.words if each.segments is None else repr(each.words)}" for each in wanted]
    parts += [f"{board} dark" for board in dark]
    when = ", ".join(f"{called(condition.name)} {condition.words}" for condition in conditions)
    return ", ".join(parts) + (f" when {when}" if when else "")
