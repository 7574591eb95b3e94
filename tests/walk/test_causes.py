"""Whole causes, one line each: chains of shift registers, a matrix's lines and diodes, looms, levels and commons.

The boards are those of `walk.electric`, which decides from data sheets and common practice what they read.
"""

from __future__ import annotations

import pytest
from walk import electric
from walk.electric import BOARDS_CAUSES, CHAIN_CAUSES, MATRIX_CAUSES, Bench, Cause, bench

from benchcon.diagnosis.diagnose import diagnose

SEEDS = range(20)


def panel_for(cause: Cause, seed: int) -> Bench:
    return bench(seed, matrix=cause in MATRIX_CAUSES, boards=2 if cause in BOARDS_CAUSES else 1)


@pytest.mark.parametrize("matrix", [False, True])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_healthy_panel_is_accused_of_nothing(seed: int, matrix: bool) -> None:
    made = bench(seed, matrix, boards=1 + seed % 2)
    assert diagnose(made.panel(), made.walked()) == []


@pytest.mark.parametrize("seed", range(60))
def test_a_matrix_without_diodes_whose_toggles_stand_made_is_no_fault(seed: int) -> None:
    """The panel file says that there are none, and ghosts come and go with the switches that stand made."""
    made = bench(seed, matrix=True)
    electric.diodes_missing(made)
    made.text = [text + "\ndiodes = false" * text.startswith("columns =") for text in made.text]
    alone = [step for step in made.walked() if len(step.get("parts", ())) < 3]  # but for keys held on purpose
    findings = diagnose(made.panel(), alone)
    assert [finding.line() for finding in findings] == []


@pytest.mark.parametrize("cause", [*CHAIN_CAUSES, *MATRIX_CAUSES, *BOARDS_CAUSES], ids=lambda each: each.__name__)
def test_a_whole_cause_is_one_line(cause: Cause) -> None:
    """Named in the first line on at least 19 of 20 panels, with where it is, and nothing else that is sure."""
    missed = []
    for seed in SEEDS:
        made = panel_for(cause, seed)
        kind, detail = cause(made)
        first, *others = diagnose(made.panel(), made.walked())
        named = first.kind == kind and all(first.detail.get(key) == value for key, value in detail.items())
        if not named or any(other.either is None for other in others) or len(others) > 2:
            missed.append((seed, detail, [each.line()[:160] for each in (first, *others)]))
    assert len(missed) <= 1, missed


def test_a_chip_reads_its_inputs_h_first() -> None:
    """The twin itself against the data sheet: 74HC165, H is the first bit out and A the last (SCLS116, from memory)."""
    board = electric.Board("a", 2, 0, 0, 0)
    assert [bit for bit, made in board.chain({7, 8}).items() if made] == [7, 8]
    board.late = 1
    # One clock too few: what came first is seen again where A's neighbour stands, and A itself in the next chip's H.
    assert [bit for bit, made in board.chain({7}).items() if made] == [6]
    assert [bit for bit, made in board.chain({0}).items() if made] == [15]
