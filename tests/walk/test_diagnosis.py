"""What evidence says, case by case, and how often it is right on panels and faults nobody chose by hand."""

from __future__ import annotations

import itertools
import random
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from walk.person import Person
from walk.random_panels import random_bad, random_panel
from walk.rig import Bad
from walk.scoring import named
from walk.scribe import scribble
from walk.small import found, kinds, lamps, presses, put, small

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.findings import KINDS
from benchcon.errors import Trouble

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))
from walk_diagnosis import hides


def healthy(part: str, **others: int) -> list[dict[str, Any]]:
    return presses(part, {part: 1, **others}, {part: 0, **others})


def turn(part: str, by: int, counts: int, start: int = 100, **more: Any) -> dict[str, Any]:
    before, after = {f"a.{part}": start & 0xFFFF}, {f"a.{part}": (start + counts) & 0xFFFF}
    return {"what": "hand", "do": "turn", "part": part, "to": by, "before": before, "values": after, **more}


def end(to: int, counts: int) -> dict[str, Any]:
    return {"what": "hand", "do": "end", "part": "vol", "to": to, "values": {"a.vol": counts}}


def test_nothing_wrong_gives_nothing() -> None:
    assert found([*healthy("b1"), *healthy("b2"), lamps(""), lamps("l1", "l1"), lamps("l2", "l2")]) == []


def test_open_is_a_class_with_the_measurement_that_decides() -> None:
    (finding,) = found(presses("b1", {"b1": 0}, {"b1": 0}))
    assert (finding.kind, finding.kinds) == ("open", ("open", "stuck released"))
    assert "ohm" in finding.decide
    for word in ("J1 pin 4", "green wire", "D4"):
        assert word in finding.line()


def test_contacts() -> None:
    assert kinds(presses("b1", {"b1": 1}, {"b1": 1})) == [("stuck", ("a.b1",))]
    assert kinds(presses("b1", {"b1": 0}, {"b1": 1})) == [("inverted", ("a.b1",))]
    cross = presses("b1", {"b1": 0, "b2": 1}, {"b2": 0}) + presses("b2", {"b1": 1, "b2": 0}, {"b1": 0})
    assert kinds(cross) == [("crossed", ("a.b1", "a.b2"))]
    both, none = {"b1": 1, "b2": 1}, {"b1": 0, "b2": 0}
    assert kinds(presses("b1", both, none) + presses("b2", both, none)) == [("shorted", ("a.b1", "a.b2"))]


def test_three_that_touch_are_one_fault_and_so_is_a_ring_of_three() -> None:
    every, none = {"b1": 1, "b2": 1, "b3": 1}, {"b1": 0, "b2": 0, "b3": 0}
    touching = [step for part in every for step in presses(part, every, none)]
    assert kinds(touching) == [("shorted", ("a.b1", "a.b2", "a.b3"))]
    ring = [s for a, b in (("b1", "b2"), ("b2", "b3"), ("b3", "b1")) for s in presses(a, {**none, b: 1}, none)]
    (finding,) = found(ring)
    assert (finding.kind, finding.parts) == ("crossed", ("b1", "b2", "b3"))


def test_two_contacts_of_one_switch_changed_round_is_one_fault_and_a_patch_mends_it() -> None:
    rows = [(1, 0, 0), (0, 0, 1), (0, 1, 0)]
    (finding,) = found([put("rot", n, r0=a, r1=b, r2=c) for n, (a, b, c) in enumerate(rows)])
    assert (finding.kind, finding.channels) == ("crossed", ("a.r1", "a.r2"))
    assert '"a.r2"' in finding.patch.splitlines()[3]


def test_what_fits_equally_well_is_given_both_ways_and_marked() -> None:
    # The wire of b1 goes to b2's pin, and where b2's should go is nothing: either part's wire may be the broken one.
    evidence = presses("b1", {"b1": 0, "b2": 1}, {"b1": 0, "b2": 0}) + presses("b2", {"b1": 0, "b2": 0}, {"b2": 0})
    findings = found(evidence)
    assert [f.kind for f in findings if f.either is None] == ["crossed"]
    open_ones = [f for f in findings if f.either]
    assert {f.channels for f in open_ones} == {("a.b1",), ("a.b2",)}
    assert all(f.kind == "open" and f.either.choices == 2 for f in open_ones if f.either)
    assert "[1 of 2 explanations]" in open_ones[0].line()


def test_a_brushed_neighbour_is_no_fault_but_the_same_both_ways_at_the_same_moment_is() -> None:
    brushed = [put("b1", 1, b1=1, b2=1), put("b1", 0, b1=0, b2=0), *healthy("b2", b1=0)]
    assert found(brushed) == []


