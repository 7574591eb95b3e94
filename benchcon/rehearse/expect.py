"""Expectations, and whether what the boards show meets them. Pure: times are arguments.

An expectation with conditions is due when all of them have been true for `within_us` without a break; from then on, for
as long as they are true, the outputs must show what it expects. One without a condition is always due. One of a step is
checked once, `within_us` after the step.

| state | its conditions are true | shown as expected | becomes |
|---|---|---|---|
| idle | begin to hold | – | waiting |
| waiting | for `within_us` | yes / no | kept / broken, reported |
| waiting, kept, broken | no longer hold | – | idle |
| kept | go on holding | no | broken, reported |
| broken | go on holding | yes | kept |

While an expectation cannot be judged (a board that it concerns is dark, silent or lost, or was just connected or reset,
or somebody else has set an output that it concerns) it is held: the rules are not to blame then. Afterwards its
conditions start over; one of a step is not checked again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, NamedTuple, Protocol

from benchcon.panel.lightness import ON

LEVEL_PERMILLE = 10
"""How far, in permille, a lamp's lightness may be from what is expected, since trims round it."""
WRONG_RULE = "its rule went wrong"
"""Why an expectation is not judged: its outputs do not show what a rule says, even if they happen to look right."""


class WantedOutput(NamedTuple):
    """What one output is to show."""

    output: str
    words: str
    """As in the scenario: ``on`` (at any level), ``off``, ``40 %``, ``29.92``."""
    level: int | None = None
    """A lamp's lightness in permille; None: `words` says on or off."""
    segments: bytes | None = None
    """A display's segments; None for a lamp."""


class Clause(NamedTuple):
    """One condition that must be true for an expectation to be due."""

    name: str
    words: str
    holds: Callable[[Any], bool]


@dataclass(frozen=True, slots=True, eq=False)
class Expectation:
    """One expectation of a scenario: what is expected, and when."""

    name: str
    line: int
    wanted: tuple[WantedOutput, ...] = ()
    dark: tuple[str, ...] = ()
    """Boards on which nothing must be lit."""
    conditions: tuple[Clause, ...] = ()
    within_us: int = 0
    at_us: int | None = None
    """The time of its step; None: it is due whenever its conditions are true."""
    label: str = ""
    """What is expected, in the panel's labels, for a user at the panel; empty: use `name`."""


class Broken(NamedTuple):
    """An expectation that was not met."""

    at_us: int
    expectation: Expectation
    outputs: tuple[str, ...]
    """The outputs that show something else."""
    found: str
    """What they show, with the names of the files: ``crosswind off``."""
    message: str = ""
    """What is shown and what was expected, in the panel's labels, for a user at the panel."""


class OutputsShown(Protocol):
    """What the boards show, as a `Judge` asks for it."""

    def shows(self, output: str) -> int | bytes | None:
        """Return a lamp's lightness in permille, or a display's segments, as really shown; None: not known."""

    def in_words(self, output: str) -> str:
        """Return what an output shows, in words."""

    def label_of(self, output: str) -> str:
        """Return an output's label on the panel."""

    def lit_on(self, board: str) -> Sequence[str]:
        """Return the outputs of a board that are lit."""

    def why_not(self, expectation: Expectation) -> str:
        """Return why an expectation cannot be judged now, ``a board was dark, reset or lost``; empty if it can."""

    def rule_went_wrong(self, expectation: Expectation) -> bool:
        """Return whether the rule of an output that it concerns went wrong when it was last called."""


class ExpectationStage(Enum):
    """The state of an expectation; see the table above."""

    IDLE = "idle"
    WAITING = "waiting"
    KEPT = "kept"
    BROKEN = "broken"


