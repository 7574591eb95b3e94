"""How long the walk waits for what, in microseconds."""

from __future__ import annotations

from collections.abc import Mapping

from benchcon.diagnosis.layout import PanelIndex
from benchcon.walk import judge
from benchcon.walk.plan import Step

SETTLE_US = 25_000
"""How long the expected must have stood: late enough for a neighbour that is shorted to show, too short to be felt."""
PASS_US = 100_000
"""The same for a switch of more than two positions: on the way to another one a hand passes the one that is asked for,
or what looks like it on a panel that is wired wrong, in less (common practice, no source)."""
LATE_US = 200_000
"""Nobody reacts faster to a new prompt (reaction to sight takes about 0.2 s; common practice, no source)."""
HOLD_US = 400_000
"""How long several keys must have been held together."""
DONE_US = 60_000
"""Quiet that is waited for after the hand said that it is done."""
DONE_MOST_US = 300_000
KNOB_DONE_US = 150_000
"""The same for a knob, whose counts may still be on a slow line."""
KNOB_DONE_MOST_US = 1_500_000
ODD_US = 400_000
"""Something else than expected must stand this long to be taken for an answer: a brushed neighbour does not."""
NUDGE_US = 2_500_000
"""The same where only other switches moved: a nudged switch stays where it is."""
ON_THE_WAY_US = 1_200_000
"""The same where a switch of more than two positions stands at another of its own: a hand rests there, or has gone one
too far, and goes on (from watching people, no source)."""
RELEASE_US = 1_000_000
TURN_QUIET_US = 1_500_000
"""A turned knob at rest this long, having moved, has been turned."""
RIGHT_QUIET_US = 200_000
"""The same where it stands just where it should."""
REST_US = 1_000_000
STILL_US = 2_000_000
LISTEN_US = 6_000_000
"""How long is listened to contacts that moved by themselves: long enough for the mains to be felt (no source)."""


def patience(layout: PanelIndex, step: Step | None, before: Mapping[str, int], values: Mapping[str, int]) -> int:
    """How long something odd must stand, before it is taken for all that will come of `step`."""
    if step is None:
        return ODD_US
    if step.do == "put":
        if judge.only_nudged(layout, step, before, values):
            return NUDGE_US
        return ON_THE_WAY_US if judge.at_another_position(layout, step, before, values) else ODD_US
    return RIGHT_QUIET_US if judge.turned(layout, step, before, values) else TURN_QUIET_US


def quiet_after_done(step: Step | None) -> tuple[int, int]:
    """Quiet that is waited for after the hand said *done*, and how long at the most."""
    knob = step is not None and step.do in ("turn", "end")
    return (KNOB_DONE_US, KNOB_DONE_MOST_US) if knob else (DONE_US, DONE_MOST_US)


def stands(layout: PanelIndex, step: Step) -> int:
    """How long what `step` asked for must have stood before it is over."""
    if len(step.parts) > 1 and step.to:
        return HOLD_US
    many = step.do == "put" and any(len(layout.controls[name].codes) > 2 for name in step.parts)
    return PASS_US if many else SETTLE_US
