"""What a control says by its channels."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.panel.codes import binary, gray, one_of
from benchcon.panel.file import loads
from benchcon.panel.model import Control
from benchcon.panel.reading import contact_word, detents, own_position, position, position_of, share_permille
from benchcon.wire.items import signed16


def control(text: str) -> Control:
    return loads(f"[boards.b]\n[controls.c]\n{text}").controls[0]


ROTARY = control("kind = 'switch'\npositions = ['low', 'mid', 'high']\nchannels = ['c1', 'c2', 'c3']")
CENTRE_OFF = control(
    "kind = 'switch'\npositions = ['auto', 'off', 'on']\ncode = [[1,0],[0,0],[0,1]]\nchannels = ['c1', 'c2']"
)


def values(*made: int) -> dict[tuple[str, str], int]:
    return {("b", f"c{number}"): value for number, value in enumerate(made, 1)}


@pytest.mark.parametrize(
    ("which", "made", "found", "why"),
    [
        (ROTARY, (0, 1, 0), 1, ""),
        (ROTARY, (0, 0, 0), None, "none made"),
        (ROTARY, (1, 0, 1), None, "2 made: low, high"),
        (ROTARY, (1, 0), None, "not known"),
        (CENTRE_OFF, (0, 0), 1, ""),
        (CENTRE_OFF, (0, 1), 2, ""),
        (CENTRE_OFF, (1, 1), None, "no position has 1 1"),
    ],
)
def test_a_switch_is_in_a_position_or_says_why_not(
    which: Control, made: tuple[int, ...], found: int | None, why: str
) -> None:
    assert position(which, values(*made)) == (found, why)
    assert position_of(which, values(*made)) == found


@given(st.integers(1, 4).flatmap(lambda count: st.tuples(st.just(count), st.integers(2, max(2, 2**count)))))
def test_codes_tell_all_positions_apart(size: tuple[int, int]) -> None:
    count, positions = size
    for codes in (gray(positions, count), binary(positions, count), one_of(positions)):
        assert len(set(codes)) == positions
    # Source: that is what makes a code a Gray code.
    steps = gray(positions, count)
    assert all(sum(a != b for a, b in zip(x, y, strict=True)) == 1 for x, y in itertools.pairwise(steps))


def test_an_encoder_counts_detents_through_the_wrap() -> None:
    knob = control("kind = 'encoder'\nchannel = 'c1'")
    assert detents(knob, 0xFFFE, 2) == 1
    assert detents(knob, 2, 0xFFFA) == -2
    assert detents(control("kind = 'encoder'\nchannel = 'c1'\ninverted = true\ncounts_per_detent = 2"), 0, 4) == -2


def test_a_potentiometer_reaches_both_ends() -> None:
    knob = control("kind = 'pot'\nlow = 20\nhigh = 1000\nchannel = 'c1'")
    assert [share_permille(knob, counts) for counts in (0, 20, 510, 1000, 1023)] == [0, 0, 500, 1000, 1000]
    turned = control("kind = 'pot'\nlow = 20\nhigh = 1000\ninverted = true\nchannel = 'c1'")
    assert [share_permille(turned, counts) for counts in (0, 510, 1023)] == [1000, 500, 0]


@given(st.integers(0, 0xFFFF), st.integers(-0x8000, 0x7FFF))
def test_what_lies_between_two_counts_is_found_through_the_wrap(before: int, turned: int) -> None:
    assert signed16((before + turned) % 0x10000 - before) == turned


GRAY = control(
    "kind = 'switch'\npositions = ['off', 'one', 'two', 'both', 'test']\ncode = 'gray'\nchannels = ['m2', 'm1', 'm0']"
)


@pytest.mark.parametrize(
    ("which", "words"),
    [
        (ROTARY, ["low", "mid", "high"]),
        (CENTRE_OFF, ["auto", "on"]),
        (GRAY, ["m2", "m1", "m0"]),  # m0 is made in "one" and in "two", m1 in three positions, m2 never alone
    ],
)
def test_a_contact_has_a_positions_name_only_if_that_alone_says_the_position(which: Control, words: list[str]) -> None:
    assert [contact_word(which, place) for place in range(len(which.channels))] == words
    for place in range(len(which.channels)):
        made = {at for at, code in enumerate(which.codes) if code[place]}
        own = own_position(which, place)
        assert own is None or (made == {own} and position_of(which, values(*which.codes[own])) == own)
