"""Records one step of the hand: what came while it was asked, and what came a little late."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from benchcon.diagnosis.evidence import Change, Evidence, HandStep
from benchcon.diagnosis.layout import PanelIndex
from benchcon.walk import judge
from benchcon.walk.plan import Step

KEPT = 4000
"""Most changes, edges and readings kept of one step, so that a chattering contact does not fill the memory."""


class StepRecorder:
    """The record of the current step so far."""

    def __init__(self, now_us: int, values: Mapping[str, int]) -> None:
        self.began_us = now_us
        self.before = dict(values)
        self.settled = dict(values)
        self.changes: list[Change] = []
        self.edges: list[Change] = []
        self.readings: list[Change] = []
        self.invalid: dict[str, int] = {}
        self.ghosts: list[str] = []
        self.lit: list[str] = []

    def take(self, change: Change, how: str) -> None:
        """Record a change; `how` is as for `Walk.heard`."""
        if how == "skip":
            self.invalid[change.channel] = self.invalid.get(change.channel, 0) + max(0, change.value)
        elif how == "ghost":
            if change.channel not in self.ghosts:
                self.ghosts.append(change.channel)
        else:
            row = {"is": self.changes, "edge": self.edges, "raw": self.readings}[how]
            if len(row) < KEPT:
                row.append(change)

    def evidence(self, step: Step, outcome: str, now_us: int) -> HandStep:
        """Return the step as evidence."""
        return HandStep(
            do=step.do,
            parts=step.parts,
            to=step.to,
            outcome=outcome,
            began_us=self.began_us,
            ended_us=now_us,
            before=self.before,
            values=self.settled,
            changes=tuple(self.changes),
            edges=tuple(self.edges),
            readings=tuple(self.readings),
            invalid=self.invalid,
            ghosts=tuple(self.ghosts),
            lit=tuple(self.lit),
        )


class PreviousStep:
    """The previous step, as long as changes may still belong to it."""

    def __init__(self, layout: PanelIndex) -> None:
        self.layout = layout
        self.evidence: list[Evidence] = []
        """The list whose last entry is that step; empty once no change can belong to it any more."""
        self._until_us = 0

    def hold(self, evidence: list[Evidence], until_us: int) -> None:
        """Let changes until `until_us` be added to the last entry of `evidence`."""
        self.evidence, self._until_us = evidence, until_us

    def forget(self) -> None:
        """Let all changes from now on belong to the current step."""
        self.evidence = []

    def expire(self, now_us: int | None) -> None:
        """Forget the previous step if its time is over at `now_us`; None: in any case."""
        if now_us is None or now_us > self._until_us:
            self.forget()

    def belongs(self, change: Change, step: Step | None, now_us: int) -> bool:
        """Return whether `change` still belongs to the previous step; `step` is the current one."""
        self.expire(now_us)
        if not self.evidence:
            return False
        last = self.evidence[-1]
        assert isinstance(last, HandStep)
        if step is not None and step.parts == last.parts:
            own = change.channel in judge.own_channels(self.layout, step)
            # A quick tap ends while the press may still be amended: the release must not be taken for the press.
            return not (own and judge.springs_back(self.layout, Step("put", last.parts, last.to)))
        return True

    def amend(self, change: Change, how: str) -> None:
        """Add `change` to the previous step."""
        hand = self.evidence[-1]
        assert isinstance(hand, HandStep)
        self.evidence[-1] = _amended(self.layout, hand, change, how)


def _pressed_again(layout: PanelIndex, hand: HandStep, values: Mapping[str, int]) -> bool:
    """Return whether a released button is pressed once more, as by a hand that is not sure."""
    return (
        hand.do == "put"
        and hand.outcome == "seen"
        and len(hand.parts) == 1
        and layout.controls[hand.parts[0]].kind == "button"
        and hand.to == 0
        and not judge.reads(layout, hand.parts, 0, values)
    )


def _amended(layout: PanelIndex, hand: HandStep, change: Change, how: str) -> HandStep:
    """Return `hand` with a late change added."""
    if how == "is":
        values = {**hand.values, change.channel: change.value}
        if _pressed_again(layout, hand, values):
            return replace(hand, changes=(*hand.changes, change)[:KEPT])  # it is another press; this one was released
        outcome = hand.outcome
        if hand.do == "put" and outcome == "seen" and not judge.reads(layout, hand.parts, hand.to, values):
            outcome = "otherwise"
        return replace(hand, values=values, changes=(*hand.changes, change)[:KEPT], outcome=outcome)
    if how == "edge":
        return replace(hand, edges=(*hand.edges, change)[:KEPT])
    if how == "skip":
        return replace(
            hand,
            invalid={
                **hand.invalid,
                change.channel: hand.invalid.get(change.channel, 0) + change.value,
            },
        )
    return hand