class Judge:
    """Judges all expectations of a scenario. Call `look` whenever anything has changed, and at `next_us`."""

    def __init__(self, expectations: Sequence[Expectation], outputs: OutputsShown) -> None:
        self.outputs = outputs
        self.broken: list[Broken] = []
        self.due: dict[Expectation, int] = dict.fromkeys(expectations, 0)
        """How often each expectation was due; one that never was has not been tested."""
        self.held: dict[Expectation, str] = {}
        """Expectations that were held when they were due, or about to be → why."""
        self.stopped = False
        self._stand = dict.fromkeys(expectations, ExpectationStage.IDLE)
        self._due_us: dict[Expectation, int] = {}

    def add(self, expectation: Expectation, now_us: int) -> None:
        """Add the expectation of a step, to be checked once."""
        if self.stopped:
            return
        self.due.setdefault(expectation, 0)
        self._stand[expectation] = ExpectationStage.WAITING
        self._due_us[expectation] = now_us + expectation.within_us

    def start_over(self) -> None:
        """Begin again with all expectations that are not of a step; what was found before is kept."""
        self._due_us.clear()
        self._stand = {each: ExpectationStage.IDLE for each in self.due if each.at_us is None}
        self.stopped = False

    def stop(self) -> None:
        """Expect nothing any more, since somebody else has taken over."""
        self._stand.clear()
        self._due_us.clear()
        self.stopped = True

    def stand(self, expectation: Expectation) -> ExpectationStage | None:
        """Return the present state of an expectation; None if it is not, or no longer, judged."""
        return self._stand.get(expectation)

    def next_us(self) -> int | None:
        """Return when the next expectation becomes due, or None."""
        return None if not self._due_us else min(self._due_us.values(), default=None)

    def look(self, now_us: int, inputs: Mapping[str, Any]) -> list[Broken]:
        """Judge all expectations at this moment; return those newly broken. `inputs`: as of `Engine`."""
        fresh: list[Broken] = []
        for expectation, stand in list(self._stand.items()):
            once = expectation.at_us is not None
            holds = once or all(c.holds(inputs.get(c.name)) for c in expectation.conditions)
            if once and now_us < self._due_us[expectation]:
                continue
            held = self.outputs.why_not(expectation) if holds else ""
            if held and stand is not ExpectationStage.IDLE:
                self.held.setdefault(expectation, held)
            if held and once:
                del self._stand[expectation], self._due_us[expectation]
                continue
            if held or not holds:
                if stand is not ExpectationStage.IDLE:
                    self._stand[expectation] = ExpectationStage.IDLE
                    self._due_us.pop(expectation, None)
                continue
            if stand is ExpectationStage.IDLE:
                stand = self._stand[expectation] = ExpectationStage.WAITING
                self._due_us[expectation] = now_us + expectation.within_us
            if stand is ExpectationStage.WAITING:
                if now_us < self._due_us[expectation]:
                    continue
                del self._due_us[expectation]
                self.due[expectation] += 1
            outputs = self._wrong(expectation)
            if not outputs and self.outputs.rule_went_wrong(expectation):
                self.held[expectation] = WRONG_RULE
            if once:
                del self._stand[expectation]
            else:
                self._stand[expectation] = ExpectationStage.BROKEN if outputs else ExpectationStage.KEPT
            if outputs and stand is not ExpectationStage.BROKEN:
                words = {output: self.outputs.in_words(output) for output in outputs}
                found = ", ".join(f"{output} {shows}" for output, shows in words.items())
                text = ", ".join(f"{self.outputs.label_of(output)} is {shows}" for output, shows in words.items())
                text += f"; expected: {expectation.label or expectation.name}"
                fresh.append(Broken(now_us, expectation, tuple(outputs), found, text))
        self.broken += fresh
        return fresh

    def _wrong(self, expectation: Expectation) -> list[str]:
        wrong = [wanted.output for wanted in expectation.wanted if not self._as_wanted(wanted)]
        for board in expectation.dark:
            wrong += [output for output in self.outputs.lit_on(board) if output not in wrong]
        return wrong

    def _as_wanted(self, wanted: WantedOutput) -> bool:
        shows = self.outputs.shows(wanted.output)
        if isinstance(shows, bytes):
            return shows == wanted.segments
        if shows is None:
            return False
        if wanted.level is not None:
            return abs(shows - wanted.level) <= LEVEL_PERMILLE
        return (shows > 0) == (wanted.words == ON)
