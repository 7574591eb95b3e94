"""Sweeping each value through its range, each control through its positions, and all pairs that meet in one rule.

This finds lamps that never light, displays that overflow, and mistakes that no scenario reaches. Pure; no board is
used.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchcon.panel.model import Lamp
from benchcon.panel.supplies import all_off, fed_by
from benchcon.rehearse.engine import Engine
from benchcon.rehearse.inputs import Position
from benchcon.rehearse.rehearsal import in_words
from benchcon.rehearse.rules_file import Rules
from benchcon.rehearse.scenario import Scenario
from benchcon.rehearse.showing import OVERFLOW, outputs_of
from benchcon.text import counted

ALONE, TOGETHER = 41, 9
"""Number of points in a value's range when it is swept alone, and in a pair."""
DETENTS = 20
STEP_S = 0.05


@dataclass(slots=True)
class Swept:
    """The result of a sweep."""

    points: int = 0
    on: set[str] = field(default_factory=set)
    off: set[str] = field(default_factory=set)
    shown: set[str] = field(default_factory=set)
    """Displays that showed anything other than no data and overflow."""
    overflows: dict[str, str] = field(default_factory=dict)
    """Displays that overflowed → the inputs at which they first did."""
    unsupplied: dict[str, str] = field(default_factory=dict)
    """Lamps and displays that rules light while every supply is off → the inputs at which they first do."""
    mistakes: dict[str, str] = field(default_factory=dict)
    """Mistakes in rules → the inputs at which they first happened."""


def sweep(scenario: Scenario, rules: Rules) -> Swept:
    """Sweep all inputs that the rules take."""
    found = Swept()
    inputs = _inputs(scenario, rules)
    names = {name for names in inputs for name in names}
    for name in sorted(names):
        points = _points(scenario, name, ALONE)
        _walk(scenario, rules, found, ((name, each) for each in [*points, *reversed(points)]))
    pairs = {pair for names in inputs for pair in itertools.combinations(sorted(names), 2)}
    for one, other in sorted(pairs):
        first, second = _points(scenario, one, TOGETHER), _points(scenario, other, TOGETHER)
        _walk(scenario, rules, found, _grid(one, first, other, second))
    _without_supply(scenario, rules, found, names)
    return found


def _without_supply(scenario: Scenario, rules: Rules, found: Swept, names: set[str]) -> None:
    """Find what rules light with every supply switched off, on outputs that no supply feeds."""
    panel = scenario.panel
    off = all_off(panel)
    if off is None:
        return
    controls = {control.name: control for control in panel.controls}
    positions: list[tuple[str, Any]] = [(name, Position(number, controls[name])) for name, number in off.items()]
    fed = {part.name for supply in panel.supplies for part in fed_by(panel, supply)}
    spread = [(name, each) for name in sorted(names - off.keys()) for each in _points(scenario, name, TOGETHER)]
    only = Swept()

    def look(engine: Engine) -> None:
        for name, shown in engine.shown.items():
            lit = any(shown.value) if isinstance(shown.value, bytes) else shown.value > 0
            if lit and name not in fed:
                found.unsupplied.setdefault(name, _stands(engine))

    _walk(scenario, rules, only, iter([*positions, *spread]), look, len(positions))
    found.points += only.points


def _grid(one: str, first: Sequence[Any], other: str, second: Sequence[Any]) -> Iterator[tuple[str, Any]]:
    for each in first:
        yield one, each
        for beside in second:
            yield other, beside


def _inputs(scenario: Scenario, rules: Rules) -> list[set[str]]:
    """Return for each rule the values and controls that it depends on, through derived quantities too."""
    behind: dict[str, set[str]] = {}
    found = []
    for rule in rules.rules:  # derived quantities come first, in the order of need
        names = set().union(*(behind.get(name, {name}) for name in rule.inputs)) if rule.inputs else set()
        if rule.derived:
            behind[rule.derived] = names
        found.append(names)
    return found


def _points(scenario: Scenario, name: str, count: int) -> list[Any]:
    value = scenario.behaviour.value(name)
    if value is not None:
        step = (value.high - value.low) / (count - 1)
        return [float(f"{value.low + step * number:.12g}") for number in range(count)]
    control = next(control for control in scenario.panel.controls if control.name == name)
    if control.positions:
        return [Position(number, control) for number in range(len(control.positions))]
    if control.kind == "encoder":
        return [round(-DETENTS + 2 * DETENTS * number / (count - 1)) for number in range(count)]
    return [number / (count - 1) for number in range(count)]


def _walk(
    scenario: Scenario,
    rules: Rules,
    found: Swept,
    moves: Iterator[tuple[str, Any]],
    look: Callable[[Engine], None] = lambda engine: None,
    after: int = 0,
) -> None:
    """Set inputs one after the other, from their first values; call `look` from the move with index `after` on."""
    engine = Engine(scenario.panel, scenario.behaviour, rules)
    for value in scenario.behaviour.values:
        engine.set(value.name, (value.low + value.high) / 2 if value.start is None else value.start)
    for control in scenario.panel.controls:
        engine.set(control.name, Position(0, control) if control.positions else 0 if control.kind == "encoder" else 0.0)
    lamps = {name for name, part in outputs_of(scenario.panel).items() if isinstance(part, Lamp)}
    seconds = 0.0
    engine.step(seconds)
    _look(engine, lamps, found)
    for name, to in moves:
        engine.set(name, to)
        seconds += STEP_S
        engine.step(seconds)
        found.points += 1
        _look(engine, lamps, found)
        if found.points >= after:
            look(engine)


def _look(engine: Engine, lamps: set[str], found: Swept) -> None:
    for mistake in engine.fresh:
        found.mistakes.setdefault(mistake.text, _stands(engine))
    for name, shown in engine.shown.items():
        if name in lamps:
            (found.on if shown.value else found.off).add(name)
        elif shown.why == OVERFLOW:
            found.overflows.setdefault(name, _stands(engine))
        elif not shown.why:
            found.shown.add(name)


def _stands(engine: Engine) -> str:
    values = {value.name: value for value in engine.behaviour.values}
    parts = []
    for name in [*values, *(control.name for control in engine.panel.controls)]:
        now = engine.inputs.get(name)
        if name in values and now is not None:
            parts.append(f"{name} {values[name].written(now)}")
        else:
            parts.append(f"{name} {in_words(now)}")
    return ", ".join(parts)


def lines(path: str, scenario: Scenario, rules: Rules, found: Swept) -> tuple[list[str], bool]:
    """Return the result as lines for people, and whether anything is wrong; `path` must be printable."""
    ruled = {name for rule in rules.rules for name in rule.drives}
    lamps = [lamp.name for lamp in scenario.panel.lamps if lamp.name in ruled]
    displays = [display.name for display in scenario.panel.displays if display.name in ruled]
    out = [f"{text} (at {at})" for text, at in found.mistakes.items()]
    out += [f"{path}: {name} overflows (at {at})" for name, at in found.overflows.items()]
    out += [f"{path}: {name} never lights" for name in lamps if name not in found.on]
    out += [f"{path}: {name} is never off" for name in lamps if name not in found.off]
    out += [f"{path}: {name} never shows anything" for name in displays if name not in found.shown]
    wrong = bool(out)
    out += [f"{path}: advice: {name} stays lit without supply (at {at})" for name, at in found.unsupplied.items()]
    swept = f"{counted(found.points, 'point')} of {counted(len(ruled), 'output')}"
    out.append(f"{path}: swept {swept}: {'see above' if wrong else 'all well'}")
    return out, wrong