def test_a_step_that_timed_out_before_a_slow_hand_came_is_no_fault() -> None:
    late = [{**put("b1", 1, b1=0), "outcome": "timeout"}]
    late.append({**put("b1", 0, b1=0), "changes": [[5_000_000, "a.b1", 1], [6_000_000, "a.b1", 0]]})
    assert found(late) == []
    never = [{**put("b1", 1, b1=0), "outcome": "timeout"}, {**put("b1", 0, b1=0), "outcome": "seen"}]
    assert kinds([*never, *never]) == [("open", ("a.b1",))]


def test_what_was_skipped_proves_nothing() -> None:
    assert found([{**put("b1", 1, b1=0), "outcome": "skipped"}, {**put("b2", 1, b2=0), "outcome": "not wired"}]) == []


def test_chattering_is_told_from_ordinary_bounce() -> None:
    # Bounce up to 6.2 ms: J. Ganssle, A Guide to Debouncing (value from memory).
    press = put("b1", 1, b1=1)
    ordinary = [[t, "a.b1", n % 2 == 0] for n, t in enumerate((0, 200, 900, 2100, 6200))]
    assert found([{**press, "edges": ordinary}, put("b1", 0, b1=0)]) == []
    settled = [[t, "a.b1", n % 2 == 0] for n, t in enumerate(range(0, 140_000, 20_000))]
    (finding,) = found([{**press, "changes": settled}, put("b1", 0, b1=0)])
    assert (finding.kind, finding.kinds, finding.parts) == ("chattering", ("chattering", "loose"), ("b1",))


