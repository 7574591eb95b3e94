"""How far a walk has come in its plan, and what it has recorded: groups, steps, evidence by group, the journal.

How a single step ends is decided by the machine.
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
"""Most contacts that never made and are asked for more often as worn ones; more than these have a common cause."""
PRESSED_AGAIN = 2
"""How often a key that did not make when held with others is pressed again alone; more presses would show no more."""
BOARDS = Group("all boards", "boards", ())
"""A group that asks nothing, and holds what happened to the boards."""


class Progress:
    """The groups of one walk: the current one, those that are done, and their evidence."""

    def __init__(self, panel: Panel, only: Collection[str] = (), before: Iterable[FinishedStep] = ()) -> None:
        """`before` are groups done in an earlier part of the same walk, which are not asked again."""
        self.layout = PanelIndex.of(panel)
        self.done: dict[str, FinishedStep] = {each.group.name: each for each in before}
        """Finished groups by name, in the order in which they were done."""
        self.groups = plan(panel, only, list(self.done))
        self.again = False
        """The current group is asked once more, because something in it was odd."""
        self._more = False
        """The current group was asked a third time, or asked how often its contact makes."""
        self._pressed: Counter[str] = Counter()
        """For each control how often it was pressed again because it did not make when held with others."""
        self.collected: list[Evidence] = []
        """Evidence of the current group."""
        self.note = ""
        self._group = -1
        self._steps: list[Step] = []
        self._step = 0
        self._began_us = 0
        self._fresh: list[FinishedStep | str] = []

    @property
    def group(self) -> Group | None:
        """The current group; None when the walk is over."""
        return self.groups[self._group] if 0 <= self._group < len(self.groups) else None

    @property
    def step(self) -> Step | None:
        """The current step; None when the walk is over."""
        return self._steps[self._step] if self.group and self._step < len(self._steps) else None

    @property
    def parts(self) -> tuple[int, int]:
        """Number of controls, lamps and displays in the plan, and how many of them are not done yet."""
        names = [group.name for group in self.groups if group.is_part]
        return len(names), sum(name not in self.done for name in names)

    @property
    def evidence(self) -> list[Evidence]:
        """All evidence of what was asked so far, in order, without what happened to the boards."""
        asked = [done for done in self.done.values() if done.group.kind != BOARDS.kind]
        return [e for done in asked for e in done.evidence] + list(self.collected)

    @property
    def proved_lamp(self) -> str:
        """Name of a lamp that has passed; empty if there is none yet."""
        return next((d.group.name for d in self.done.values() if d.group.kind == "lamp" and _all_same(d.evidence)), "")

    @property
    def proved_button(self) -> str:
        """Name of the push button that passed last; empty if there is none yet."""
        for done in reversed(self.done.values()):
            control = self.layout.controls.get(done.group.name)
            if control is not None and control.kind == "button" and done.how == "done" and self._has_passed(done):
                return control.name
        return ""

    def journal(self, held: list[Evidence]) -> list[dict[str, Any]]:
        """Return the journal lines since the last call, as JSON objects; `journal.resume` reads them.

        `held` is evidence to which something may still be added; its group is held back.
        """
        ready, self._fresh = self._fresh, []
        if ready and self.group is not None and isinstance(ready[-1], FinishedStep) and ready[-1].evidence is held:
            self._fresh.append(ready.pop())
        return [line_of(each) for each in ready]

    # Going on -------------------------------------------------------------------------------------------------------

    def rewind(self) -> None:
        """Go back to before the first group."""
        self._group = -1

    def next_group(self) -> bool:
        """Go to the next group that is not done, past those not wired yet; return False if there is none."""
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
        """Leave the parts on `boards` out of the current group; return False if fewer than two parts would be left."""
        assert self.group is not None
        parts = tuple(name for name in self.group.parts if boards_of(self.layout.part(name)).isdisjoint(boards))
        if len(parts) > 1:
            self.groups[self._group] = replace(self.group, parts=parts)
        return len(parts) > 1

    def leave_out(self) -> None:
        """Take the current group, which has nothing to ask, out of the plan; the previous one becomes current."""
        del self.groups[self._group]
        self._group -= 1

    def listen_to(self, parts: tuple[str, ...]) -> None:
        """Insert a group that listens to the controls `parts` while nobody touches the panel, as the next one."""
        self.groups.insert(self._group + 1, Group("listen", "listen", parts))

    def look_at_pairs(self, lamps: tuple[str, ...]) -> bool:
        """Add looks at pairs of these lamps to a finished plan; return False if there are none, or it has them."""
        if not lamps or any(group.kind == "pair" for group in self.groups) or "pairs" in self.done:
            return False
        self.groups.append(Group("pairs", "pair", lamps))
        self._group = len(self.groups) - 2
        return True

    @property
    def may_repeat(self) -> bool:
        """Return whether the current group may be asked once more; those that only prepare others may not."""
        return self.group is not None and self.group.kind not in ("clear", "listen")

    @property
    def after_controls(self) -> bool:
        """Return whether the current group is the last control's, and there was no listening yet."""
        group, following = self.group, self.groups[self._group + 1 : self._group + 2]
        last = group is not None and group.kind == "control" and not any(g.kind == "control" for g in following)
        return last and not any(g.kind == "listen" for g in self.groups)

    def ask_more(self) -> bool:
        """Replace the current group's steps by those that decide what is in doubt; return whether there are any.

        This is done once for each group.
        """
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
        """Go to the first step of the current group, which begins with the channels at `values`."""
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
        """Return three keys of the matrix that all made when pressed alone, as a dead one would show nothing.

        Neither would the ghost at a switch that is made already.
        """
        passed = self._passed()
        matrix = group.name.split()[1]
        threes = list(rectangles(self.layout, matrix))
        if self.layout.diodes.get(matrix, True):
            # Every key is the corner once: a dead one may have its diode reversed.
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
        """Record that these outputs lit in the previous step; return False if it asked nothing of the hand."""
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
        """Go to the next step of the group; return False if the current one was the last."""
        self._step += 1
        return self._step < len(self._steps)

    def back(self) -> bool:
        """Go to the beginning of the previous group and discard its evidence; return False if there is none."""
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
        """Record the current group as finished, with `how` it ended."""
        group = self.group
        assert group is not None
        done = FinishedStep(group, self.collected, how, self.note, max(0, now_us - self._began_us))
        self.done.pop(group.name, None)
        self.done[group.name] = done
        self._fresh.append(done)
        self.collected = []
        self.note = ""

    def happened_to(self, boards: list[Evidence]) -> None:
        """Record what has happened to the boards during the walk, in place of what was recorded before."""
        old = self.done.get(BOARDS.name)
        if boards != (old.evidence if old else []):
            self.done[BOARDS.name] = FinishedStep(BOARDS, boards, "done")
            self._fresh.insert(0, self.done[BOARDS.name])  # in front, as the group done last may be held back

    def _is_wired(self, group: Group) -> bool:
        return all(self.layout.part(name).wired for name in group.parts)


def _all_same(evidence: Iterable[Evidence]) -> bool:
    looks = [each for each in evidence if isinstance(each, LampLook)]
    return bool(looks) and all(look.answer == "same" for look in looks)
