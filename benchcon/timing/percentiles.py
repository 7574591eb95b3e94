"""Statistics of delays and readings: percentiles, and whether a figure drifts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

SIGNIFICANT = 3.0
"""By how many standard errors a drift must exceed the scatter."""


def percentile(ordered: Sequence[float], percent: float) -> float:
    """Return a percentile of values in ascending order, interpolated linearly between neighbours.

    Raises ValueError if there are none. This is Hyndman and Fan's definition 7, which most programs use.
    """
    if not ordered:
        raise ValueError("no values")
    where = (len(ordered) - 1) * percent / 100
    below = math.floor(where)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (ordered[above] - ordered[below]) * (where - below)


class Drift(NamedTuple):
    """How a figure changed from the beginning of a recording to its end."""

    first: float
    """Median of the first quarter."""
    last: float
    """Median of the last quarter."""
    significant: bool
    """Whether it is more than the scatter explains."""


def drift(values: Sequence[float]) -> Drift | None:
    """Compare the first quarter of `values` (in order of time) with the last; None for fewer than eight."""
    quarter = len(values) // 4
    if quarter < 2:
        return None
    first, last = values[:quarter], values[-quarter:]
    middles = median(first), median(last)
    # The median's standard error is 1.2533 sigma / sqrt(n); 1.4826 times the median deviation estimates sigma.
    spread = max(
        median(abs(value - middle) for value in part) for part, middle in zip((first, last), middles, strict=True)
    )
    error = 1.2533 * 1.4826 * spread * math.sqrt(2 / quarter)
    return Drift(*middles, abs(middles[1] - middles[0]) > SIGNIFICANT * error and middles[0] != middles[1])