@given(st.sampled_from(["b1", "t1"]), st.lists(st.integers(100_000, 3_000_000), min_size=4, max_size=10), st.data())
def test_a_hand_that_goes_to_and_fro_is_no_chattering_however_often(
    part: str, gaps_us: list[int], data: st.DataObject
) -> None:
    """A button pressed five times, a second apart, where once was asked for, was called a worn contact.

    What sets chattering apart is time. Bounce lasts 1.6 ms on average and at most 6.2 ms (J. Ganssle, A Guide to
    Debouncing, values from memory); a finger taps 5 to 7 times a second at its fastest, which is 70 ms and more from
    one change to the next (common practice, no source). So fast is taken for chattering, a hand's pace is not.
    """
    gaps_us = gaps_us[: len(gaps_us) // 2 * 2]  # it ends where it was to go

    def changes(gaps: list[int]) -> list[list[int | str]]:
        times = itertools.accumulate(gaps, initial=1_000_000)
        return [[at, f"a.{part}", (n + 1) % 2, at] for n, at in enumerate(times)]

    def kinds_of(gaps: list[int]) -> list[str]:
        step = {**put(part, 1, **{part: 1}), "changes": changes(gaps)}
        return [finding.kind for finding in found([step, put(part, 0, **{part: 0})])]

    assert "chattering" not in kinds_of(gaps_us)
    fast = [data.draw(st.integers(11_000, 50_000)) for _ in gaps_us]
    assert kinds_of(fast) == ["chattering"]


def test_ghosts_of_a_matrix() -> None:
    hold = ("k00", "k01", "k11")
    kept = {"k00": 1, "k01": 1, "k11": 1}
    none = dict.fromkeys(["k00", "k01", "k10", "k11"], 0)
    (finding,) = found([put(hold, 1, **kept, k10=1), put(hold, 0, **none)])
    assert (finding.kind, finding.channels, finding.detail["matrix"]) == ("ghost", ("a.k10",), "keys")
    assert found([put(hold, 1, **kept, k10=0), put(hold, 0, **none)]) == []
    ghost = [{**put(hold, 1, **kept, k10=0), "ghosts": ["a.k10"]}, put(hold, 0, **none)]
    assert kinds(ghost) == [("ghost", ("a.k10",))]


def test_encoders() -> None:
    # Quadrature: 00 01 11 10, four counts a detent (any encoder data sheet).
    assert found([turn("enc", 10, 40), turn("enc", -10, -40)]) == []
    assert kinds([turn("enc", 10, -40), turn("enc", -10, 40)]) == [("reversed", ("a.enc",))]
    assert found([turn("enc", 10, 44), turn("enc", -10, -40)]) == []  # a hand that counted eleven
    (two,) = found([turn("enc", 10, 20), turn("enc", -10, -20)])
    assert (two.kind, two.patch) == ("other counts", "[controls.enc]\ncounts_per_detent = 2\n")
    assert kinds([turn("enc", 10, 33), turn("enc", -10, -37)]) == [("skipping", ("a.enc",))]
    invalid = {"invalid": {"a.enc": 4}}
    assert kinds([turn("enc", 10, 40, **invalid), turn("enc", -10, -40)]) == [("skipping", ("a.enc",))]
    assert kinds([turn("enc", 10, 40, start=-5), turn("enc", -10, -40, start=20)]) == []  # wraps at 16 bits
    rocking = [[n, "a.enc", 100 + n % 2] for n in range(20)]
    dead = {"changes": rocking}
    assert kinds([turn("enc", 10, 1, **dead), turn("enc", -10, 0, **dead)]) == [("phase open", ("a.enc",))]
    (none,) = found([turn("enc", 10, 0), turn("enc", -10, 0)])
    assert (none.kind, none.kinds[:2]) == ("open", ("open", "stuck"))


def test_two_encoders_crossed() -> None:
    def other(by: int, part: str, there: str) -> dict[str, Any]:
        step = turn(part, by, 0)
        return {**step, "before": {"a.enc": 0, "a.enc2": 0}, "values": {f"a.{there}": by * 4 & 0xFFFF}}

    evidence = [other(by, a, b) for a, b in (("enc", "enc2"), ("enc2", "enc")) for by in (10, -10)]
    assert kinds(evidence) == [("crossed", ("a.enc", "a.enc2"))]


def test_potentiometers() -> None:
    assert found([end(0, 3), end(1, 1018)]) == []
    assert kinds([end(0, 1020), end(1, 2)]) == [("reversed", ("a.vol",))]
    (short,) = found([end(0, 2), end(1, 830)])
    assert (short.kind, short.patch) == ("short of range", "[controls.vol]\nlow = 2\nhigh = 830\n")
    assert kinds([end(0, 512), end(1, 512)]) == [("open", ("a.vol",))]
    still = {"what": "hand", "do": "still", "part": "vol"}
    quiet = [[n * 50_000, "a.vol", 512 + n % 2] for n in range(40)]
    assert found([{**still, "readings": quiet}]) == []
    noisy = [[n * 50_000, "a.vol", 512 + 24 * (n % 3 - 1)] for n in range(40)]
    assert kinds([{**still, "changes": noisy}]) == [("noisy", ("a.vol",))]


def test_selectors() -> None:
    def steps_at(*values: int) -> list[dict[str, Any]]:
        return [put("sel", n, sel=value) for n, value in enumerate(values)]

    assert found(steps_at(0, 1, 2, 3)) == []
    assert kinds(steps_at(3, 2, 1, 0)) == [("reversed", ("a.sel",))]
    (crossed,) = found(steps_at(0, 2, 1, 3))
    assert (crossed.kind, crossed.patch) == (
        "positions crossed",
        "[controls.sel]\ncode = [[0], [2], [1], [3]]\n",
    )
    (missing,) = found(steps_at(0, 1, 1, 3))
    assert (missing.kind, missing.detail["position"]) == ("position missing", 2)
    assert "position y" in missing.because
    assert kinds(steps_at(1, 1, 1, 1)) == [("open", ("a.sel",))]


def test_lamps() -> None:
    dark = lamps("")
    assert kinds([dark, lamps("l1")]) == [("dead", ("a.l1",))]
    assert kinds([lamps("", "l2"), lamps("l1", "l1"), lamps("l2", "l2"), lamps("l3", "l3")]) == [
        ("always on", ("a.l2",))
    ]
    assert kinds([dark, lamps("l1", "l2"), lamps("l2", "l1")]) == [("crossed", ("a.l1", "a.l2"))]
    pair = [dark, lamps("l1", "l1", "l2"), lamps("l2", "l2", "l1"), lamps("l3", "l3")]
    assert kinds(pair) == [("lit together", ("a.l1", "a.l2"))]
    ring = [dark, lamps("l1", "l2"), lamps("l2", "l3"), lamps("l3", "l1")]
    assert kinds(ring) == [("crossed", ("a.l1", "a.l2", "a.l3"))]


def test_how_a_lamp_looks() -> None:
    def look(**how: Any) -> list[dict[str, Any]]:
        return [{"what": "lamps", "set": {"l1": 1000}, "seen": {"l1": how}}]

    assert kinds(look(level="dim")) == [("dim", ("a.l1",))]
    (colour,) = found(look(colour="green"))
    assert (colour.kind, colour.patch) == ("wrong colour", '[lamps.l1]\ncolour = "green"\n')
    assert kinds(look(flickering=True)) == [("flickering", ("a.l1",))]
    assert found(look(colour="red")) == []


def test_displays() -> None:
    from benchcon.diagnosis.segments import Flaw, through
    from benchcon.walk.patterns import pictures

    def shown(*flaws: Flaw) -> list[dict[str, Any]]:
        return [
            {"what": "display", "part": "d1", "set": p.hex(), "seen": bytes(through(flaws, tuple(p))).hex()}
            for p in pictures(3)
        ]

    assert found(shown()) == []
    (dead,) = found(shown(Flaw("dead", (6,), (1,))))
    assert (dead.kind, dead.detail["segments"], dead.detail["digits"]) == ("segment dead", ["A"], [2])
    # The same wire lights segment A in the other digits.
    assert "look first at segment A at digit 2, its joint, or the segment itself" in dead.line()
    (wire,) = found(shown(Flaw("stuck", (0,))))
    assert (wire.kind, wire.detail["segments"], wire.detail["digits"]) == ("segment stuck", ["G"], [])
    assert "look first at the wire of segment G" in wire.line()
    (swap,) = found(shown(Flaw("swap", (3, 6))))
    assert (swap.kind, sorted(swap.detail["segments"])) == ("segments swapped", ["A", "D"])
    (order,) = found(shown(Flaw("digits", (), (2, 1, 0))))
    assert (order.kind, order.detail["order"]) == ("digits swapped", [3, 2, 1])
    crossed = [
        {"what": "display", "part": a, "set": p.hex(), "seen": "", "displays": {b: p.hex()}}
        for a, b in (("d1", "d2"), ("d2", "d1"))
        for p in pictures(3)
    ]
    assert kinds(crossed) == [("crossed", ("a.d1", "a.d2"))]


def test_a_whole_connector_that_is_dead_is_one_fault() -> None:
    text = small().text + "".join(
        f'[controls.x{n}]\nkind = "button"\nchannel = {{ id = "a.x{n}", connector = "J9" }}\n' for n in range(4)
    )
    from benchcon.panel.file import loads

    panel = loads(text, "more")
    evidence = [s for n in range(4) for s in presses(f"x{n}", {f"x{n}": 0}, {f"x{n}": 0})]
    (finding,) = diagnose(panel, evidence)
    assert (finding.kind, len(finding.channels), finding.detail["connector"]) == ("common open", 4, "J9")
    assert len(diagnose(panel, evidence[:4])) == 2


def test_every_kind_can_be_put_into_words_and_is_a_class_of_its_own() -> None:
    for kind, about in KINDS.items():
        assert about.same[0] == kind
        assert about.decide or len(about.same) == 1 or kind == "reversed"


def test_evidence_about_parts_that_are_not_there_is_refused_in_one_line() -> None:
    with pytest.raises(Trouble, match="no part 'b11'; did you mean"):
        found([put("b11", 1, b1=1)])


def _bads(panel: Any, rng: random.Random, count: int) -> list[Bad]:
    bads: list[Bad] = []
    while len(bads) < count:
        bad = random_bad(panel, rng)
        if bad is not None and not any(hides(bad, other) for other in bads):
            bads.append(bad)
    return bads


@pytest.mark.parametrize(
    ("faults", "count", "least"),
    [
        (1, 3, 3),
        (2, 2, 2),
        (0, 3, 3),
        *(pytest.param(*row, marks=pytest.mark.slow) for row in ((1, 20, 20), (2, 20, 18), (0, 20, 20))),
    ],
)
def test_a_simulated_person_on_random_panels(faults: int, count: int, least: int) -> None:
    """The figures, small; `tests/bench/walk_diagnosis.py` has the whole of them."""
    good = 0
    for n in range(count):
        rng = random.Random(7_000 + 100 * faults + n)
        panel = random_panel(rng)
        bads = _bads(panel, rng, faults)
        good += named(diagnose(panel, Person(panel, bads, rng).go()), bads, panel)
    assert good >= least


@pytest.mark.parametrize("faults", [0, 1, 2])
def test_bare_evidence_without_times_and_without_asking_again(faults: int) -> None:
    good = 0
    for n in range(3):
        rng = random.Random(8_000 + 100 * faults + n)
        panel = random_panel(rng)
        bads = [b for b in _bads(panel, rng, faults) if b.kind != "chattering"]
        good += named(diagnose(panel, scribble(panel, bads, rng)), bads, panel)
    assert good == 3


def test_the_same_evidence_gives_the_same_findings_as_values_or_as_json() -> None:
    from benchcon.diagnosis.evidence import as_json

    rng = random.Random(5)
    panel = random_panel(rng)
    evidence = Person(panel, _bads(panel, rng, 2), rng).go()
    once = diagnose(panel, evidence)
    assert once
    assert diagnose(panel, [as_json(e) for e in evidence]) == once
