"""One scenario being played: player, engine and judge put together. Pure: whoever runs it gives it the time and events.

The runner calls `feed` with what the bench's state made of each batch, and `advance` whenever something was heard or
`next_us` has come; it does what `advance` returns, and calls it again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from benchcon.panel.lightness import at_level, sent_permille
from benchcon.panel.model import Lamp
from benchcon.rehearse.engine import Engine
from benchcon.rehearse.expect import Broken, Judge
from benchcon.rehearse.rules_file import Rules
from benchcon.rehearse.scenario import Action, Expect, Move, Scenario, Set, SupplyStep
from benchcon.rehearse.seen import SeenOutputs
from benchcon.rehearse.showing import outputs_of
from benchcon.state import BenchState
from benchcon.wire.events import Answered, Boot, Event

TICK_US = 50_000
"""Rules that take the time are called so often."""
_UPSETS = (Boot, Answered)
MISTAKES_MOST = 100
"""So many different ones are kept."""


@dataclass(slots=True)
class ToDo:
    """What the runner is to do now."""

    values: dict[str, str] = field(default_factory=dict)
    """Values that have changed, as written, for the record of it."""
    wants: dict[str, dict[str, int | bytes]] = field(default_factory=dict)
    """For each board, by its name on the panel, what its channels are to show."""
    names: dict[str, list[str]] = field(default_factory=dict)
    """The outputs of `wants`, by name."""
    moves: list[Move | SupplyStep] = field(default_factory=list)
    broken: list[Broken] = field(default_factory=list)


class BrokenExpectation(NamedTuple):
    """A broken expectation with what stood at that moment."""

    broken: Broken
    values: dict[str, str]
    controls: dict[str, str]
    rules: tuple[str, ...]
    """The rules of the outputs concerned, ``rules.py:12 crosswind``, and what is wrong with them."""
    after_us: int
    """Time since the scenario began."""


class Rehearsal:
    """One scenario with its rules on a bench whose state is `state`."""

    def __init__(self, scenario: Scenario, rules: Rules, state: BenchState) -> None:
        self.scenario = scenario
        self.engine = Engine(scenario.panel, scenario.behaviour, rules)
        self.seen = SeenOutputs(scenario.panel, state)
        self.seen.went_wrong = lambda output: self.engine.went_wrong(output)
        self.judge = Judge(scenario.expectations, self.seen)
        self.failed: list[BrokenExpectation] = []
        self.mistakes: dict[str, tuple[int, int]] = {}
        """What went wrong in rules, by its text with the line: when first, since the beginning, and how often."""
        self.began_us: int | None = None
        """Stamp of the scenario's beginning; None before it."""
        self._ages = {value.name: round(value.max_age_s * 1e6) for value in scenario.behaviour.values}
        self._stale_us: dict[str, int] = {}
        """Values from elsewhere, and when they will be too old."""
        self._offered: set[str] = set()
        self._waits_since: int | None = None
        self._rules_began_us = 0
        self._values = {value.name: value for value in scenario.behaviour.values}
        self._parts = outputs_of(scenario.panel)
        self._sent: dict[str, int | bytes] = {}
        self._next = 0
        self._tick_us = 0
        self._live: set[str] = set()
        self._again: set[str] = set()
        self._stirred = True

    # --- what is heard ----------------------------------------------------------------------------------------------

    def feed(self, happened: Iterable[Event], now_us: int) -> None:
        """Take what the bench's state made of a batch."""
        happened = list(happened)
        inputs, outputs = self.seen.feed(happened, now_us)
        self._take(inputs, outputs)
        if self.seen.live == self._live and not any(type(event) in _UPSETS for event in happened):
            return  # most of what boards say is of no consequence here
        before, self._live = self._live, set(self.seen.live)
        for event in happened:
            # What a board was told is forgotten with a reset, and with dark.
            if isinstance(event, Boot) or (isinstance(event, Answered) and event.words[0] == "dark"):
                self._forget(event.source)
        if self._live != before:
            self._stirred = True
            for name in self._live - before:
                self._forget_board(name)

    def _take(self, inputs: dict[str, Any], outputs: set[str]) -> None:
        if inputs:
            self.engine.update(inputs)
        self._stirred = self._stirred or bool(inputs or outputs)

    def _forget(self, source: int) -> None:
        for name in self.seen.live:
            if self.seen.source_of(name) == source:
                self._forget_board(name)

    def _forget_board(self, name: str) -> None:
        for part in self._parts.values():
            if part.channel.board == name and self._sent.pop(part.name, None) is not None:
                self._again.add(part.name)
        self._stirred = True

    def panel_is_at(self, level: str) -> None:
        """The whole panel is at its level by ``day`` or at ``night`` from now on: what is lit is sent again by that."""
        panel = at_level(self.scenario.panel, level)
        self._parts = outputs_of(panel)
        self.seen.outputs_are(panel)
        self.send_again(list(self.engine.shown))

    def send_again(self, names: Iterable[str]) -> None:
        """What these outputs were last told did not arrive."""
        for name in names:
            if self._sent.pop(name, None) is not None:
                self._again.add(name)
        self._stirred = True

    # --- what is done -----------------------------------------------------------------------------------------------

    def begin(self, now_us: int) -> None:
        """The scenario begins."""
        self.began_us = self._tick_us = self._rules_began_us = now_us
        self._take(*self.seen.look_at_all(now_us))
        self._stirred = True

    def repeat(self, now_us: int) -> None:
        """The scenario begins again; rules and their memory go on."""
        self.began_us = now_us
        self._next = 0
        self._stirred = True

    def load(self, rules: Rules) -> None:
        """Other rules from now on, whose memory is empty; values and controls stay as they are."""
        engine = Engine(self.scenario.panel, self.scenario.behaviour, rules)
        known = {*self._values, *(control.name for control in self.scenario.panel.controls)}
        engine.update({name: value for name, value in self.engine.inputs.items() if name in known})
        self.engine = engine
        self._stirred = True

    def wait(self, waits: bool, now_us: int) -> None:
        """While a person is asked to do something the scenario's time stands still; rules and boards go on."""
        if waits and self._waits_since is None:
            self._waits_since = now_us
        elif not waits and self._waits_since is not None and self.began_us is not None:
            self.began_us += now_us - self._waits_since
            self._waits_since = None
            self._stirred = True

    def is_over(self, now_us: int) -> bool:
        """Whether the scenario's time is over."""
        return self.began_us is not None and self._waits_since is None and now_us >= self.end_us

    @property
    def end_us(self) -> int:
        """Stamp of the scenario's end."""
        return (self.began_us or 0) + self.scenario.lasts_us

    def next_us(self) -> int | None:
        """Return when to call `advance` at the latest; None: never, unless something is heard."""
        if self.began_us is None:
            return None
        actions = self.scenario.actions
        more = self._next < len(actions) and self._waits_since is None
        soonest = self.began_us + actions[self._next][0] if more else None
        timed_us = self._tick_us if self.engine.timed else None
        stale_us = min(self._stale_us.values(), default=None)
        for due_us in (self.judge.next_us(), self.seen.next_us(), timed_us, stale_us):
            if due_us is not None and (soonest is None or due_us < soonest):
                soonest = due_us
        return soonest

    def is_due(self, now_us: int) -> bool:
        """Whether `advance` has something to do now."""
        if self._stirred:
            return True
        due_us = self.next_us()
        return due_us is not None and due_us <= now_us

    def advance(self, now_us: int) -> ToDo:
        """Go on to this moment."""
        todo = ToDo()
        if self.began_us is None:
            return todo
        self._stirred = False
        self._take(*self.seen.tick(now_us))
        self._forget_stale(now_us)
        for name in self._offered:
            todo.values[name] = self._written(name)
        self._offered.clear()
        actions = self.scenario.actions
        asked = self._waits_since is not None
        while not asked and self._next < len(actions) and self.began_us + actions[self._next][0] <= now_us:
            self._do(actions[self._next][1], now_us, todo)
            self._next += 1
        while self.engine.timed and self._tick_us <= now_us:
            self._tick_us += TICK_US
        changed: Iterable[str] = self.engine.step((now_us - self._rules_began_us) / 1e6)
        if self.engine.fresh:
            self._note_mistakes(now_us - self.began_us)
        if self._again:
            changed, self._again = {*changed, *self._again}, set()
        self._want(changed, todo)
        todo.broken = self.judge.look(now_us, self.engine.inputs)
        for broken in todo.broken:
            self.failed.append(self._failed(broken))
        return todo

    def _do(self, action: Action, now_us: int, todo: ToDo) -> None:
        if isinstance(action, Set):
            self.engine.set(action.name, action.number)
            todo.values[action.name] = self._written(action.name)
        elif isinstance(action, Expect):
            self.judge.add(action.expectation, now_us)
        else:
            todo.moves.append(action)

    def offer(self, values: Mapping[str, float | None], now_us: int) -> None:
        """Take values that come from elsewhere; each is known for as long as its `max_age` says."""
        for name, number in values.items():
            self.engine.set(name, number)
            self._offered.add(name)
            if self._ages.get(name):
                self._stale_us[name] = now_us + self._ages[name]
        self._stirred = True

    def _forget_stale(self, now_us: int) -> None:
        for name in [name for name, until_us in self._stale_us.items() if until_us <= now_us]:
            del self._stale_us[name]
            self.engine.set(name, None)
            self._offered.add(name)

    def written_values(self) -> dict[str, str]:
        """Return what each value is when the scenario begins, as written."""
        return {name: self._written(name) for name in self._values}

    def _written(self, name: str) -> str:
        number = self.engine.inputs.get(name)
        return "no data" if number is None else self._values[name].written(number)

    def _note_mistakes(self, after_us: int) -> None:
        for mistake in self.engine.fresh:
            first_us, times = self.mistakes.get(mistake.text, (after_us, 0))
            if len(self.mistakes) < MISTAKES_MOST or times:
                self.mistakes[mistake.text] = (first_us, times + 1)

    def _want(self, changed: Iterable[str], todo: ToDo) -> None:
        for name in changed:
            shown = self.engine.shown.get(name)
            part = self._parts[name]
            if shown is None:
                continue
            board = part.channel.board
            if board not in self.seen.live:
                self._again.add(name)
                continue
            value = shown.value
            if isinstance(part, Lamp):
                assert isinstance(value, int)
                value = sent_permille(part, value)
            if self._sent.get(name) != value:
                self._sent[name] = value
                todo.wants.setdefault(board, {})[part.channel.id] = value
                todo.names.setdefault(board, []).append(name)

    def _failed(self, broken: Broken) -> BrokenExpectation:
        inputs = self.engine.inputs
        controls = {control.name: inputs.get(control.name) for control in self.scenario.panel.controls}
        rules = []
        for output in broken.outputs:
            where = self.engine.where(output)
            shown = self.engine.shown.get(output)
            wants = f" says {shown.text.strip() or 'blank'}" if shown is not None else ""
            why = f" ({shown.why})" if shown is not None and shown.why else ""
            rules.append(f"{where}{wants}{why}" if where else f"{output} has no rule")
        return BrokenExpectation(
            broken,
            self.written_values(),
            {name: in_words(value) for name, value in controls.items()},
            tuple(dict.fromkeys(rules)),
            broken.at_us - (self.began_us or 0),
        )


def in_words(value: Any) -> str:
    """Return what a control says, in words."""
    if value is None:
        return "not known"
    return f"{value:g}" if isinstance(value, float) else str(value)
