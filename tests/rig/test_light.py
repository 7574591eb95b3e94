"""How light looks to an eye."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.rig.light import Flashes

SECOND = 1_000_000


def square(hertz: float, seconds: float = 3.0, low: int = 0, high: int = 1000) -> Flashes:
    flashes = Flashes()
    for half in range(int(2 * hertz * seconds)):
        flashes.see(int(half * SECOND / (2 * hertz)), high if half % 2 == 0 else low)
    return flashes


@pytest.mark.parametrize("hertz", [1, 2, 3, 4, 10])
def test_a_lamp_that_blinks_makes_as_many_flashes_a_second(hertz: int) -> None:
    # Source: WCAG 2, success criterion 2.3.1: a flash is a pair of opposing changes.
    assert square(hertz).most == hertz


def test_what_is_no_flash() -> None:
    # Source: WCAG 2, definition of a general flash: a tenth of the greatest luminance, the darker below 0.80.
    assert square(10, high=370).most == 0  # L* 37 is Y 0.095
    assert square(10, low=930).most == 0  # L* 93 is Y 0.83
    once = Flashes()
    once.see(0, 1000)
    assert once.most == 0
    once.see(SECOND, 0)
    assert once.most == 0


def test_a_slow_ramp_up_and_down_is_one_flash() -> None:
    ramp = Flashes()
    for step in range(101):
        ramp.see(step * 4000, min(step, 100 - step) * 20)
    assert ramp.most == 1


@given(st.lists(st.tuples(st.integers(0, 400_000), st.sampled_from([0, 1000])), max_size=60))
def test_flashes_between_off_and_full_are_counted_as_by_hand(steps: list[tuple[int, int]]) -> None:
    flashes, at_us, turns, level = Flashes(), 0, [], 0
    for pause, after in steps:
        at_us += pause
        flashes.see(at_us, after)
        if after != level:
            turns.append(at_us)
            level = after
    most = max((sum(1 for t in turns if first <= t < first + SECOND) for first in turns), default=0)
    assert flashes.most == most // 2
