"""How a contact bounces, from its raw edges, and which debounce time it needs.

Edges closer together than `APART_US` belong to one movement. If the contact ends at the level at which it began, there
was no movement, but a make or break too short for any hand. Ordinary contacts bounce for 1.6 ms on average, nearly all
for less than 6.2 ms, and a few for more than 100 ms (J. Ganssle, *A Guide to Debouncing*, values from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from benchcon.timing.percentiles import percentile
from benchcon.timing.raw import Sample

APART_US = 20_000
"""No hand opens and closes a contact in less time (common practice, no source)."""
ORDINARY_US = 6_200
"""Nearly all contacts have settled after this time (see above)."""
WORN_US = 20_000
MARGIN = 1.5
"""How many times longer than the longest bounce seen a debounce time should be (3 ms at least)."""
STEPS_US = (3_000, 5_000, 8_000, 10_000, 15_000, 20_000, 30_000, 50_000, 80_000, 100_000)
LEAST_MOVEMENTS = 10
"""Least number of movements to judge the longest bounce by."""


class Movement(NamedTuple):
    """One make or break with its bounces."""

    clock_us: int
    """Board clock at the first edge."""
    level: int
    """Level of the pin after it."""
    edges: int
    settling_us: int
    """Time from the first edge to the last."""
    longest_gap_us: int
    """Longest time between two of its edges; a debounce that waits for stillness has to wait longer than this."""


@dataclass(slots=True)
class Bounce:
    """The figures of one contact."""

    movements: list[Movement] = field(default_factory=list)
    """All movements, without the spikes."""
    spikes: list[Movement] = field(default_factory=list)
    """Those that ended at the level at which they began."""

    @property
    def bounced(self) -> int:
        """How many movements had more than one edge."""
        return sum(one.edges > 1 for one in self.movements)

    @property
    def most_edges(self) -> int:
        """The greatest number of edges in one movement; 0 if there was none."""
        return max((one.edges for one in self.movements), default=0)

    @property
    def settling_us(self) -> list[int]:
        """The settling times of all movements, ascending."""
        return sorted(one.settling_us for one in self.movements)

    @property
    def longest_us(self) -> int:
        """The longest settling time; 0 if there was no movement."""
        return max((one.settling_us for one in self.movements), default=0)

    @property
    def longest_gap_us(self) -> int:
        """The longest time between two edges of one movement; 0 if there was none."""
        return max((one.longest_gap_us for one in self.movements), default=0)

    def settling_percentile_us(self, percent: float) -> float:
        """Return the settling time that this percentage of movements did not exceed."""
        return percentile(self.settling_us, percent)

    def debounce_us(self, first_edge: bool = False) -> int:
        """Return the debounce time to set: the shortest usual one with a margin over what was seen.

        A debounce that waits for stillness has to be longer than the longest gap between two bounces; one that acts on
        the first edge (`first_edge`) has to hold off until the last bounce is over.
        """
        least = MARGIN * (self.longest_us if first_edge else self.longest_gap_us)
        return next((step for step in STEPS_US if step >= least), STEPS_US[-1])

    @property
    def finding(self) -> str:
        """``worn`` (bounces too long), ``drop-outs`` (makes or breaks too short for a hand), ``few`` (too few movements
        to judge), or empty."""
        if self.longest_us >= WORN_US:
            return "worn"
        if self.spikes:
            return "drop-outs"
        return "few" if len(self.movements) < LEAST_MOVEMENTS else ""


def bounce_of(edges: Sequence[Sample]) -> Bounce:
    """Return the figures of a contact from its edges, in order."""
    found = Bounce()
    run: list[Sample] = []
    for sample in edges:
        if run and (sample.fresh or sample.clock_us - run[-1].clock_us > APART_US):
            _close(run, found)
            run = []
        run.append(sample)
    if run:
        _close(run, found)
    return found


def _close(run: list[Sample], found: Bounce) -> None:
    times = [sample.clock_us for sample in run]
    gaps = [b - a for a, b in pairwise(times)]
    # An edge to a level is from the other one.
    spike = run[-1].value != run[0].value
    one = Movement(times[0], run[-1].value, len(run), times[-1] - times[0], max(gaps, default=0))
    (found.spikes if spike else found.movements).append(one)
