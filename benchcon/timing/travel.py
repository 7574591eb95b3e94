"""How well a potentiometer reads: noise, the steps it can really tell apart, its ends, and jumps of a worn track."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from benchcon.timing.percentiles import percentile
from benchcon.timing.raw import Sample

WINDOW = 8
"""Readings, at 20 a second: a knob is still for that long now and then."""
LEAST_READINGS = 3 * WINDOW
LEAST_INSIDE = 5
"""With this many windows in which a knob was still, away from its ends, the ends are ignored."""
STILL_SHARE = 0.4
"""By how much of their range the means of the halves of such a window may differ: half of it is a steady turn."""
JUMP_SHARE = 0.03
"""Share of the travel by which one reading leaves its neighbours and comes back: a worn place on the track."""
END_TOLERANCE = 0.01
"""Share of the travel that an end may fall short of what the panel file says."""


@dataclass(slots=True)
class Travel:
    """The figures of one potentiometer, in counts."""

    readings: int = 0
    least: int = 0
    greatest: int = 0
    noise: float = 0.0
    """From the least to the greatest reading while the knob is still."""
    jumps: list[int] = field(default_factory=list)
    """Readings, near which one leapt away and came back."""

    @property
    def span(self) -> int:
        return self.greatest - self.least

    @property
    def resolution(self) -> int:
        """Steps of the travel that can be told apart: the span in units of the noise (the noise-free resolution of
        handbooks on converters; from memory)."""
        return math.floor(self.span / max(self.noise, 1.0)) if self.span else 0

    @property
    def resolution_bits(self) -> float:
        return math.log2(self.resolution) if self.resolution > 0 else 0.0

    def short_of(self, low: int, high: int) -> tuple[int, int]:
        """Return by how many counts the ends that were reached fall short of `low` and `high`; 0: they do not."""
        slack = max(END_TOLERANCE * (high - low), self.noise)
        ends = self.least - low, high - self.greatest
        return (ends[0] if ends[0] > slack else 0), (ends[1] if ends[1] > slack else 0)


def travel_of(samples: Sequence[Sample], span_counts: int) -> Travel:
    """Return the figures from unfiltered readings, in order. `span_counts`: of the whole travel, as the panel says."""
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
        # At either end of what a converter reads (0, and a power of two less one) it cuts the noise off: a knob that
        # rested elsewhere too tells more.
        cut = {0, found.greatest} if (found.greatest + 1).bit_count() == 1 else {0}
        inside = [part for part in parts if _is_still(part) and not cut & set(part)]
        ranges = sorted(max(part) - min(part) for part in (inside if len(inside) >= LEAST_INSIDE else parts))
        # A knob that moves makes windows wide; the quietest fifth of them is where it was still.
        found.noise = percentile(ranges[: max(1, len(ranges) // 5)], 50)
    return found


def _is_still(part: Sequence[int]) -> bool:
    """Whether readings lie about one place: of a knob that turns, the later half has left the place of the earlier."""
    half = len(part) // 2
    went = abs(sum(part[:half]) - sum(part[half:])) / half
    return went <= STILL_SHARE * (max(part) - min(part))


def _jumps(values: Sequence[int], least: float) -> list[int]:
    found = []
    for before, value, after in zip(values, values[1:], values[2:], strict=False):
        low, high = min(before, after), max(before, after)
        # Beyond both its neighbours, by more than they are apart: in a quick sweep they are far apart.
        beyond = least + high - low
        if value - high >= beyond or low - value >= beyond:
            found.append(value)
    return found
