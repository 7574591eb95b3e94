"""Taking down one step: what came while it was asked, and what came a little late."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from benchcon.diagnosis.evidence import Change, Evidence, HandStep
from benchcon.diagnosis.layout import PanelIndex
from benchcon.walk import judge
from benchcon.walk.plan import Step

KEPT = 4000
"""Most changes, edges and readings kept of one step: a contact in a storm does not fill the memory."""


class Taking:
    """What one step of the hand has given so far."""

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
        """Write down one thing heard; `how` as in `Walk.heard`."""
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


class Late:
    """The step before the one at hand, while what comes may still belong to it."""

    def __init__(self, layout: PanelIndex) -> None:
        self.layout = layout
        self.evidence: list[Evidence] = []
        """The list whose last entry is that step; empty: nothing is late any more."""
        self._until_us = 0

    def hold(self, evidence: list[Evidence], until_us: int) -> None:
        """What comes until `until_us` may be added to the last of `evidence`."""
        self.evidence, self._until_us = evidence, until_us

    def forget(self) -> None:
        """Whatever comes now belongs to the step at hand."""
        self.evidence = []

    def expire(self, now_us: int | None) -> None:
        """Nothing is late any more at `now_us`, if it is as late as that; None: at once."""
        if now_us is None or now_us > self._until_us:
            self.forget()

    def belongs(self, change: Change, step: Step | None, now_us: int) -> bool:
        """Whether `change` still belongs to the step before; `step` is the one at hand."""
        self.expire(now_us)
        if not self.evidence:
            return False
        last = self.evidence[-1]
        assert isinstance(last, HandStep)
        if step is not None and step.parts == last.parts:
            own = change.channel in judge.own_channels(self.layout, step)
            # A quick tap is over before the evidence of the press is late: it must not be taken for the press.
            return not (own and judge.springs_back(self.layout, Step("put", last.parts, last.to)))
        return True

    def amend(self, change: Change, how: str) -> None:
        """Add `change` to the step before."""
        hand = self.evidence[-1]
        assert isinstance(hand, HandStep)
        self.evidence[-1] = _amended(self.layout, hand, change, how)


def _pressed_again(layout: PanelIndex, hand: HandStep, values: Mapping[str, int]) -> bool:
    """Whether a button that was released, and read so, is pressed once more: a hand that is not sure does that."""
    return (
        hand.do == "put"
        and hand.outcome == "seen"
        and len(hand.parts) == 1
        and layout.controls[hand.parts[0]].kind == "button"
        and hand.to == 0
        and not judge.reads(layout, hand.parts, 0, values)
    )


def _amended(layout: PanelIndex, hand: HandStep, change: Change, how: str) -> HandStep:
    """Return `hand` with something that came late."""
    if how == "is":
        values = {**hand.values, change.channel: change.value}
        if _pressed_again(layout, hand, values):
            return replace(hand, changes=(*hand.changes, change)[:KEPT])  # another press; this one was released
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
