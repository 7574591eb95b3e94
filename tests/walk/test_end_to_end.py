"""Faults of the faults file, walked from end to end in virtual time: the report tells just what is true.

The panels and what is true of each fault are `walk.built_panels`', the figures on many panels
`tests/bench/walk_end_to_end.py`'s.
"""

from __future__ import annotations

import random

import pytest
from few import few_of
from walk.built_panels import INTERMITTENT, STATIC, Built, Truth, Wrongs, named, tells
from walk.in_virtual_time import ClumsyHand, HesitantHand, VirtualWalk
from walk.mixed_panels import CAUSES, Mixed

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.findings import Finding
from benchcon.kinds import kinds
from benchcon.panel.file import loads
from benchcon.rig.faults import fault_of_words
from benchcon.walk import judge


@pytest.mark.parametrize("kind", few_of(STATIC))
def test_a_fault_is_told_and_nothing_else_is(kind: str) -> None:
    for seed in range(200):
        made = Built(seed * 7919 + 13, most=40)
        panel = made.panel()
        truth = Wrongs(panel, random.Random(f"{seed} {kind}")).one(kind)
        if truth is not None:
            break
    assert truth is not None
    evidence = VirtualWalk(panel, {truth.words[0]: [truth.fault()]}, seed, stands=made.stands).run().evidence
    findings = diagnose(panel, evidence)
    assert named(findings, [truth]), (truth.words, [finding.line() for finding in findings])


def _walk_of(cause: str, first: int = 1, most: int = 24) -> tuple[Truth, list[Finding]]:
    for seed in range(first, 400):
        made = (Built if seed % 2 else Mixed)(seed * 6007 + 11, most=most)
        wrongs = Wrongs(made.panel(), random.Random(f"{seed} {cause}"), made.stands)
        truths = (CAUSES[cause](wrongs, name, board) for name, board in wrongs.boards.items())
        truth = next((each for each in truths if each is not None), None)
        if truth is not None:
            break
    assert truth is not None
    panel = made.panel()
    faults = [fault_of_words(line.split()) for line in truth.words[1].splitlines()]
    names = [truth.words[0]] if truth.words[0] else [board.name for board in panel.boards]
    walk = VirtualWalk(panel, dict.fromkeys(names, faults), seed, stands=made.stands).run()
    return truth, diagnose(panel, walk.evidence)


@pytest.mark.parametrize(
    "cause",
    few_of(
        [
            "connector off, anything on it",
            "plug reversed, with its ground",
            "matrix: a row and a column exchanged",
            "matrix: one diode shorted",
            "matrix: one diode backwards",
            "looms of two boards interchanged",
            "7219: chips in another order",
            "7219: a chip bridged",
            "7219: the last chip bridged",
            "7219: digits 7 to 0",
            "display: common anode, one digit",
            "595: a chip bridged",
            "rotary wired the other way round",
            "pots of unlike range crossed",
        ]
    ),
)
def test_one_cause_is_one_line(cause: str) -> None:
    """The figures for every cause are `tests/bench/walk_causes.py`'s."""
    truth, findings = _walk_of(cause)
    true = [f for f in findings if any(tells(f, *each) for way in truth.ways for each in way)]
    assert true, (truth.words, [finding.line() for finding in findings])
    assert [f.line() for f in findings if f.either is None and f not in true] == []
    assert len({finding.either.group if finding.either else 0 for finding in findings}) == 1


def test_what_one_evidence_cannot_tell_apart_is_not_told_as_sure(monkeypatch: pytest.MonkeyPatch) -> None:
    """A toggle that stood made feeds a button, and nobody pressed that button while the toggle was off."""
    monkeypatch.setattr(judge, "_by_itself", lambda layout, hand, hands: [])
    truth, findings = _walk_of("one-way path onto a toggle left made")
    assert [(finding.kind, finding.either is None) for finding in findings] == [("shorted", False), ("follows", False)]
    assert any(tells(findings[1], *each) for way in truth.ways for each in way)


def test_a_button_that_another_control_holds_made_is_pressed_with_that_one_off() -> None:
    """Which tells a path that leads one way only from wires that touch."""
    truth, findings = _walk_of("one-way path onto a toggle left made")
    assert [(finding.kind, finding.either is None) for finding in findings] == [("follows", True)]
    assert any(tells(findings[0], *each) for way in truth.ways for each in way)


