"""The words that every room uses: numbers with their nouns, lists, and what was likely meant."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.text import counted, decimal, listed, near, near_key, printable, spreadsheet_cell, times


def test_numbers_and_lists_read_as_in_a_sentence() -> None:
    assert [counted(number, "lamp") for number in (0, 1, 2)] == ["0 lamps", "1 lamp", "2 lamps"]
    assert [times(number) for number in (1, 2)] == ["once", "2 times"]
    assert [listed(words) for words in ((), ("a",), ("a", "b"), (1, 2, 3))] == ["", "a", "a and b", "1, 2 and 3"]


@pytest.mark.parametrize(("word", "meant"), [("gren", "green"), ("GREEN", "green"), ("xyz", "")])
def test_what_is_near_is_proposed(word: str, meant: str) -> None:
    assert near(word, ["red", "green", "blue"], "'") == (f"; did you mean '{meant}'?" if meant else "")


@given(st.text(), st.lists(st.text(min_size=1), max_size=5))
def test_a_strangers_names_are_proposed_printable(word: str, known: list[str]) -> None:
    told = near(word, known)
    assert printable(told) == told
    assert not told or any(f'"{printable(each)}"' in told for each in known)


@given(st.integers(0, 10**12), st.text())
def test_a_number_is_read_as_it_was_written_and_nothing_else_is_one(number: int, text: str) -> None:
    assert decimal(str(number), 13) == number
    assert decimal(str(number)) == (number if number < 10**9 else None)
    assert decimal(text) is None or text.strip("0123456789") == ""
    assert decimal("9" * 100_000, 15) is None
    assert decimal("\u0663") is None, "a digit of another script"


@given(st.one_of(st.text(), st.builds("".join, st.tuples(st.sampled_from("=+-@ '"), st.text()))))
def test_no_cell_of_a_spreadsheet_is_a_formula_and_none_loses_anything(text: str) -> None:
    cell = spreadsheet_cell(text)
    assert cell.removeprefix("'" if cell != printable(text) else "") == printable(text)
    if cell.startswith(("=", "+", "-", "@")):
        float(cell)


@given(st.one_of(st.integers(), st.floats(allow_nan=False, allow_infinity=False)))
def test_a_number_stays_a_number_in_a_spreadsheet(number: float) -> None:
    assert spreadsheet_cell(str(number)) == str(number)


@pytest.mark.parametrize(
    ("key", "known", "meant"),
    [
        ("positon", ("positions", "within"), "positions"),
        ("position", ("at", "within", "wired"), ""),
        ("colour", ("connector", "connector_pin", "wire"), ""),
        ("color", ("colour", "connector"), "colour"),
        ("di", ("id", "pin"), "id"),
        ("pni", ("id", "pin"), "pin"),
        ("ident", ("pin", "id"), "id"),
        ("pos", ("positions", "within"), "positions"),
        ("KIND", ("kind",), "kind"),
        ("x", ("at", "id"), ""),
    ],
)
def test_a_key_is_proposed_for_a_slip_of_the_hand_only(key: str, known: tuple[str, ...], meant: str) -> None:
    assert near_key(key, known) == (f'; did you mean "{meant}"?' if meant else "")
