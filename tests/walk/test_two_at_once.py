"""Two faults of which one is on a wire that the other, of many wires, has moved: both are told.

The panels are `walk.built_panels`'; what is put in, and what is true, is said here. The figures on many panels are
`tests/bench/walk_end_to_end.py`'s (``two``).
"""

from __future__ import annotations

import pytest
from walk.built_panels import Built, tells
from walk.in_virtual_time import VirtualWalk
from walk.mixed_panels import Mixed

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import HandStep
from benchcon.rig.faults import fault_of_words


@pytest.mark.parametrize(
    ("seed", "whole", "found", "detail", "beside", "kind"),
    [
        (137, "chain_shifted chain=595 by=-1", "chain shifted", {"by": -1}, "dead c30", "dead"),
        (265, "plug_reversed connector=J5", "plug reversed", {"connector": "J5"}, "open c19", "dead"),
        (565, "plug_reversed connector=J1", "plug reversed", {"connector": "J1"}, "stuck c7 value=0", "open"),
        (694, "plug_reversed connector=J1", "plug reversed", {"connector": "J1"}, "inverted c8", "inverted"),
        (754, "plug_shifted connector=J1 by=-1", "plug shifted", {"by": -1}, "crossed c5 c21 c6", "crossed"),
        (887, "plug_shifted connector=J1 by=-1", "plug shifted", {"by": -1}, "open c4", "open"),
        (998, "plug_reversed connector=J6", "plug reversed", {"connector": "J6"}, "crossed c25 c24", "crossed"),
        (4341, "plug_reversed connector=J6", "plug reversed", {"connector": "J6"}, "crossed c33 c15", "crossed"),
    ],
)
def test_a_cause_of_many_wires_is_told_beside_a_fault_of_one_of_them(
    seed: int, whole: str, found: str, detail: dict[str, object], beside: str, kind: str
) -> None:
    made = (Built if seed % 3 else Mixed)(seed * 104_729 + 7)
    panel = made.panel()
    faults = [fault_of_words(words.split()) for words in (whole, beside)]
    findings = diagnose(panel, VirtualWalk(panel, {"a": faults}, seed, stands=made.stands).run().evidence)
    lines = [finding.line() for finding in findings]
    true = [finding for finding in findings if tells(finding, (found,), None, detail)]
    assert len(true) == 1, lines
    # All of a chip on one plug: which of the two it is, is one question, and the other answer is not about the rest.
    same = true[0].either.group if true[0].either else 0
    rest = [f for f in findings if f not in true and not (f.either and f.either.group == same)]
    assert kind in {word for finding in rest for word in finding.kinds}, lines
    # At which end of a wire that goes astray it is, no evidence tells: no more than two answers, and nothing sure.
    assert len({finding.either.group for finding in rest if finding.either}) <= 1, lines
    assert [finding.line() for finding in rest if finding.either is None and kind not in finding.kinds] == []


def test_the_fault_beside_is_named_with_its_channel() -> None:
    made = Built(265 * 104_729 + 7)
    panel = made.panel()
    faults = [fault_of_words(words.split()) for words in ("plug_reversed connector=J5", "open c19")]
    findings = diagnose(panel, VirtualWalk(panel, {"a": faults}, 265, stands=made.stands).run().evidence)
    assert sorted((f.channels, f.either.choices if f.either else 1) for f in findings if f.kind == "dead") == [
        (("a.c19",), 2),
        (("a.c20",), 2),
    ]


@pytest.mark.parametrize(
    ("seed", "faults", "kinds"),
    [
        pytest.param(
            571,
            {"a": ("connector_off connector=J6", "ground_crossed c11")},
            {"common open", "ground crossed", "plug shifted"},
            id="no looms are interchanged where one plug is off and of another one wire works",
        ),
        pytest.param(
            61,
            {"a": ("dead c26",), "b": ("plug_shifted connector=J2 by=-1",)},
            {"plug shifted", "dead"},
            id="a plug with one rotary switch and nothing else sits one hole back",
        ),
        pytest.param(
            225,
            {"b": ("follows c24 c26", "crossed c21 c30 c23")},
            {"crossed", "shorted", "follows"},
            id="a one-way path that looks like a short, beside crossed wires",
        ),
        pytest.param(
            102,
            {"a": ("connector_off connector=J3", "shorted c20 c49")},
            {"common open", "shorted", "follows"},
            id="a plug is off, and not a switch on it, though another contact is read there",
        ),
    ],
)
def test_a_second_fault_does_not_turn_a_cause_into_another(
    seed: int, faults: dict[str, tuple[str, ...]], kinds: set[str]
) -> None:
    made = (Built if seed % 3 else Mixed)(seed * 104_729 + 7)
    panel = made.panel()
    there = {board: [fault_of_words(words.split()) for words in rows] for board, rows in faults.items()}
    findings = diagnose(panel, VirtualWalk(panel, there, seed, stands=made.stands).run().evidence)
    lines = [finding.line() for finding in findings]
    assert {finding.kind for finding in findings} == kinds, lines


@pytest.mark.parametrize("seed", [0, 3, 4, 5])
def test_where_nothing_arrives_but_from_a_stuck_contact_no_looms_are_interchanged(seed: int) -> None:
    """Controls were worked, and no lamp was looked at: a plug is off, and one of its inputs is shorted to ground."""
    made = Built(seed * 131 + 3, most=32)
    panel = made.panel()
    faults = [fault_of_words(words.split()) for words in ("connector_off connector=J1", "stuck c2 value=1")]
    evidence = VirtualWalk(panel, {"a": faults}, seed, stands=made.stands).run().evidence
    findings = diagnose(panel, [each for each in evidence if isinstance(each, HandStep)])
    assert "looms interchanged" not in {finding.kind for finding in findings}
    assert any(tells(finding, ("common open",), None, {"connector": "J1"}) for finding in findings)
    assert any(tells(finding, ("stuck",), frozenset({"a.c2"}), {}) for finding in findings)
