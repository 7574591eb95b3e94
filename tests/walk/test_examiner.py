"""The diagnosis against a second generator, written from the documents by someone who had not seen it."""

from __future__ import annotations

import pytest
from walk.examiner import CARELESS, Case, case


def as_text(made: Case) -> str:
    """What was put in and what came out, for the reader of a failure."""
    out = [f"seed {made.seed}, in: {fault}" for fault in made.faults]
    return "\n".join([*out, *(finding.line() for finding in made.findings()), made.text])


@pytest.mark.parametrize("tens", range(4))
def test_one_fault_is_named_and_nothing_else(tens: int) -> None:
    for seed in range(10 * tens, 10 * tens + 10):
        made = case(seed, 1)
        assert made.right(made.findings()), as_text(made)


@pytest.mark.parametrize("seed", range(700, 720))
def test_three_faults_are_named_and_nothing_else(seed: int) -> None:
    made = case(seed, 3)
    assert made.right(made.findings()), as_text(made)


@pytest.mark.parametrize("tens", range(4))
def test_a_careless_hand_is_no_fault(tens: int) -> None:
    """Brushes neighbours, nudges switches, miscounts clicks, says it is done when it is not."""
    for seed in range(900 + 10 * tens, 910 + 10 * tens):
        made = case(seed, 0, CARELESS)
        assert made.findings() == [], as_text(made)


def test_the_score_can_fail() -> None:
    """Findings about another walk over the same panel name nothing of this one's, so that a hit means something."""
    for seed in range(20):
        made, healthy = case(seed, 1), case(seed, 0)
        assert not made.right(healthy.findings())
        assert not healthy.right(made.findings())
