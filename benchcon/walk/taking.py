"""Taking down one step: what came while it was asked, and what came a little late."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from benchcon.walk import judge
from benchcon.walk.evidence import Change, Hand
from benchcon.walk.layout import Layout
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
        self.skips: dict[str, int] = {}
        self.ghosts: list[str] = []

    def take(self, change: Change, how: str) -> None:
        """Write down one thing heard; `how` as in `Walk.heard`."""
        if how == "skip":
            self.skips[change.channel] = self.skips.get(change.channel, 0) + max(0, change.value)
        elif how == "ghost":
            if change.channel not in self.ghosts:
                self.ghosts.append(change.channel)
        else:
            row = {"is": self.changes, "edge": self.edges, "raw": self.readings}[how]
            if len(row) < KEPT:
                row.append(change)

    def evidence(self, step: Step, outcome: str, now_us: int) -> Hand:
        """Return the step as evidence."""
        return Hand(
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
            skips=self.skips,
            ghosts=tuple(self.ghosts),
        )


def amended(layout: Layout, hand: Hand, change: Change, how: str) -> Hand:
    """Return `hand` with something that came late."""
    if how == "is":
        values = {**hand.values, change.channel: change.value}
        outcome = hand.outcome
        if hand.do == "put" and outcome == "seen" and not judge.reads(layout, hand.parts, hand.to, values):
            outcome = "otherwise"
        return replace(hand, values=values, changes=(*hand.changes, change)[:KEPT], outcome=outcome)
    if how == "edge":
        return replace(hand, edges=(*hand.edges, change)[:KEPT])
    if how == "skip":
        return replace(hand, skips={**hand.skips, change.channel: hand.skips.get(change.channel, 0) + change.value})
    return hand