@pytest.mark.parametrize(
    ("cause", "seed", "most"),
    few_of(
        [
            pytest.param("165: inputs H to A", 10, 24, id="all of a chip on one plug, and a toggle that stands made"),
            pytest.param("165: inputs H to A, all chips", 49, 16, id="all of a chip on one plug, and two wires beside"),
            pytest.param("165: inputs H to A, all chips", 53, 24, id="a contact at a place that is not wired"),
            pytest.param("165: a chip dead", 22, 16, id="a chip whose wires are on two plugs"),
            pytest.param("level wrong for a board", 7, 20, id="all contacts of a board read made at rest"),
            pytest.param("three lamps always on", 8, 16, id="all lamps of a chip"),
            pytest.param("connector off, contacts only", 7, 20, id="a plug with one rotary switch on it"),
            pytest.param("neighbours dead from one on", 17, 24, id="a ground that breaks just before a rotary switch"),
            pytest.param("neighbours dead from one on", 22, 16, id="a ground that breaks within a rotary switch"),
            pytest.param("plug reversed, with its ground", 10, 24, id="a turned plug of which only the middle lives"),
            pytest.param("plug reversed, with its ground", 78, 64, id="a turned plug, and a switch that stood made"),
            pytest.param(
                "plug one hole back, with its ground", 78, 64, id="a plug one hole back, and a switch that stood made"
            ),
            pytest.param(
                "matrix: a row and a column exchanged", 7, 20, id="a row and a column, and keys held together"
            ),
            pytest.param("cross-talk", 10, 24, id="cross-talk while several keys are held"),
            pytest.param("cross-talk", 19, 32, id="cross-talk from a key that the board keeps to itself"),
            pytest.param("worn contact that misses", 19, 32, id="a key that misses in a matrix without diodes"),
            pytest.param("worn contact that misses", 164, 16, id="a key that misses when it is held with others"),
            pytest.param("7219: the last chip bridged", 105, 24, id="two digits that are all of a driver"),
            pytest.param("looms of two plugs interchanged", 46, 16, id="looms, and a rotary switch that works buttons"),
        ]
    ),
)
def test_nothing_that_is_false_is_told_as_sure(cause: str, seed: int, most: int) -> None:
    """Where a plug and a chip, or a chip and three lamps, fit the same evidence, the true one is among the answers."""
    truth, findings = _walk_of(cause, seed, most)
    true = [f for f in findings if any(tells(f, *each) for way in truth.ways for each in way)]
    assert true, (truth.words, [finding.line() for finding in findings])
    assert [f.line() for f in findings if f.either is None and f not in true] == []
    assert len({finding.either.group if finding.either else 0 for finding in findings}) == 1


@pytest.mark.parametrize("seed", [*range(6), 5074])  # the last turns a rotary switch while keys are held
def test_a_healthy_panel_and_a_clumsy_hand_are_accused_of_nothing(seed: int) -> None:
    made = Built(seed * 31_337 + 5, diodes=None if seed % 2 else False)
    ClumsyHand.rng = random.Random(seed)
    walk = VirtualWalk(made.panel(), {}, seed, ClumsyHand, made.stands).run()
    assert [finding.line() for finding in diagnose(made.panel(), walk.evidence)] == []


@pytest.mark.parametrize("seed", range(6))
def test_a_hand_that_hesitates_at_a_detent_is_not_taken_for_a_worn_contact(seed: int) -> None:
    """Nor is one that takes a coded switch for another part, and passes its positions."""
    rng = HesitantHand.rng = random.Random(seed)
    text, pin = "[boards.a]\n", 2
    for n, (bits, code) in enumerate(((4, '"gray"'), (4, '"binary"'), (2, "[[1, 0], [0, 0], [0, 1]]"), (5, ""))):
        rows = ", ".join(f'{{ id = "a.s{n}c{m}", pin = "D{pin + m}" }}' for m in range(bits))
        count = {4: rng.randint(8, 16), 2: 3, 5: 5}[bits]
        text += f'[controls.s{n}]\nkind = "switch"\npositions = {[str(m) for m in range(count)]}\n'
        text += f"channels = [{rows}]\n" + (f"code = {code}\n" if code else "")
        pin += bits
    panel = loads(text, "coded.toml")
    stands = {control.name: rng.randrange(3) for control in panel.controls}
    walk = VirtualWalk(panel, {}, seed, HesitantHand, stands).run()
    assert [finding.line() for finding in diagnose(panel, walk.evidence)] == []


@pytest.mark.parametrize("seed", [13, 15, 23])
def test_a_loose_wire_of_a_rotary_switch_is_tried_again_and_told(seed: int) -> None:
    """It drops out while the switch stands on it; once that may be anything."""
    made = Built(seed * 7919 + 13)
    truth = Wrongs(made.panel(), random.Random(f"{seed} loose")).one("loose")
    assert truth is not None
    walk = VirtualWalk(made.panel(), {truth.words[0]: [truth.fault()]}, seed, stands=made.stands).run()
    assert named(diagnose(made.panel(), walk.evidence), [truth])


def test_every_kind_of_fault_of_parts_wires_and_chips_is_walked() -> None:
    """But for those that `chattering` and a broken wire say as well, under other words, and for supplies."""
    walked = {name.split()[0] for name in (*STATIC, *INTERMITTENT)} | {"diode_wrong"}
    groups = ("inputs", "lamps and displays", "whole plugs, matrices and chains")
    made = {kind.word for kind in kinds().values() if kind.made and kind.group in groups}
    assert made - walked <= {"storm", "mirrored", "shifted", "diodes_missing", "stuck", "supplied_past_the_switch"}
