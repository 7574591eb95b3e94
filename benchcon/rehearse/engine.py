"""The engine: from inputs it works out what lamps and displays are to show. Pure: no clock, no thread, no file.

A rule is called when something that it takes has changed; one that takes `seconds` is called at every step. An output
whose rule lacks an input shows *no data*. A mistake in a rule is reported with its line, and everything else goes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from benchcon.panel.model import Lamp, Panel
from benchcon.rehearse.behaviour import Behaviour
from benchcon.rehearse.helpers import Memory
from benchcon.rehearse.inputs import Position
from benchcon.rehearse.rules_file import Rule, Rules, line_in, raised_in, said
from benchcon.rehearse.showing import NO_DATA, Shown, bars, display_shows, lamp_off, lamp_shows, outputs_of
from benchcon.text import printable

_NOTHING = object()
_SECONDS, _MEMORY = 2, 3
"""Kinds of parameter that are not inputs. An input is 0 if it must be known, and 1 if it has a default."""
_PLAIN = frozenset({bool, int, float, str})
"""Immutable types that can be compared safely."""
_COMPARED = _PLAIN | {Position, type(None)}


class TooSlow(BaseException):
    """Raised inside a rule that takes too long, by the watchdog; an ``except Exception`` does not catch it."""


class Mistake(NamedTuple):
    """A rule that went wrong."""

    rule: str
    line: int
    """Line of the rules file; 0: not known."""
    text: str
    """``rules.py:12: ZeroDivisionError: division by zero``; one printable line."""


class Engine:
    """Works out what the outputs of `panel` show."""

    def __init__(self, panel: Panel, behaviour: Behaviour, rules: Rules) -> None:
        self.panel = panel
        self.behaviour = behaviour
        self.rules = rules
        self.inputs: dict[str, Any] = {value.name: value.start for value in behaviour.values}
        """Name → present value of each value, control and derived quantity; None or missing: no data."""
        self.shown: dict[str, Shown] = {}
        """Name of a lamp or display with a rule → what it is to show."""
        self.mistakes: dict[str, Mistake] = {}
        """Name of a rule → what went wrong when it was last called; only rules that went wrong."""
        self.fresh: list[Mistake] = []
        """The mistakes of the last step."""
        self.put_off: set[str] = set()
        """Rules that took too long; they are not called again until the rules are reloaded."""
        self.calling: Rule | None = None
        """The rule that is being called at this moment, for a watchdog on another thread."""
        self.calls = 0
        self._parts = outputs_of(panel)
        self._memory = [Memory() for _ in rules.rules]
        self._number = {rule.name: number for number, rule in enumerate(rules.rules)}
        self._of: dict[str, list[int]] = {}
        self._timed: list[int] = []
        for number, rule in enumerate(rules.rules):
            for name in rule.inputs:
                self._of.setdefault(name, []).append(number)
            if "seconds" in rule.parameters:
                self._timed.append(number)
        self._plans = [
            [
                (name, _SECONDS if name == "seconds" else _MEMORY if name == "memory" else int(name in rule.optional))
                for name in rule.parameters
            ]
            for rule in rules.rules
        ]
        """For each rule (parameter, its kind)."""
        self._last: list[Any] = [_NOTHING] * len(rules.rules)
        """What each rule returned last, if that is still shown, since most calls change nothing."""
        self._dirty: set[int] = set(range(len(rules.rules)))

    @property
    def timed(self) -> bool:
        """Whether any rule takes the time, so that `step` has to be called even if nothing changes."""
        return bool(self._timed)

    def set(self, name: str, value: Any) -> None:
        """Set an input to this value from now on; None is no data."""
        inputs = self.inputs
        if name in inputs and inputs[name] is value and type(value) in _COMPARED:
            return
        old = inputs.get(name)
        inputs[name] = value
        # A derived quantity may be anything: an array with an equality of its own, a list that was changed in place.
        if type(old) is not type(value) or type(value) not in _COMPARED or old != value:
            self._dirty.update(self._of.get(name, ()))

    def update(self, inputs: Mapping[str, Any]) -> None:
        """Set several inputs to these values from now on."""
        for name, value in inputs.items():
            self.set(name, value)

    def step(self, seconds: float) -> list[str]:
        """Call the rules that are due at `seconds`; return the names of the outputs that now show something else."""
        self.fresh.clear()
        dirty = self._dirty
        if self._timed:
            dirty.update(self._timed)
        changed: list[str] = []
        rules = self.rules.rules
        while dirty:
            number = min(dirty)  # derived quantities come first, in the order of need
            dirty.discard(number)
            try:
                self._work_out(number, rules[number], seconds, changed)
            except TooSlow:
                # It was raised a moment too late, when the rule had just ended.
                self._too_slow(rules[number], changed)
        return changed

    def where(self, output: str) -> str:
        """Return file, line and name of an output's rule, ``rules.py:12 crosswind``; empty if it has none."""
        for rule in self.rules.rules:
            if output in rule.drives:
                mistake = self.mistakes.get(rule.name)
                return f"{printable(self.rules.path)}:{(mistake.line if mistake else 0) or rule.line} {rule.name}"
        return ""

    def went_wrong(self, output: str) -> bool:
        """Return whether the rule of an output, or one from which it takes a quantity, went wrong when last called."""
        if not self.mistakes:
            return False
        by_derived = {rule.derived: rule for rule in self.rules.rules if rule.derived}
        behind = [rule for rule in self.rules.rules if output in rule.drives]
        for rule in behind:  # the list grows in the loop; there are no circles
            if rule.name in self.mistakes:
                return True
            behind += [by_derived[name] for name in rule.inputs if name in by_derived]
        return False

    def stuck(self, rule: Rule) -> str:
        """Return one line about a rule that does not return and cannot be ended."""
        return (
            f"{printable(self.rules.path)}:{rule.line}: {rule.name} has not returned and cannot be suspended: it waits "
            "(time.sleep, a socket) or computes one huge thing; everything waits for it"
        )

    # --- inside -----------------------------------------------------------------------------------------------------

    def _work_out(self, number: int, rule: Rule, seconds: float, changed: list[str]) -> None:
        if rule.name in self.put_off:
            return
        inputs = self.inputs
        given: dict[str, Any] = {}
        for name, what in self._plans[number]:
            if what == _SECONDS:
                given[name] = seconds
            elif what == _MEMORY:
                given[name] = self._memory[number]
            else:
                value = inputs.get(name)
                if value is not None:
                    given[name] = value
                elif not what:
                    self.mistakes.pop(rule.name, None)
                    self._nothing(rule, f"{NO_DATA}: {name} is not known", changed)
                    return
        self.calls += 1
        self.calling = rule
        try:
            result = self.rules.functions[number](**given)
        except TooSlow:
            self._too_slow(rule, changed)
            return
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt) and not raised_in(error, self.rules.path):
                raise  # the user's own
            self._went_wrong(rule, line_in(error, self.rules.path), said(error), changed)
            return
        finally:
            self.calling = None
        self.mistakes.pop(rule.name, None)
        if rule.derived:
            self._derive(rule.derived, result)
        elif type(result) is not type(self._last[number]) or result != self._last[number]:
            self._last[number] = _NOTHING
            self._deal_out(rule, result, changed)
            if rule.name not in self.mistakes and type(result) in _PLAIN:
                self._last[number] = result

    def _derive(self, name: str, result: Any) -> None:
        self.set(name, result)

    def _deal_out(self, rule: Rule, result: Any, changed: list[str]) -> None:
        drives = rule.drives
        results: Iterable[Any]
        if isinstance(result, tuple):
            if len(result) != len(drives):
                text = f"{rule.name} returned {len(result)} values for {len(drives)}: {', '.join(drives)}"
                self._went_wrong(rule, rule.line, text, changed)
                return
            results = result
        else:
            results = (result,) * len(drives)
        for name, each in zip(drives, results, strict=True):
            part = self._parts[name]
            try:
                shown = lamp_shows(part, each) if isinstance(part, Lamp) else display_shows(part, each, rule.look)
            except (ValueError, ArithmeticError) as why:
                self._went_wrong(rule, rule.line, f"{rule.name} {printable(str(why))}", changed, (name,))
                continue
            self._show(name, shown, changed)

    def _show(self, name: str, shown: Shown, changed: list[str]) -> None:
        if self.shown.get(name) != shown:
            self.shown[name] = shown
            changed.append(name)

    def _nothing(self, rule: Rule, why: str, changed: list[str], names: tuple[str, ...] | None = None) -> None:
        if rule.derived:
            self._derive(rule.derived, None)
        self._last[self._number[rule.name]] = _NOTHING
        for name in rule.drives if names is None else names:
            part = self._parts[name]
            self._show(name, lamp_off(why) if isinstance(part, Lamp) else bars(part, why), changed)

    def _went_wrong(
        self, rule: Rule, line: int, text: str, changed: list[str], names: tuple[str, ...] | None = None
    ) -> None:
        line = line or rule.line
        mistake = Mistake(rule.name, line, f"{printable(self.rules.path)}:{line}: {text}")
        self.mistakes[rule.name] = mistake
        self.fresh.append(mistake)
        self._nothing(rule, mistake.text, changed, names)

    def _too_slow(self, rule: Rule, changed: list[str]) -> None:
        self.calling = None
        self.put_off.add(rule.name)
        text = f"{rule.name} takes too long and is suspended until the rules are reloaded"
        self._went_wrong(rule, rule.line, text, changed)
