"""How an encoder counts, from its raw edges: invalid transitions, skipped and doubled detents, fastest clean speed.

The two contacts go through the Gray code 00 01 11 10 (any encoder's data sheet), so a step changes one of them. When
both change at once, a step was missed, and its direction is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from benchcon.timing.raw import Sample

PLACE = {0b00: 0, 0b10: 1, 0b11: 2, 0b01: 3}
"""Levels A·2+B → place in the cycle when turning right: A leads B, 0 2 3 1 (line protocol, section 6)."""
REST_US = 60_000
"""A knob that has not moved for this long rests in a detent (common practice, no source)."""
BOUNCE_US = 2_000
"""A step back within this time of the step is the contact's bounce, not the hand."""
DOUBLE_US = 5_000
"""No hand turns from one detent to the next in less time (common practice, no source)."""


@dataclass(slots=True)
class Turning:
    """The figures of one encoder."""

    steps: int = 0
    """How many single steps there were, bounces included."""
    invalid: int = 0
    """How many transitions changed both contacts."""
    bounces: int = 0
    """How many steps went back within `BOUNCE_US`."""
    detents: int = 0
    """How many whole detents it was turned, either way."""
    skipped: int = 0
    """How many turns ended between two detents, so that counts were lost or added."""
    doubled: int = 0
    """How many detents followed the one before faster than a hand can turn."""
    fastest_clean: float = 0.0
    """Greatest speed over one detent without an invalid transition, in detents per second."""
    slowest_faulty: float = 0.0
    """Least speed at which there was an invalid transition; 0: there was none."""


def turning_of(edges: Sequence[Sample], detent_counts: int) -> Turning:
    """Return the figures of an encoder with this many counts per detent, from its edges, in order."""
    found = Turning()
    run: list[Sample] = []
    from_rest = False
    for sample in edges:
        if sample.value not in PLACE:
            continue
        if run and (sample.fresh or sample.clock_us - run[-1].clock_us > REST_US):
            _close(run, detent_counts, found, whole=from_rest and not sample.fresh)
            # The level at rest is where the next turn begins.
            run, from_rest = ([], False) if sample.fresh else ([run[-1]], True)
        run.append(sample)
    if len(run) > 1:
        _close(run, detent_counts, found, whole=from_rest)
    return found


def _close(run: list[Sample], detent: int, found: Turning, *, whole: bool) -> None:
    position = 0
    last_step, last_us = 0, 0
    reached: dict[int, int] = {0: run[0].clock_us}
    detents: list[int] = []
    faulty_at: list[int] = []
    for before, after in pairwise(run):
        step = (PLACE[after.value] - PLACE[before.value] + 1) % 4 - 1
        if step == 2:
            found.invalid += 1
            faulty_at.append(after.clock_us)
            # The direction is not known, but probably the same as before.
            position += 2 * (last_step or 1)
            continue
        if step == 0:
            continue
        found.steps += 1
        if step == -last_step and after.clock_us - last_us <= BOUNCE_US:
            found.bounces += 1
        last_step, last_us = step, after.clock_us
        position += step
        whole_detents = int(position / detent)
        if position % detent == 0 and whole_detents not in reached:
            reached[whole_detents] = after.clock_us
            detents.append(after.clock_us)
    found.detents += round(abs(position) / detent)
    if whole and position % detent:
        found.skipped += 1
    for one, other in pairwise(detents):
        if other - one < DOUBLE_US:
            found.doubled += 1
        speed = 1e6 / max(other - one, 1)
        if any(one <= at <= other for at in faulty_at):
            found.slowest_faulty = min(found.slowest_faulty or speed, speed)
        elif other - one >= DOUBLE_US:
            found.fastest_clean = max(found.fastest_clean, speed)
