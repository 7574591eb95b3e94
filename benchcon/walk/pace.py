"""The walk's waiting times, in microseconds."""

from __future__ import annotations

from collections.abc import Mapping

from benchcon.diagnosis.layout import PanelIndex
from benchcon.walk import judge
from benchcon.walk.plan import Step

SETTLE_US = 25_000
"""How long what was asked for must last: long enough for a shorted neighbour to show, too short to be noticed."""
PASS_US = 100_000
"""The same for a switch of more than two positions. A hand that passes the position asked for (or, on a panel that is
wired wrong, what looks like it) on its way to another takes less (common practice, no source)."""
LATE_US = 200_000
"""The fastest reaction of a person to a new prompt (about 0.2 s to something seen; common practice, no source)."""
HOLD_US = 400_000
"""How long several keys must have been held together."""
DONE_US = 60_000
"""How long nothing must change after the hand said that it is done."""
DONE_MOST_US = 300_000
KNOB_DONE_US = 150_000
"""The same for a knob, whose counts may still be on their way over a slow line."""
KNOB_DONE_MOST_US = 1_500_000
ODD_US = 400_000
"""How long something that was not asked for must last to be taken for the result; a brushed neighbour does not."""
NUDGE_US = 2_500_000
"""The same if only other switches moved: a nudged switch stays where it is."""
ON_THE_WAY_US = 1_200_000
"""The same if a switch of more than two positions is at another one: a hand rests there, or has gone one too far, and
goes on (from watching people, no source)."""
RELEASE_US = 1_000_000
TURN_QUIET_US = 1_500_000
"""A knob that has moved and then been at rest this long counts as turned."""
RIGHT_QUIET_US = 200_000
"""The same for a knob that is exactly where it should be."""
REST_US = 1_000_000
STILL_US = 2_000_000
LISTEN_US = 6_000_000
"""How long contacts that moved by themselves are listened to: long enough for mains hum to show (no source)."""


def patience(layout: PanelIndex, step: Step | None, before: Mapping[str, int], values: Mapping[str, int]) -> int:
    """Return how many µs something that was not asked for must last before it is taken for the result of `step`."""
    if step is None:
        return ODD_US
    if step.do == "put":
        if judge.only_nudged(layout, step, before, values):
            return NUDGE_US
        return ON_THE_WAY_US if judge.at_another_position(layout, step, before, values) else ODD_US
    return RIGHT_QUIET_US if judge.turned(layout, step, before, values) else TURN_QUIET_US


def quiet_after_done(step: Step | None) -> tuple[int, int]:
    """Return how many µs nothing must change after the hand said *done*, and how long to wait for that at most."""
    knob = step is not None and step.do in ("turn", "end")
    return (KNOB_DONE_US, KNOB_DONE_MOST_US) if knob else (DONE_US, DONE_MOST_US)


def stands(layout: PanelIndex, step: Step) -> int:
    """Return how many µs what `step` asked for must last before the step is over."""
    if len(step.parts) > 1 and step.to:
        return HOLD_US
    many = step.do == "put" and any(len(layout.controls[name].codes) > 2 for name in step.parts)
    return PASS_US if many else SETTLE_US
