"""The state of a rehearsal at one moment, for a screen: values, what follows from them, what was expected. Pure.

A picture is made on the thread that plays, and never changed, so a screen needs no lock and never waits for a rule.
"""

from __future__ import annotations

from typing import NamedTuple

from benchcon.rehearse.expect import Expectation, ExpectationStage
from benchcon.rehearse.rehearsal import BrokenExpectation, Rehearsal
from benchcon.text import printable


class ValueNow(NamedTuple):
    """A value, its range, and where it comes from."""

    name: str
    label: str
    unit: str
    low: float
    high: float
    number: float | None
    """Its present number, in its unit; None: no data."""
    cause: str
    """Where it comes from: ``scenario``, ``held``, ``sweep`` or ``source``."""


class OutputNow(NamedTuple):
    """A lamp or display: what its rule says and what the board shows."""

    name: str
    label: str
    says: str
    """What its rule says: ``on``, ``40 %``, ``1013.2``; empty if it has none."""
    shows: str
    differs: bool
    why: str
    """``no data: wind_speed is not known``, ``overflow``, or what is wrong with the rule; empty if all is well."""
    wrong: bool
    """Whether the rule went wrong."""
    where: str
    """Its rule: ``rules.py:12 crosswind``; empty if it has none."""


class ExpectedNow(NamedTuple):
    """An expectation and its state."""

    name: str
    line: int
    how: str
    """``met``, ``not met``, ``to come``, ``never due`` (the scenario is over), or ``not judged``."""
    now: bool
    """Whether it is being judged at this moment."""
    times: int
    """How often it was due."""
    why: str
    """Why it was not judged; empty if it was."""
    broken: BrokenExpectation | None
    """The last time it was broken; None if it never was."""


class Picture(NamedTuple):
    """A rehearsal at one moment."""

    after_us: int
    """The scenario's own time, since its beginning."""
    lasts_us: int
    state: str
    """``playing``, ``held up``, ``paused`` (a walk uses the bench) or ``over``; empty: there is no scenario."""
    hands_off: bool
    """Whether the user has taken over the controls, so that nothing is expected any more."""
    values: tuple[ValueNow, ...]
    outputs: tuple[OutputNow, ...]
    expected: tuple[ExpectedNow, ...]
    mistakes: tuple[str, ...]
    """What is wrong with the rules, with file and line: first a saved file that was refused, then rules that go wrong.
    """

    def output(self, name: str) -> OutputNow | None:
        """Return the lamp or display called `name`, or None."""
        return next((each for each in self.outputs if each.name == name), None)


def picture_of(
    rehearsal: Rehearsal,
    now_us: int,
    *,
    hands_off: bool = False,
    paused: bool = False,
    refused: str = "",
    before: Picture | None = None,
) -> Picture:
    """Return the present state of `rehearsal`.

    `refused`: why the rules file in its present form was refused; empty if it was not. `before`: the last picture; a
    value that a rule says only since then is still on its way to the board, and does not count as a difference.
    """
    scenario = rehearsal.scenario
    began_us = rehearsal.began_us if rehearsal.began_us is not None else now_us
    if not scenario.actions:
        state = ""
    elif rehearsal.is_over(now_us):
        state = "over"
    else:
        state = "paused" if paused else "held up" if rehearsal.waits else "playing"
    return Picture(
        min(max((rehearsal.waits_since_us or now_us) - began_us, 0), scenario.lasts_us),
        scenario.lasts_us,
        state,
        hands_off,
        tuple(_values(rehearsal)),
        tuple(_outputs(rehearsal, before)),
        tuple(_expected(rehearsal, each, state == "over") for each in scenario.checks),
        ((refused,) if refused else ()) + tuple(mistake.text for mistake in rehearsal.engine.mistakes.values()),
    )


def _values(rehearsal: Rehearsal) -> list[ValueNow]:
    found = []
    for value in rehearsal.scenario.behaviour.values:
        held = rehearsal.by_hand.get(value.name)
        if held is not None:
            cause = "held" if held.sweeps_since_us is None else "sweep"
        else:
            cause = "source" if value.name in rehearsal.from_source else "scenario"
        number = rehearsal.engine.inputs.get(value.name)
        found.append(ValueNow(value.name, printable(value.label), value.unit, value.low, value.high, number, cause))
    return found


def _outputs(rehearsal: Rehearsal, before: Picture | None) -> list[OutputNow]:
    engine, seen = rehearsal.engine, rehearsal.seen
    wrong = {name for rule in engine.rules.rules if rule.name in engine.mistakes for name in rule.drives}
    found = []
    for name in seen.output_names:
        shown = engine.shown.get(name)
        says, why = ("", "") if shown is None else (shown.text, shown.why)
        earlier = before.output(name) if before is not None else None
        fresh = earlier is not None and earlier.says != printable(says)
        differs = shown is not None and not fresh and not seen.shows_as(name, shown.value)
        found.append(
            OutputNow(
                name,
                seen.label_of(name),
                printable(says),
                seen.in_words(name),
                differs,
                why,
                name in wrong,
                engine.where(name),
            )
        )
    return found


def _expected(rehearsal: Rehearsal, expectation: Expectation, over: bool) -> ExpectedNow:
    judge = rehearsal.judge
    broken = next((each for each in reversed(rehearsal.failed) if each.broken.expectation is expectation), None)
    times = judge.due.get(expectation, 0)
    stand = judge.stand(expectation)
    why = judge.held.get(expectation, "")
    if judge.stopped and not times:
        why = why or "the controls are yours now"
    without = "not judged" if why else "never due" if over else "to come"
    how = "not met" if broken else "met" if times else without
    looked_at = stand in (ExpectationStage.KEPT, ExpectationStage.BROKEN)
    name = printable(expectation.name)
    return ExpectedNow(name, expectation.line, how, looked_at, times, why, broken)
