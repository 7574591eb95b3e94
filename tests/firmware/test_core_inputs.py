"""Inputs of the C core in virtual time: debounce, edges, encoders, potentiometers, selectors, a matrix."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

import pytest
from firmware.virtual import SCAN_US, Board, board, needs_compiler
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

pytestmark = needs_compiler

GRAY = (0, 2, 3, 1)
"""Levels A·2+B of a quadrature encoder when A leads B (any encoder's data sheet; `line-protocol.md`, section 6)."""


@pytest.fixture(scope="module")
def reference() -> Iterator[Board]:
    with board("reference") as running:
        yield running


@pytest.fixture(scope="module")
def desk() -> Iterator[Board]:
    with board("desk") as running:
        yield running


@pytest.fixture(scope="module")
def matrix() -> Iterator[Board]:
    with board("matrix") as running:
        yield running


def fresh(running: Board) -> Board:
    running.take()
    running.command("reset", "reset")
    running.settle()
    return running


def test_a_contact_is_told_when_it_has_settled(desk: Board) -> None:
    fresh(desk)
    began = int(desk.command("time")[0])
    desk.command("made", "sw_ap", 1)
    (said,) = desk.notifications(30)
    assert said.notification == "is sw_ap=1"
    # 10 ms of standing still, seen by a scan each 400 us; the line follows within 5 ms (notification-time).
    assert 10_000 <= said.clock_us - began <= 10_000 + 2 * SCAN_US
    assert 0 <= said.at_us - said.clock_us <= 5_000
    desk.command("made", "sw_ap", 0)
    assert [said.notification for said in desk.notifications(30)] == ["is sw_ap=0"]


# Bounce of ordinary switches: nearly all under 6.2 ms (J. Ganssle, A Guide to Debouncing; values from memory).
bounces = st.lists(st.integers(20, 1500), max_size=12).filter(lambda gaps: sum(gaps) <= 6200)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(bounces, st.sampled_from(["sw_ap", "b_tst"]))
def test_bounce_is_told_once(desk: Board, gaps: list[int], id_: str) -> None:
    fresh(desk)
    made = 1
    desk.command("made", id_, made)
    for gap in gaps if len(gaps) % 2 == 0 else gaps[1:]:
        desk.command("run", gap)
        made ^= 1
        desk.command("made", id_, made)
    assert made == 1
    assert [said.notification for said in desk.notifications(40)] == [f"is {id_}=1"]
    desk.command("made", id_, 0)
    assert [said.notification for said in desk.notifications(40)] == [f"is {id_}=0"]


def test_a_spike_shorter_than_the_settling_time_is_not_told(desk: Board) -> None:
    fresh(desk)
    desk.command("made", "sw_ap", 1)
    desk.command("run", 9_000)
    desk.command("made", "sw_ap", 0)
    assert desk.notifications(40) == []


def test_acting_on_the_first_edge_is_quick_and_then_held_off(desk: Board) -> None:
    fresh(desk)
    began = int(desk.command("time")[0])
    desk.command("made", "b_tst", 1)
    desk.command("run", 2_000)
    desk.command("made", "b_tst", 0)  # let go within the hold-off: told when that is over
    first, second = desk.notifications(30)
    assert (first.notification, second.notification) == ("is b_tst=1", "is b_tst=0")
    assert first.clock_us - began <= SCAN_US + 1
    assert first.at_us - began <= 1_200  # pin edge to first byte, line idle
    assert 10_000 <= second.clock_us - first.clock_us <= 10_000 + 2 * SCAN_US


def test_changes_of_one_scan_come_on_one_line_as_many_as_fit(desk: Board) -> None:
    fresh(desk)
    ids = ["sw_ap", "sw_rw", "sw_tw", "sw_st", "sw_ob", "int1", "int2", "int3", "int4", "int5"]
    for id_ in ids:
        desk.command("made", id_, 1)
    said = desk.notifications(40)
    assert len(said) == 2
    assert len({line.clock_us for line in said}) == 1
    assert sorted(word for line in said for word in line.words[3:]) == sorted(f"{id_}=1" for id_ in ids)


def test_raw_edges_at_a_pin_have_their_own_times(reference: Board) -> None:
    fresh(reference)
    reference.ask("raw sw1=1")
    gaps = [130, 57, 1003, 12, 400, 61, 61, 61, 61, 61, 61, 61, 61, 9000]
    start = int(reference.command("time")[0])
    truth, level, at = [], 0, start
    for gap in gaps:
        reference.command("run", gap)
        at += gap
        level ^= 1
        reference.command("made", "sw1", level)
        truth.append((at, level))
    told: list[tuple[int, int]] = []
    for said in reference.notifications(60, "edge"):
        word, *later = said.words[3:]
        id_, _, first = word.partition("=")
        assert id_ == "sw1"
        told.append((said.clock_us, int(first)))
        for more in later:
            told.append((told[-1][0] + int(more, 16), told[-1][1] ^ 1))
    assert told == truth
    assert reference.ask("raw sw1=0").body == "<01 raw sw1=0"
    reference.command("made", "sw1", level ^ 1)
    assert reference.notifications(30, "edge") == []


def test_raw_edges_behind_a_register_are_those_of_the_scan(reference: Board) -> None:
    fresh(reference)
    reference.ask("raw sw2=1")
    reference.command("made", "sw2", 1)  # inverted: made is low
    assert [said.notification for said in reference.notifications(2, "edge")] == ["edge sw2=0"]
    now = int(reference.command("time")[0])
    reference.command("run", (101 - now) % SCAN_US)  # scans are at 1 us and each 400 us after
    reference.command("made", "sw2", 0)
    reference.command("run", 200)
    reference.command("made", "sw2", 1)  # in between two scans: not seen
    assert reference.notifications(2, "edge") == []


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([-1, 1, 2]), min_size=1, max_size=60))
def test_an_encoder_counts_by_the_gray_table(reference: Board, moves: list[int]) -> None:
    reference.command("ab", "e1", 0)
    fresh(reference)
    phase = count = skips = 0
    for move in moves:
        phase += move
        if move == 2:
            skips += 1  # both levels at once: nobody can say which way
        else:
            count += move
        reference.command("ab", "e1", GRAY[phase % 4])
        reference.command("run", 600)
    said = [line.notification or "" for line in reference.notifications(120)]
    counts = [line for line in said if line.startswith("is e1=")]
    jumps = [line for line in said if line.startswith("skip")]
    assert reference.ask("read e1").words[-1] == f"e1={count & 0xFFFF:04X}"
    assert (jumps[-1:] or ["skip e1=0000"]) == [f"skip e1={skips:04X}"]
    assert (counts[-1] if counts else "is e1=0000") == f"is e1={count & 0xFFFF:04X}"


