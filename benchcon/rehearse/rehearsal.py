"""One scenario being played: player, engine and judge together. Pure: the runner gives it the time and events.

The runner calls `feed` with the events of each batch, and `advance` whenever something was heard or `next_us` has come.
It does what `advance` returns, and calls it again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from benchcon.panel.lightness import at_level, sent_permille
from benchcon.panel.model import Lamp
from benchcon.panel.segments import or_blank
from benchcon.rehearse.behaviour import Value
from benchcon.rehearse.engine import Engine
from benchcon.rehearse.expect import Broken, Judge
from benchcon.rehearse.rules_file import Rules
from benchcon.rehearse.scenario import Action, Expect, Move, Scenario, Set, SupplyStep
from benchcon.rehearse.seen import SeenOutputs
from benchcon.rehearse.showing import outputs_of
from benchcon.state import BenchState
from benchcon.wire.events import Answered, Boot, Event

TICK_US = 50_000
"""How often rules that take the time are called."""
_UPSETS = (Boot, Answered)
SWEEP_US = 12_000_000
"""Time in which a value that sweeps goes from one end of its range to the other."""
MISTAKES_MOST = 100
"""Most different mistakes that are kept."""


@dataclass(slots=True)
class ToDo:
    """What the runner is to do now."""

    values: dict[str, str] = field(default_factory=dict)
    """Values that have changed, as text, to be recorded."""
    wants: dict[str, dict[str, int | bytes]] = field(default_factory=dict)
    """Name of a board on the panel → channel → what it is to show."""
    names: dict[str, list[str]] = field(default_factory=dict)
    """Name of a board → names of the outputs in `wants`."""
    moves: list[Move | SupplyStep] = field(default_factory=list)
    broken: list[Broken] = field(default_factory=list)


class ByHand(NamedTuple):
    """A value that the user has taken over; what the scenario or a source says about it waits."""

    number: float | None
    """Where it is held, or where its sweep began; None: no data."""
    sweeps_since_us: int | None = None
    """Since when it goes up and down its range; None: it is held."""


class BrokenExpectation(NamedTuple):
    """A broken expectation, with the values, controls and rules at that moment."""

    broken: Broken
    values: dict[str, str]
    controls: dict[str, str]
    rules: tuple[str, ...]
    """The rules of the outputs, ``rules.py:12 crosswind``, and what is wrong with them."""
    after_us: int
    """Time since the scenario began."""


class Rehearsal:
    """One scenario with its rules, on the bench with the state `state`."""

    def __init__(self, scenario: Scenario, rules: Rules, state: BenchState) -> None:
        self.scenario = scenario
        self.engine = Engine(scenario.panel, scenario.behaviour, rules)
        self.seen = SeenOutputs(scenario.panel, state)
        self.seen.went_wrong = lambda output: self.engine.went_wrong(output)
        self.judge = Judge(scenario.expectations, self.seen)
        self.failed: list[BrokenExpectation] = []
        self.mistakes: dict[str, tuple[int, int]] = {}
        """A mistake in a rule, with its line → (when first, since the beginning; how often)."""
        self.began_us: int | None = None
        """Stamp of the scenario's beginning; None before it."""
        self._ages = {value.name: round(value.max_age_s * 1e6) for value in scenario.behaviour.values}
        self._stale_us: dict[str, int] = {}
        """Values from other programs → when they will be too old."""
        self._offered: set[str] = set()
        self.by_hand: dict[str, ByHand] = {}
        """Names of values that the user has taken over → how."""
        self.from_source: set[str] = set()
        """Names of values whose last number came from another program."""
        self._waiting: dict[str, float | None] = {}
        """For values that the user has taken over: the last number from scenario or source."""
        self._swept_us = 0
        self._waits_since: int | None = None
        self._rules_began_us = 0
        self._values = {value.name: value for value in scenario.behaviour.values}
        self._parts = outputs_of(scenario.panel)
        self._sent: dict[str, int | bytes] = {}
        self._next = 0
        self._tick_us = 0
        self._live: set[str] = set()
        self._again: set[str] = set()
        self._due_now = True

    # --- what is heard ----------------------------------------------------------------------------------------------

    def feed(self, happened: Iterable[Event], now_us: int) -> None:
        """Take the events of a batch, after the bench's state has taken it."""
        happened = list(happened)
        inputs, outputs = self.seen.feed(happened, now_us)
        self._take(inputs, outputs)
        if self.seen.live == self._live and not any(type(event) in _UPSETS for event in happened):
            return  # most of what boards say does not matter here
        before, self._live = self._live, set(self.seen.live)
        for event in happened:
            # After a reset or dark, whatever was sent to a board has to be sent again.
            if isinstance(event, Boot) or (isinstance(event, Answered) and event.words[0] == "dark"):
                self._forget(event.source)
        if self._live != before:
            self._due_now = True
            for name in self._live - before:
                self._forget_board(name)

    def _take(self, inputs: dict[str, Any], outputs: set[str]) -> None:
        if inputs:
            self.engine.update(inputs)
        self._due_now = self._due_now or bool(inputs or outputs)

    def _forget(self, source: int) -> None:
        for name in self.seen.live:
            if self.seen.source_of(name) == source:
                self._forget_board(name)

    def _forget_board(self, name: str) -> None:
        for part in self._parts.values():
            if part.channel.board == name and self._sent.pop(part.name, None) is not None:
                self._again.add(part.name)
        self._due_now = True

    def panel_is_at(self, level: str) -> None:
        """Note that the whole panel is at its ``day`` or ``night`` level, and send what is lit again at that level."""
        panel = at_level(self.scenario.panel, level)
        self._parts = outputs_of(panel)
        self.seen.outputs_are(panel)
        self.send_again(list(self.engine.shown))

    def send_again(self, names: Iterable[str]) -> None:
        """Send the values of these outputs again, since they did not arrive."""
        for name in names:
            if self._sent.pop(name, None) is not None:
                self._again.add(name)
        self._due_now = True

    # --- what is done -----------------------------------------------------------------------------------------------

    def begin(self, now_us: int) -> None:
        """Begin the scenario."""
        self.began_us = self._tick_us = self._rules_began_us = now_us
        self._take(*self.seen.look_at_all(now_us))
        self._due_now = True

    def repeat(self, now_us: int) -> None:
        """Begin the scenario again; rules keep their memory."""
        self.began_us = now_us
        self._next = 0
        if self._waits_since is not None:
            self._waits_since = now_us
        self._due_now = True

    def load(self, rules: Rules) -> None:
        """Use other rules from now on, with an empty memory; values and controls stay as they are."""
        engine = Engine(self.scenario.panel, self.scenario.behaviour, rules)
        known = {*self._values, *(control.name for control in self.scenario.panel.controls)}
        engine.update({name: value for name, value in self.engine.inputs.items() if name in known})
        self.engine = engine
        self._due_now = True

    def wait(self, waits: bool, now_us: int) -> None:
        """Stop the scenario's time while the user is asked to do something, or let it go on; rules always go on."""
        if waits and self._waits_since is None:
            self._waits_since = now_us
        elif not waits and self._waits_since is not None and self.began_us is not None:
            self.began_us += now_us - self._waits_since
            self._waits_since = None
            self._due_now = True

    @property
    def waits(self) -> bool:
        """Whether the scenario's time is stopped."""
        return self._waits_since is not None

    @property
    def waits_since_us(self) -> int | None:
        """Since when the scenario's time is stopped; None if it goes on."""
        return self._waits_since

    def is_over(self, now_us: int) -> bool:
        """Return whether the scenario's time is over."""
        return self.began_us is not None and self._waits_since is None and now_us >= self.end_us

    @property
    def end_us(self) -> int:
        """Stamp of the scenario's end."""
        return (self.began_us or 0) + self.scenario.lasts_us

    def next_us(self) -> int | None:
        """Return when to call `advance` if nothing is heard before; None: there is no need to."""
        if self.began_us is None:
            return None
        actions = self.scenario.actions
        more = self._next < len(actions) and self._waits_since is None
        soonest = self.began_us + actions[self._next][0] if more else None
        timed_us = self._tick_us if self.engine.timed else None
        stale_us = min(self._stale_us.values()) if self._stale_us else None
        swept_us = self._swept_us + TICK_US if self.by_hand and self._sweeps else None
        for due_us in (self.judge.next_us(), self.seen.next_us(), timed_us, stale_us, swept_us):
            if due_us is not None and (soonest is None or due_us < soonest):
                soonest = due_us
        return soonest

    def due_us(self, now_us: int) -> int | None:
        """Return when `advance` has something to do: now, later, or None (not unless something is heard)."""
        return now_us if self._due_now else self.next_us()

    def advance(self, now_us: int) -> ToDo:
        """Go on to this moment, and return what the runner is to do."""
        todo = self.take_time(now_us)
        if self.began_us is not None:
            self.judge_now(now_us, todo, self.work_out(now_us))
        return todo

    def take_time(self, now_us: int) -> ToDo:
        """Do the first part of `advance`: take what is known at this moment, and the steps of the scenario."""
        todo = ToDo()
        if self.began_us is None:
            return todo
        self._due_now = False
        self._take(*self.seen.tick(now_us))
        self._forget_stale(now_us)
        self._sweep(now_us)
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
        return todo

    def work_out(self, now_us: int) -> list[str]:
        """Do the second part of `advance`: run the rules, which may take long. It does not use the bench's state."""
        assert self.began_us is not None
        changed = self.engine.step((now_us - self._rules_began_us) / 1e6)
        if self.engine.fresh:
            self._note_mistakes(now_us - self.began_us)
        return changed

    def judge_now(self, now_us: int, todo: ToDo, changed: Iterable[str]) -> None:
        """Do the third part of `advance`: add to `todo` what is to be sent, and judge what the boards show."""
        if self._again:
            changed, self._again = {*changed, *self._again}, set()
        self._want(changed, todo)
        todo.broken = self.judge.look(now_us, self.engine.inputs)
        for broken in todo.broken:
            self.failed.append(self._failed(broken))

    def _do(self, action: Action, now_us: int, todo: ToDo) -> None:
        if isinstance(action, Set):
            if action.name in self.by_hand:
                self._waiting[action.name] = action.number
                return
            self.from_source.discard(action.name)
            self.engine.set(action.name, action.number)
            todo.values[action.name] = self._written(action.name)
        elif isinstance(action, Expect):
            self.judge.add(action.expectation, now_us)
        else:
            todo.moves.append(action)

    def offer(self, values: Mapping[str, float | None], now_us: int) -> None:
        """Take values from another program; each becomes no data after its `max_age_s`."""
        for name, number in values.items():
            self._given(name, number)
            self.from_source.add(name)
            if self._ages.get(name):
                self._stale_us[name] = now_us + self._ages[name]
        self._due_now = True

    def _given(self, name: str, number: float | None) -> None:
        if name in self.by_hand:
            self._waiting[name] = number
            return
        self.engine.set(name, number)
        self._offered.add(name)

    def _forget_stale(self, now_us: int) -> None:
        if not self._stale_us:
            return
        for name in [name for name, until_us in self._stale_us.items() if until_us <= now_us]:
            del self._stale_us[name]
            self._given(name, None)

    # --- values by hand ---------------------------------------------------------------------------------------------

    def hold(self, name: str, number: float | None) -> None:
        """Hold a value at `number` (None: no data), limited to its range."""
        value = self._values[name]
        self._waiting.setdefault(name, self.engine.inputs.get(name))
        self.by_hand[name] = ByHand(None if number is None else min(max(number, value.low), value.high))
        self._work_by_hand(name, self.by_hand[name].number)

    def sweep(self, name: str, now_us: int) -> None:
        """Let a value go up and down its whole range, beginning where it is."""
        number = self.engine.inputs.get(name)
        self._waiting.setdefault(name, number)
        self.by_hand[name] = ByHand(self._values[name].low if number is None else number, now_us)
        self._sweep(now_us)

    def give_back(self, name: str, now_us: int) -> None:
        """Let a value follow the scenario or its source again."""
        if self.by_hand.pop(name, None) is not None:
            number = self._waiting.pop(name, None)
            if name in self.from_source and self._ages.get(name) and name not in self._stale_us:
                number = None  # it has become too old meanwhile
            self._work_by_hand(name, number)

    def step(self, name: str, by: int, size: float) -> None:
        """Hold a value `by` steps of `size` above where it is, at a whole multiple of `size` within its range."""
        number = self.engine.inputs.get(name)
        whole = round((self._values[name].low if number is None else number) / size + by)
        self.hold(name, float(f"{whole * size:.12g}"))

    def hold_or_give_back(self, name: str, now_us: int) -> None:
        """Hold a value where it is; let one that is held follow the scenario or its source again."""
        held = self.by_hand.get(name)
        if held is not None and held.sweeps_since_us is None:
            self.give_back(name, now_us)
        else:
            number = self.engine.inputs.get(name)
            self.hold(name, self._values[name].low if number is None else number)

    def _work_by_hand(self, name: str, number: float | None) -> None:
        self.seen.by_hand = bool(self.by_hand)
        self.engine.set(name, number)
        self._offered.add(name)
        self._due_now = True

    @property
    def _sweeps(self) -> bool:
        return any(each.sweeps_since_us is not None for each in self.by_hand.values())

    def _sweep(self, now_us: int) -> None:
        self._swept_us = now_us
        for name, each in self.by_hand.items():
            if each.sweeps_since_us is not None and each.number is not None:
                number = swept(self._values[name], each.number, now_us - each.sweeps_since_us)
                if number != self.engine.inputs.get(name):
                    self._work_by_hand(name, number)

    def written_values(self) -> dict[str, str]:
        """Return name → text of each value at this moment, such as when the scenario begins."""
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
            wants = f" says {or_blank(shown.text)}" if shown is not None else ""
            why = f" ({shown.why})" if shown is not None and shown.why else ""
            rules.append(f"{where}{wants}{why}" if where else f"{output} has no rule")
        return BrokenExpectation(
            broken,
            self.written_values(),
            {name: in_words(value) for name, value in controls.items()},
            tuple(dict.fromkeys(rules)),
            broken.at_us - (self.began_us or 0),
        )


def swept(value: Value, start: float, after_us: int) -> float:
    """Return a value `after_us` after a sweep began at `start`: up to its maximum, then down to its minimum."""
    span = value.high - value.low
    way = ((start - value.low) / span + after_us / SWEEP_US) % 2.0
    share = way if way <= 1 else 2 - way
    return float(f"{value.low + span * share:.6g}")


def in_words(value: Any) -> str:
    """Return what a rule gets for a control, as text."""
    if value is None:
        return "not known"
    return f"{value:g}" if isinstance(value, float) else str(value)
