"""The pictures for displays: as few as can be, telling apart what can be told apart, within the budget."""

from __future__ import annotations

import random
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.diagnosis.segments import Flaw, solve, through
from benchcon.walk.patterns import PICTURES, lit, pictures, single_flaws, within


def record(pictured: list[bytes], flaw: Flaw | None) -> tuple[tuple[int, ...], ...]:
    return tuple(through([flaw] if flaw else [], tuple(picture)) for picture in pictured)


@pytest.mark.parametrize("digits", range(1, 9))
def test_four_pictures_tell_every_single_flaw_from_every_other(digits: int) -> None:
    four = pictures(digits)
    assert len(four) == PICTURES
    seen = {record(four, None): "healthy"}
    for kind, bits, where in single_flaws(digits):
        if kind == "dead" and not bits and len(where) == digits:
            continue
        shown = record(four, Flaw(kind, bits, where))
        assert shown not in seen, f"{kind} {bits} {where} looks like {seen[shown]}"
        seen[shown] = f"{kind} {bits} {where}"


def test_three_pictures_cannot_whichever_they_are() -> None:
    """By enumeration, for one digit: of all sets of three pictures of eight segments not one separates the flaws.

    Only what a segment does over the three pictures counts, eight possible records; a set of pictures is a choice of a
    record for each segment, and which segment has which does not matter: 6435 multisets are all there are. For more
    digits each digit alone has the same flaws (`single_flaws` holds them for every digit).
    """
    from itertools import combinations_with_replacement

    tried = 0
    for records in combinations_with_replacement(range(8), 8):
        tried += 1
        three = [bytes([sum((word >> n & 1) << bit for bit, word in enumerate(records))]) for n in range(3)]
        seen = {record(three, None)}
        for kind, bits, where in single_flaws(1):
            shown = record(three, Flaw(kind, bits, where))
            if shown in seen:
                break
            seen.add(shown)
        else:
            pytest.fail(f"{three} separates everything")
    assert tried == 6435


@pytest.mark.parametrize("digits", [1, 2, 5, 8])
def test_each_segment_is_lit_once_and_dark_once_and_no_two_are_alike(digits: int) -> None:
    four = pictures(digits)
    for digit in range(digits):
        words = [tuple(p[digit] >> bit & 1 for p in four) for bit in range(8)]
        assert len(set(words)) == 8
        assert all(0 < sum(word) < PICTURES for word in words)
    columns = [bytes(p[digit] for p in four) for digit in range(digits)]
    assert len(set(columns)) == digits


@given(st.integers(1, 8), st.floats(0.5, 10), st.floats(20, 400))
def test_never_more_lit_than_the_budget_allows(digits: int, segment_ma: float, budget_ma: float) -> None:
    shown = within(digits, segment_ma, budget_ma)
    most = max(lit(p) for p in pictures(1)) * segment_ma
    if most <= budget_ma:
        assert all(lit(picture) * segment_ma <= budget_ma for picture in shown)
    for digit in range(digits):  # all that four pictures prove is proved still
        assert {p[digit] for p in shown} >= {p[digit] for p in pictures(digits)}


@pytest.mark.parametrize("seed", [*range(2), *(pytest.param(n, marks=pytest.mark.slow) for n in range(2, 12))])
def test_any_two_single_flaws_are_explained_by_no_more_than_two(seed: int) -> None:
    rng = random.Random(seed)
    digits = rng.randrange(1, 7)
    flaws = sorted(Flaw(*row) for row in single_flaws(digits))
    pair = sorted(rng.choice(flaws) for _ in range(2))
    seen = [(tuple(p), through(pair, tuple(p))) for p in pictures(digits)]
    solved = solve(seen)
    assert min(map(len, solved)) <= 2
    for chosen in solved:
        assert all(through(chosen, commanded) == shown for commanded, shown in seen)


def test_the_segments_of_ten_figures_have_names_as_in_the_data_sheet() -> None:
    """MAX7219/MAX7221 data sheet, table 5 (code B font): bits A…G are 6…0, the point is 7."""
    from benchcon.diagnosis.segments import NAMES

    font = (0x7E, 0x30, 0x6D, 0x79, 0x33, 0x5B, 0x5F, 0x70, 0x7F, 0x7B)
    lit_of = ("ABCDEF", "BC", "ABDEG", "ABCDG", "BCFG", "ACDFG", "ACDEFG", "ABC", "ABCDEFG", "ABCDFG")
    for byte, names in zip(font, lit_of, strict=True):
        assert "".join(NAMES[7 - bit] for bit in range(7, -1, -1) if byte >> bit & 1) == names
    assert len({frozenset(pair) for pair in combinations(NAMES, 2)}) == 28
