"""Seeds of tests of which a part is run each time."""

from __future__ import annotations

import pytest


def few_of(seeds: int) -> list[object]:
    """A third of the seeds each time, the others where there is time for what is slow."""
    return [*range(seeds // 3), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(seeds // 3, seeds))]
