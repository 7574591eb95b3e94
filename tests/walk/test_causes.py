"""Whole causes, one line each: chains of shift registers, a matrix's lines and diodes, looms, levels and commons.

The boards are those of `walk.electric`, which decides from data sheets and common practice what they read.
"""

from __future__ import annotations

import random

import pytest
from few import few_of
from walk import electric
from walk.electric import BOARDS_CAUSES, CHAIN_CAUSES, MATRIX_CAUSES, Bench, Cause, bench

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.one_switch import remarks
from benchcon.panel.file import loads

SEEDS = range(20)


def panel_for(cause: Cause, seed: int) -> Bench:
    return bench(seed, matrix=cause in MATRIX_CAUSES, boards=2 if cause in BOARDS_CAUSES else 1)


@pytest.mark.parametrize("matrix", [False, True])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_healthy_panel_is_accused_of_nothing(seed: int, matrix: bool) -> None:
    made = bench(seed, matrix, boards=1 + seed % 2)
    assert diagnose(made.panel(), made.walked()) == []


@pytest.mark.parametrize("seed", few_of(60))
def test_a_matrix_without_diodes_whose_toggles_stand_made_is_no_fault(seed: int) -> None:
    """The panel file says that there are none, and ghosts come and go with the switches that stand made."""
    made = bench(seed, matrix=True)
    electric.diodes_missing(made)
    made.text = [text + "\ndiodes = false" * text.startswith("columns =") for text in made.text]
    alone = [step for step in made.walked() if len(step.get("parts", ())) < 3]  # but for keys held on purpose
    findings = diagnose(made.panel(), alone)
    assert [finding.line() for finding in findings] == []


@pytest.mark.parametrize("cause", [*CHAIN_CAUSES, *MATRIX_CAUSES, *BOARDS_CAUSES], ids=lambda each: each.__name__)
@pytest.mark.parametrize(
    "seeds", [pytest.param(SEEDS[::3], id="few"), pytest.param(SEEDS, id="all", marks=pytest.mark.slow)]
)
def test_a_whole_cause_is_one_line(cause: Cause, seeds: range) -> None:
    """Named in the first line on at least 19 of 20 panels, with where it is, and nothing else that is sure."""
    missed = []
    for seed in seeds:
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


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("phase", ["A", "B"])
def test_an_encoder_whose_one_pull_up_is_missing_is_not_worn(phase: str, seed: int) -> None:
    """At rest both contacts are open (common practice); the phase without a pull-up then follows the mains."""
    rng = random.Random(seed)
    panel = loads('[boards.a]\n[controls.knob]\nkind = "encoder"\nchannel = { id = "a.e1", pin = "D2/D3" }\n', "e.toml")
    mains_us, count, at = rng.choice((20_000, 16_667)), 0, 1_000_000
    evidence: list[dict[str, object]] = []
    for do, to in (("rest", 0), ("turn", 10), ("turn", -10), ("rest", 0)):
        changes, edges, before = [], [], count
        if to:
            for _ in range(40):
                at += rng.randint(5_000, 60_000)
                count += 1 if to > 0 else -1
                changes.append([at, "a.e1", count % 65_536])
        else:
            for _ in range(rng.randint(12, 60)):
                for wait, level, counted in (
                    (7_000, 3, count),
                    (mains_us - 7_000, 1 if phase == "A" else 2, count + 1),
                ):
                    at += wait + rng.randint(-300, 300)
                    edges.append([at, "a.e1", level])
                    changes.append([at, "a.e1", counted % 65_536])
        step = {"what": "hand", "do": do, "parts": ["knob"] if to else [], "to": to, "changes": changes, "edges": edges}
        evidence.append(step | {"before": {"a.e1": before % 65_536}, "values": {"a.e1": count % 65_536}})
    (finding,) = diagnose(panel, evidence)
    assert (finding.kind, finding.detail["phase"], finding.detail["period_us"]) == ("floating", phase, mains_us)


def test_a_matrix_without_diodes_in_which_switches_stay_made_gets_a_remark_and_no_finding() -> None:
    made = bench(3, matrix=True)
    electric.diodes_missing(made)
    made.text = [text + "\ndiodes = false" * text.startswith("columns =") for text in made.text]
    (remark,) = remarks(made.panel(), made.walked())
    assert "fit diodes" in remark.because
    assert remark.patch == ""
    made = bench(3, matrix=True)
    assert remarks(made.panel(), made.walked()) == []