def test_raw_edges_of_an_encoder_give_both_levels(reference: Board) -> None:
    reference.command("ab", "e1", 0)
    fresh(reference)
    reference.ask("raw e1=1")
    for ab in GRAY[1:] + GRAY[:1]:
        reference.command("ab", "e1", ab)
        reference.command("run", 700)
    assert [said.notification for said in reference.notifications(60, "edge")] == [
        f"edge e1={ab}" for ab in (2, 3, 1, 0)
    ]


def test_a_potentiometer_is_still_when_still_and_reaches_both_ends(reference: Board) -> None:
    reference.command("pot", "p1", 512)
    fresh(reference)
    reference.run(200)
    rng = random.Random(3)
    for _ in range(400):
        reference.command("pot", "p1", 512 + rng.choice((-1, 0, 0, 1)))
        reference.command("run", 1000)
    assert [said.body for said in reference.take() if said.words[2] == "is"] == []
    for end in (1023, 0, 1023):
        reference.command("pot", "p1", end)
        assert reference.notifications(300, "is")[-1].notification == f"is p1={end:04X}"
    for end, near in ((1023, 1022), (0, 1)):
        reference.command("pot", "p1", end)
        reference.run(300)
        for _ in range(100):  # noise of one count at the end stop
            reference.command("pot", "p1", rng.choice((end, near)))
            reference.command("run", 1000)
        assert [said.body for said in reference.take() if said.words[2] == "is"] == []


