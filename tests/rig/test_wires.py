"""What lies between a part and its channel: each kind of fault as a user would notice it."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rig.panels import MATRIX, desk

from benchcon.panel.file import loads
from benchcon.rig import loom
from benchcon.rig.faults import Fault, fault_of_words
from benchcon.rig.wiring import wiring

DESK = desk()
CONTACTS = [id_ for id_, kind in DESK.kinds.items() if kind == "contact"]
NONE_MADE = dict.fromkeys(CONTACTS, False)
DARK = {"l1": 0, "l2": 0, "l3": 0}


def faults(*texts: str) -> list[Fault]:
    return [fault_of_words(text.split()) for text in texts]


def made(*ids: str) -> dict[str, bool]:
    return {id_: id_ in ids for id_ in CONTACTS}


def reads(with_faults: Iterable[Fault], *ids: str) -> set[str]:
    return {id_ for id_, is_made in loom.contacts(made(*ids), DESK, list(with_faults)).items() if is_made}


def test_a_plug_turned_round_one_hole_on_or_off_moves_all_its_wires() -> None:
    turned, on = faults("mirrored r1 r2 r3"), faults("shifted r1 r2 r3")
    assert [reads(turned, id_) for id_ in ("r1", "r2", "r3")] == [{"r3"}, {"r2"}, {"r1"}]
    assert [reads(on, id_) for id_ in ("r1", "r2", "r3")] == [{"r2"}, {"r3"}, set()]
    assert reads(faults("common_open r1 r2 r3"), "r1", "r2", "r3", "left") == {"left"}


@given(st.sets(st.sampled_from(CONTACTS)))
def test_a_healthy_board_reads_what_the_parts_do(ids: set[str]) -> None:
    assert reads([], *ids) == ids


def test_crossed_contacts_change_places_and_a_ring_goes_round() -> None:
    assert reads(faults("crossed left right"), "left") == {"right"}
    assert reads(faults("crossed left right"), "right") == {"left"}
    ring = faults("crossed r1 r2 r3")
    assert [reads(ring, id_) for id_ in ("r1", "r2", "r3")] == [{"r2"}, {"r3"}, {"r1"}]


@given(
    st.permutations(CONTACTS).flatmap(lambda ids: st.integers(2, 5).map(lambda n: ids[:n])),
    st.sets(st.sampled_from(CONTACTS)),
)
def test_a_ring_taken_as_often_as_it_is_long_is_no_ring(ring: list[str], ids: set[str]) -> None:
    """Permutations of n taken n times are the identity: nothing is lost in a crossing."""
    crossed = faults(f"crossed {' '.join(ring)}")
    assert reads(crossed * len(ring), *ids) == ids
    assert len(reads(crossed, *ids)) == len(ids)


def test_open_stuck_inverted_and_shorted() -> None:
    assert reads(faults("open key"), "key", "left") == {"left"}
    assert reads(faults("stuck key value=1")) == {"key"}
    assert reads(faults("stuck key value=0"), "key") == set()
    assert reads(faults("inverted key")) == {"key"}
    assert reads(faults("inverted key"), "key") == set()
    assert reads(faults("shorted left right"), "left") == {"left", "right"}
    assert reads(faults("shorted left right")) == set()


@pytest.mark.parametrize("held", [set(ids) for ids in product(("key", "left"), ("right", "r1"))])
def test_two_held_keys_of_a_rectangle_make_no_ghost(held: set[str]) -> None:
    assert reads(faults("ghost key left right r1"), *held) == held


def test_three_held_keys_of_a_rectangle_make_the_fourth() -> None:
    corners = ["key", "left", "right", "r1"]
    for missing in corners:
        held = [id_ for id_ in corners if id_ != missing]
        assert reads(faults("ghost key left right r1"), *held) == set(corners)


@given(st.sets(st.sampled_from([f"k{row}{column}" for row in range(3) for column in range(3)])))
def test_ghosts_of_a_matrix_are_where_current_finds_a_way(held: set[str]) -> None:
    """Checked by another way of seeing it: from row to row over shared columns, until nothing is added."""
    matrix = wiring(loads(MATRIX, "matrix.toml"), "desk")
    found = loom.contacts({id_: id_ in held for id_ in matrix.kinds}, matrix, [fault_of_words(["ghost", "k00"])])
    for row in range(3):
        reached, grown = {row}, True
        while grown:
            columns = {column for r in reached for column in range(3) if f"k{r}{column}" in held}
            rows = {r for r in range(3) for column in columns if f"k{r}{column}" in held}
            grown = not rows <= reached
            reached |= rows
        for column in range(3):
            assert found[f"k{row}{column}"] == (column in columns)


def test_encoder_levels_follow_the_gray_table() -> None:
    # Source: any encoder's data sheet: 00 01 11 10, one contact changes at a time.
    level, seen = 3, []
    for _ in range(4):
        after = loom.RIGHT[level]
        assert bin(level ^ after).count("1") == 1
        seen.append(after)
        level = after
    assert sorted(seen) == [0, 1, 2, 3]
    assert level == 3
    assert all(loom.LEFT[loom.RIGHT[level]] == level for level in range(4))


def test_encoder_faults() -> None:
    at_part = {"knob": 2}
    assert loom.encoder_levels("knob", at_part, []) == 2
    assert loom.encoder_levels("knob", at_part, faults("reversed knob")) == 1
    assert loom.encoder_levels("knob", at_part, faults("open knob phase=b")) == 3
    assert loom.encoder_levels("knob", {"knob": 0}, faults("open knob phase=a")) == 2
    assert loom.encoder_levels("knob", at_part, faults("stuck knob")) == loom.REST


@given(st.floats(0, 1))
def test_potentiometer_faults(turned: float) -> None:
    def counts(*texts: str) -> float | None:
        return loom.pot_counts("dial", {"dial": turned}, DESK, faults(*texts))

    assert counts() == pytest.approx(turned * 1023)
    assert counts("reversed dial") == pytest.approx((1 - turned) * 1023)
    assert counts("short_of_range dial low=100 high=900") == pytest.approx(100 + turned * 800)
    assert counts("stuck dial value=300") == 300
    assert counts("open dial") is None


def test_lamp_faults() -> None:
    def lit(*texts: str, **driven: int) -> dict[str, int]:
        return loom.lit({**DARK, **driven}, DESK, faults(*texts))

    assert lit(l1=1000) == {"l1": 1000, "l2": 0, "l3": 0}
    assert lit("dead l1", l1=1000) == DARK
    assert lit("open l1", l1=1000) == DARK
    assert lit("always_on l2") == {"l1": 0, "l2": 1000, "l3": 0}
    assert lit("dim l1 to=25%", l1=800) == {"l1": 200, "l2": 0, "l3": 0}
    assert lit("crossed l1 l2", l1=700) == {"l1": 0, "l2": 700, "l3": 0}
    assert lit("crossed l1 l2 l3", l3=700) == {"l1": 700, "l2": 0, "l3": 0}
    assert lit("lit_together l1 l3", l1=700) == {"l1": 700, "l2": 0, "l3": 700}
    assert loom.colours(DESK, faults("wrong_colour l1 colour=blue")) == {"l1": "blue", "l2": "amber", "l3": "red"}


def test_without_supply_nothing_is_lit_not_even_what_is_always_on() -> None:
    assert loom.lit({**DARK, "l1": 1000}, DESK, faults("always_on l2"), supply=False) == DARK
    assert loom.shown({"num": b"\x7f\x7f\x7f"}, DESK, faults("segment_stuck num segment=A"), supply=False) == {
        "num": b"\0\0\0"
    }


def test_display_faults() -> None:
    def shown(*texts: str, driven: bytes) -> bytes:
        return loom.shown({"num": driven}, DESK, faults(*texts))["num"]

    # 7E 30 6D are "0 1 2": MAX7219/MAX7221 data sheet, table 5 (code B font), bits A to G = 6 to 0.
    number = bytes.fromhex("7E306D")
    assert shown(driven=number) == number
    assert shown("segment_dead num segment=A", driven=number) == bytes.fromhex("3E302D")
    assert shown("segment_dead num segment=A digit=3", driven=number) == bytes.fromhex("7E302D")
    assert shown("segment_stuck num segment=G digit=1", driven=number) == bytes.fromhex("7F306D")
    # With the wires of B and F swapped, "1" (B, C) lights F and C.
    assert shown("segments_swapped num first=B second=F", driven=b"\x30\0\0") == b"\x12\0\0"
    assert shown("segments_swapped num first=P second=G", driven=b"\x80\x01\x81") == b"\x01\x80\x81"
    assert shown("digits_swapped num order=3,2,1", driven=number) == bytes.fromhex("6D307E")
    assert shown("dead num", driven=number) == b"\0\0\0"


@given(st.binary(min_size=3, max_size=3), st.sampled_from("PABCDEFG"), st.sampled_from("PABCDEFG"))
def test_swapping_segment_wires_twice_is_no_fault(driven: bytes, first: str, second: str) -> None:
    swapped = faults(f"segments_swapped num first={first} second={second}")
    once = loom.shown({"num": driven}, DESK, swapped)
    assert loom.shown(once, DESK, swapped) == {"num": driven}
