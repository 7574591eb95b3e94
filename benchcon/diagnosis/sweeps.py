"""The travel of a potentiometer from end to end: whether it is logarithmic, has a dead spot, or is scratchy.

Nobody turns a knob evenly, so a single sweep proves nothing: what is due to the part recurs at the same place in the
other direction, and what is due to the hand does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import Any, NamedTuple

from benchcon.diagnosis.evidence import Change, HandStep
from benchcon.panel.model import Control

LATE = 0.68
"""Share of an upward sweep's time after which a logarithmic potentiometer reaches half; downwards it is the rest."""
LEAST_POINTS = 6
SPOT = 0.4
"""Largest share of a sweep's time for a dead spot; a scratchy potentiometer is disturbed for nearly all of it."""
BACK = 0.06
"""Share of the travel from which a reading that goes back is not noise of the converter."""
FAR = 4
"""How many times the usual step between readings a jump is."""


def judge(control: Control, hands: Sequence[HandStep], channel: str) -> tuple[str, dict[str, Any]] | None:
    """Return kind and detail of what is wrong with the travel, or None. `hands` are the sweeps to either end."""
    span = max(1, abs(control.high_count - control.low_count))
    rows = [_row(hand, channel) for hand in hands]
    rows = [row for row in rows if len(row) >= LEAST_POINTS and abs(row[-1].value - row[0].value) > 0.5 * span]
    up = [row for row in rows if row[-1].value > row[0].value]
    down = [row for row in rows if row[-1].value < row[0].value]
    if not up or not down:
        return None
    lost = [_disturbed(row, span) for row in rows]
    there = [each for each in lost if each is not None]
    if len(there) == len(lost):
        detail = {"low": min(each.low for each in there), "high": max(each.high for each in there)}
        if all(each.share < SPOT for each in there) and detail["high"] - detail["low"] < 0.5 * span:
            return "dead spot", detail
        return "scratchy", {"span": max(each.jump for each in there)}
    late = [_half_at(row) for row in up]
    early = [_half_at(row) for row in down]
    if (min(late) > LATE and max(early) < 1 - LATE) or (max(late) < 1 - LATE and min(early) > LATE):
        return "logarithmic", {}
    return None


def _row(hand: HandStep, channel: str) -> list[Change]:
    row = [change for change in hand.changes if change.channel == channel]
    start = hand.before.get(channel)
    return [Change(hand.began_us, channel, start), *row] if start is not None and row else row


def _half_at(row: Sequence[Change]) -> float:
    """Return the share of a sweep's time at which half of its travel is done, from first to last movement."""
    first, last = row[0].value, row[-1].value
    way = last - first
    moving = [n for n in range(1, len(row)) if abs(row[n].value - first) > 0.01 * abs(way)]
    begin = row[1].at_us if moving else row[0].at_us
    end = next(change.at_us for change in row if abs(change.value - first) >= 0.97 * abs(way))
    half = next(change.at_us for change in row if abs(change.value - first) >= 0.5 * abs(way))
    return (half - begin) / max(1, end - begin)


class _Disturbed(NamedTuple):
    share: float
    """Share of the sweep's time from the first jump back to the last."""
    low: int
    high: int
    """With `low`, the good readings before and after."""
    jump: int


def _disturbed(row: Sequence[Change], span: int) -> _Disturbed | None:
    """Return where the readings of a sweep went back, or None if they did not."""
    sign = 1 if row[-1].value > row[0].value else -1
    values = [sign * change.value for change in row]
    moves = [after - before for before, after in pairwise(values)]
    if min(moves) >= -BACK * span:
        return None
    far = max(BACK * span, FAR * median(map(abs, moves)))
    jumps = [n for n, move in enumerate(moves) if abs(move) > far or move < -BACK * span]
    first, last = jumps[0], jumps[-1] + 1
    low, high = sorted((abs(values[first]), abs(values[last])))
    share = (row[last].at_us - row[first].at_us) / max(1, row[-1].at_us - row[1].at_us)
    return _Disturbed(share, low, high, max(abs(a - b) for a, b in pairwise(values[first : last + 1])))