def test_raw_readings_are_unfiltered_and_at_most_twenty_a_second(reference: Board) -> None:
    reference.command("pot", "p1", 100)
    fresh(reference)
    reference.run(300)
    reference.ask("raw p1=1")
    reference.command("pot", "p1", 900)
    said = reference.notifications(3000, "raw")
    assert 0 < len(said) <= 61
    assert {line.notification for line in said} <= {"raw p1=0064", "raw p1=0384"}
    for first, last in zip(said, said[20:], strict=False):
        assert last.clock_us - first.clock_us >= 999_000


def test_a_selector_holds_between_positions_and_is_told_once_a_move(reference: Board) -> None:
    reference.command("code", "sel1", 0)
    fresh(reference)
    reference.run(50)
    for position, between in ((2, 7), (4, 5), (1, 6)):
        reference.command("code", "sel1", between)  # no position has this code: on its way
        assert reference.notifications(20) == []
        reference.command("code", "sel1", position)
        assert [said.notification for said in reference.notifications(20)] == [f"is sel1={position}"]


def read_levels(pressed: set[tuple[int, int]]) -> set[tuple[int, int]]:
    """What a matrix without diodes reads: row and column are joined wherever current finds a way through contacts."""
    found = set()
    for row in range(4):
        rows, columns = {row}, set[int]()
        while True:
            more = {c for r, c in pressed if r in rows}
            wider = {r for r, c in pressed if c in more} | rows
            if more == columns and wider == rows:
                break
            rows, columns = wider, more
        found |= {(row, c) for c in columns}
    return found


PAIRS = list(itertools.combinations(range(4), 2))


def hold(running: Board, pressed: set[tuple[int, int]]) -> list[str]:
    """Hold these contacts, and only these; what it reports, word by word."""
    levels = read_levels(pressed)
    for row, column in itertools.product(range(4), range(4)):
        running.command("made", f"k{row}{column}", int((row, column) in levels))
    return [f"{said.words[2]} {word}" for said in running.notifications(60) for word in said.words[3:]]


def test_the_fourth_corner_of_a_rectangle_is_told_as_a_ghost(matrix: Board) -> None:
    fresh(matrix)
    assert hold(matrix, {(0, 0)}) == ["is k00=1"]
    assert hold(matrix, {(0, 0), (0, 1)}) == ["is k01=1"]
    # The third makes the fourth read made as well, and nothing can tell which of the two is real.
    assert sorted(hold(matrix, {(0, 0), (0, 1), (1, 0)})) == ["ghost k10", "ghost k11"]
    assert sorted(hold(matrix, {(0, 1), (1, 0)})) == ["is k00=0", "is k10=1"]
    assert sorted(hold(matrix, set())) == ["is k01=0", "is k10=0"]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), max_size=14))
def test_no_ghost_is_ever_told_as_made(matrix: Board, keys: list[tuple[int, int]]) -> None:
    hold(matrix, set())
    pressed: set[tuple[int, int]] = set()
    told: set[str] = set()
    for key in keys:
        pressed ^= {key}
        real = {f"k{r}{c}" for r, c in pressed}
        read = read_levels(pressed)
        for word in hold(matrix, pressed):
            kind, _, what = word.partition(" ")
            if kind == "is":
                assert what[:3] in real or what.endswith("=0")
                (told.add if what.endswith("=1") else told.discard)(what[:3])
        # One that was told before may stay for as long as the matrix reads it made: that it was let go cannot be seen.
        assert told <= {f"k{r}{c}" for r, c in read}
        if not any({(r, c), (r, d), (q, c), (q, d)} <= read for q, r in PAIRS for c, d in PAIRS):
            assert told == real  # no rectangle: nothing is in doubt
