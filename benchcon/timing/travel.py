"""How well a potentiometer reads: noise, steps that can be told apart, its ends, jumps of a worn track."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from benchcon.timing.percentiles import percentile
from benchcon.timing.raw import Sample

WINDOW = 8
"""Number of readings, at 20 a second, for which a knob is still now and then."""
LEAST_READINGS = 3 * WINDOW
LEAST_INSIDE = 5
"""If a knob was still in at least this many windows away from its ends, those at its ends are ignored."""
STILL_SHARE = 0.4
"""A knob counts as still in a window if the means of its halves differ by at most this share of its range; in a steady
turn they differ by half."""
JUMP_SHARE = 0.03
"""Share of the travel by which one reading must differ from both neighbours to count as a jump: a worn track."""
END_TOLERANCE = 0.01
"""Share of the travel by which an end may fall short of the panel file."""


@dataclass(slots=True)
class Travel:
    """The figures of one potentiometer, in counts."""

    readings: int = 0
    least: int = 0
    greatest: int = 0
    noise: float = 0.0
    """Greatest less least reading while the knob is still."""
    jumps: list[int] = field(default_factory=list)
    """The readings near which one jumped away and came back."""

    @property
    def span(self) -> int:
        return self.greatest - self.least

    @property
    def resolution(self) -> int:
        """How many steps of the travel can be told apart: the span divided by the noise (noise-free resolution in
        handbooks on converters; from memory)."""
        return math.floor(self.span / max(self.noise, 1.0)) if self.span else 0

    @property
    def resolution_bits(self) -> float:
        return math.log2(self.resolution) if self.resolution > 0 else 0.0

    def short_of(self, low: int, high: int) -> tuple[int, int]:
        """Return by how many counts the lowest and highest reading fall short of `low` and `high`; 0: they do not."""
        slack = max(END_TOLERANCE * (high - low), self.noise)
        ends = self.least - low, high - self.greatest
        return (ends[0] if ends[0] > slack else 0), (ends[1] if ends[1] > slack else 0)


def travel_of(samples: Sequence[Sample], span_counts: int) -> Travel:
    """Return the figures from unfiltered readings, in order. `span_counts`: the whole travel by the panel file."""
    values = [sample.value for sample in samples]
    found = Travel(len(values))
    if not values:
        return found
    found.jumps = _jumps(values, max(4.0, JUMP_SHARE * span_counts))
    worn = set(found.jumps)
    clean = [value for value in values if value not in worn] or values
    found.least, found.greatest = min(clean), max(clean)
    if len(values) >= LEAST_READINGS:
        parts = [values[number : number + WINDOW] for number in range(0, len(values) - WINDOW + 1, WINDOW // 2)]
        # At the ends of its range (0, and a power of two less one) a converter cuts the noise off, so windows elsewhere
        # say more.
        cut = {0, found.greatest} if (found.greatest + 1).bit_count() == 1 else {0}
        inside = [part for part in parts if _is_still(part) and not cut & set(part)]
        ranges = sorted(max(part) - min(part) for part in (inside if len(inside) >= LEAST_INSIDE else parts))
        # A moving knob makes windows wide; in the narrowest fifth of them it was still.
        found.noise = percentile(ranges[: max(1, len(ranges) // 5)], 50)
    return found


def _is_still(part: Sequence[int]) -> bool:
    """Return whether readings are around one value; in a turn, the second half has moved away from the first."""
    half = len(part) // 2
    went = abs(sum(part[:half]) - sum(part[half:])) / half
    return went <= STILL_SHARE * (max(part) - min(part))


def _jumps(values: Sequence[int], least: float) -> list[int]:
    found = []
    for before, value, after in zip(values, values[1:], values[2:], strict=False):
        low, high = min(before, after), max(before, after)
        # Beyond both its neighbours, by more than their distance, which is large in a fast sweep.
        beyond = least + high - low
        if value - high >= beyond or low - value >= beyond:
            found.append(value)
    return found
