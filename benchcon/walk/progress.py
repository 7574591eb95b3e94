"""Where a walk stands in its plan, and what it has written down: groups, steps, evidence by group, the journal.

It knows nothing of how a single step comes to its end; that is the machine's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Any

from benchcon.diagnosis.evidence import Evidence, HandStep, LampLook
from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Panel
from benchcon.walk import judge
from benchcon.walk.chosen import boards_of
from benchcon.walk.journal import FinishedStep, line_of
from benchcon.walk.plan import Group, Step, fourth_of, plan, rectangles, steps

DOUBTED = 2
"""So many contacts that never made are pressed more often, as worn ones are; more than that have a cause in common."""
PRESSED_AGAIN = 2
"""So often a key is pressed again, alone, that did not make when it was held with others; more often shows no more."""
BOARDS = Group("all boards", "boards", ())
"""Not asked of anybody: where what happened to the boards is written down."""


class Progress:
    """The groups of one walk: which is at hand, which are done, and with what evidence."""

    def __init__(self, panel: Panel, only: Collection[str] = (), before: Iterable[FinishedStep] = ()) -> None:
        """`before`: groups done in an earlier part of the same walk; they are not asked again."""
        self.layout = PanelIndex.of(panel)
        self.done: dict[str, FinishedStep] = {each.group.name: each for each in before}
        """By group name, in the order in which they were done."""
        self.groups = plan(panel, only, list(self.done))
        self.again = False
        """The group at hand is asked once more, because something in it was odd."""
        self._more = False
        """It was asked a third time, or how often it comes."""
        self._pressed: Counter[str] = Counter()
        """How often controls of a matrix were pressed again because they did not make when they were held."""
        self.collected: list[Evidence] = []
        """Evidence of the group at hand."""
        self.note = ""
        self._group = -1
        self._steps: list[Step] = []
        self._step = 0
        self._began_us = 0
        self._fresh: list[FinishedStep | str] = []

    @property
    def group(self) -> Group | None:
        """The group at hand, None when the walk is over."""
        return self.groups[self._group] if 0 <= self._group < len(self.groups) else None

    @property
    def step(self) -> Step | None:
        """The step at hand."""
        return self._steps[self._step] if self.group and self._step < len(self._steps) else None

    @property
    def parts(self) -> tuple[int, int]:
        """How many controls, lamps and displays the plan has, and how many of them are not done yet."""
        names = [group.name for group in self.groups if group.kind in ("control", "lamp", "display")]
        return len(names), sum(name not in self.done for name in names)

    @property
    def evidence(self) -> list[Evidence]:
        """All evidence of what was asked so far, in the order in which it came; not what happened to the boards."""
        asked = [done for done in self.done.values() if done.group.kind != BOARDS.kind]
        return [e for done in asked for e in done.evidence] + list(self.collected)

    @property
    def proved_lamp(self) -> str:
        """A lamp that has passed; empty if there is none yet."""
        return next((d.group.name for d in self.done.values() if d.group.kind == "lamp" and _all_same(d.evidence)), "")

    @property
    def proved_button(self) -> str:
        """The push button that passed last; empty if there is none yet."""
        for done in reversed(self.done.values()):
            control = self.layout.controls.get(done.group.name)
            if control is not None and control.kind == "button" and done.how == "done" and self._has_passed(done):
                return control.name
        return ""

    def journal(self, held: list[Evidence]) -> list[dict[str, Any]]:
        """Return what is to be written down since the last call, one JSON object a line; `journal.resume` reads it.

        `held`: evidence to which something may still be added; the group that it belongs to waits.
        """
        ready, self._fresh = self._fresh, []
        if ready and self.group is not None and isinstance(ready[-1], FinishedStep) and ready[-1].evidence is held:
            self._fresh.append(ready.pop())
        return [line_of(each) for each in ready]

    # Going on -------------------------------------------------------------------------------------------------------

    def rewind(self) -> None:
        """Stand before the first group."""
        self._group = -1

    def next_group(self) -> bool:
        """Go to the next group that is not done; False: there is none. What is not wired yet is skipped."""
        self._group += 1
        while (group := self.group) is not None and (group.name in self.done or not self._is_wired(group)):
            if group.name not in self.done:
                self.done[group.name] = FinishedStep(group, [], "not wired")
                self._fresh.append(self.done[group.name])
            self._group += 1
        self.again = self._more = False
        if self.group is None:
            self.collected = []
        return self.group is not None

    def leave_boards(self, boards: Collection[str]) -> bool:
        """Leave what is on `boards` out of the group at hand; False: then no two parts would be left of it."""
        assert self.group is not None
        parts = tuple(name for name in self.group.parts if boards_of(self.layout.part(name)).isdisjoint(boards))
        if len(parts) > 1:
            self.groups[self._group] = replace(self.group, parts=parts)
        return len(parts) > 1

    def leave_out(self) -> None:
        """Take the group at hand, of which there is nothing to ask, out of the plan; the one before is at hand."""
        del self.groups[self._group]
        self._group -= 1

    def listen_to(self, parts: tuple[str, ...]) -> None:
        """Have the next group be one that listens to these controls while nobody touches the panel."""
        self.groups.insert(self._group + 1, Group("listen", "listen", parts))

    def look_at_pairs(self, lamps: tuple[str, ...]) -> bool:
        """The plan being done, have these lamps looked at two by two; False: there are none, or they have been."""
        if not lamps or any(group.kind == "pair" for group in self.groups) or "pairs" in self.done:
            return False
        self.groups.append(Group("pairs", "pair", lamps))
        self._group = len(self.groups) - 2
        return True

    @property
    def may_repeat(self) -> bool:
        """Whether the group at hand may be asked once more; what only prepares others need not be."""
        return self.group is not None and self.group.kind not in ("clear", "listen")

    @property
    def after_controls(self) -> bool:
        """Whether the group at hand is the last control's, and nothing has been listened to yet."""
        group, following = self.group, self.groups[self._group + 1 : self._group + 2]
        last = group is not None and group.kind == "control" and not any(g.kind == "control" for g in following)
        return last and not any(g.kind == "listen" for g in self.groups)

    def ask_more(self) -> bool:
        """Have the steps of the group at hand be those that decide what is in doubt, if anything is; only once."""
        if self.group is None or self._more:
            return False
        steps: list[Step] = []
        if self.group.kind == "control":
            silent = sum(judge.is_silent(self.layout, done.evidence) for done in self.done.values())
            steps = judge.in_doubt(self.layout, self.collected, silent < DOUBTED)
        elif self.group.kind == "matrix":
            passed = {name for name in self._passed() if self._pressed[name] < PRESSED_AGAIN}
            steps = judge.not_made_when_held(self.layout, self.collected, passed)
            self._pressed.update({name for step in steps for name in step.parts})
        elif self.group.kind == "display":
            steps = judge.display_in_doubt(self.layout, self.collected)
        if steps:
            self._more, self._steps, self._step = True, steps, 0
        return bool(steps)

    def begin_group(self, values: Mapping[str, int], now_us: int) -> None:
        """Stand at the first step of the group at hand, with the channels at `values`."""
        group = self.group
        assert group is not None
        if group.kind == "matrix" and not self.again:
            group = self.groups[self._group] = replace(group, parts=self._answering(group, values))
        if not self.again:
            self.collected = []
            self._began_us = now_us
        self._steps = steps(self.layout, group, values)
        self._step = 0

    def _answering(self, group: Group, values: Mapping[str, int]) -> tuple[str, ...]:
        """Three keys of the matrix that all answered when they were pressed alone: a dead one would show nothing.

        Nor would a ghost of a switch that stands made already.
        """
        passed = self._passed()
        matrix = group.name.split()[1]
        threes = list(rectangles(self.layout, matrix))
        if self.layout.diodes.get(matrix, True):
            # Every key is at the corner once: a dead one may have its diode the wrong way round.
            threes = [each for each in threes if each[1] == group.parts[1] and passed >= {each[0], each[2]}]
        else:
            threes = [each for each in threes if passed >= {*each}]
        free = [each for each in threes if not values.get(fourth_of(self.layout, each))]
        return (*free, *threes, group.parts)[0]

    def _passed(self) -> set[str]:
        return {name for name, done in self.done.items() if done.how == "done" and self._has_passed(done)}

    def _has_passed(self, done: FinishedStep) -> bool:
        return bool(done.evidence) and not judge.worth_repeating(self.layout, done.evidence)

    def lit(self, names: Collection[str]) -> bool:
        """Write down that these lamps or displays lit in the step before the one at hand; False: no hand was asked."""
        last = next((each for each in reversed(self.done.values()) if each.group.kind != BOARDS.kind), None)
        evidence = self.collected or (last.evidence if last is not None else [])
        about = self.group if self.collected else last.group if last is not None else None
        hand = evidence[-1] if evidence and about is not None and about.kind == "control" else None
        if not isinstance(hand, HandStep) or not hand.parts:
            return False
        evidence[-1] = replace(hand, lit=tuple(dict.fromkeys((*hand.lit, *names))))
        if evidence is not self.collected and last is not None and last not in self._fresh:
            self._fresh.append(last)
        return True

    def next_step(self) -> bool:
        """Go to the next step of the group; False: it was the last."""
        self._step += 1
        return self._step < len(self._steps)

    def back(self) -> bool:
        """Stand before the first step of the group before, and forget what it gave; False: there is none."""
        index = (self._group if self.group is not None else len(self.groups)) - 1
        while index >= 0 and self.groups[index].name in self.done and not self._is_wired(self.groups[index]):
            index -= 1
        if index < 0:
            return False
        name = self.groups[index].name
        if self.done.pop(name, None) is not None:
            self._fresh.append(name)
        self._group = index
        self.again = False
        return True

    def keep(self, how: str, now_us: int) -> None:
        """The group at hand is over: write down what it gave."""
        group = self.group
        assert group is not None
        done = FinishedStep(group, self.collected, how, self.note, max(0, now_us - self._began_us))
        self.done.pop(group.name, None)
        self.done[group.name] = done
        self._fresh.append(done)
        self.collected = []
        self.note = ""

    def happened_to(self, boards: list[Evidence]) -> None:
        """Write down what has happened to the boards in the course of the walk, instead of what stands there."""
        old = self.done.get(BOARDS.name)
        if boards != (old.evidence if old else []):
            self.done[BOARDS.name] = FinishedStep(BOARDS, boards, "done")
            self._fresh.insert(0, self.done[BOARDS.name])  # what was done last may have to wait in its place

    def _is_wired(self, group: Group) -> bool:
        return all(self.layout.part(name).wired for name in group.parts)


def _all_same(evidence: Iterable[Evidence]) -> bool:
    looks = [each for each in evidence if isinstance(each, LampLook)]
    return bool(looks) and all(look.answer == "same" for look in looks)
