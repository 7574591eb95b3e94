"""Figures on displays: against the driver's data sheet, and back again."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.panel.model import Channel, Display
from benchcon.panel.segments import decode, encode, format_number


def display(digits: int, form: str = "") -> Display:
    return Display("d", "D", Channel("desk", "d"), digits, form)


@pytest.mark.parametrize(
    ("character", "segments"),
    # Source: MAX7219/MAX7221 data sheet, table 5 (code B font), bits A to G = 6 to 0.
    [*zip("0123456789-EHLP ", bytes.fromhex("7E306D79335B5F707F7B014F370E6700"), strict=True)],
)
def test_figures_are_those_of_the_data_sheet(character: str, segments: int) -> None:
    assert encode(character, 1) == bytes([segments])
    assert encode(character + ".", 1) == bytes([segments | 0x80])


@given(st.binary(max_size=8))
def test_whatever_is_shown_has_a_text_that_shows_it_again(segments: bytes) -> None:
    assert encode(decode(segments), len(segments)) == segments


@given(st.lists(st.tuples(st.sampled_from("0123456789-AbCdEFhLnoPrtUy "), st.sampled_from(["", "."])), max_size=8))
def test_what_is_typed_is_what_is_read_back(characters: list[tuple[str, str]]) -> None:
    text = "".join(character + point for character, point in characters)
    assert decode(encode(text, len(characters))) == text


def test_shorter_text_stands_at_the_right_and_points_take_no_place() -> None:
    assert encode("1.5", 4).hex() == "0000b05b"
    assert decode(encode("29.92", 5)) == " 29.92"
    assert encode(".5", 2).hex() == "805b"
    assert encode("{ADG}", 1) == bytes([0x49])


@pytest.mark.parametrize(
    ("text", "digits", "words"),
    [("123", 2, "needs 3 digits; the display has 2"), ("K", 1, '"K"'), ("\x1b", 1, "x1B"), ("1{AH}", 4, '"{"')],
)
def test_what_cannot_be_shown_is_said(text: str, digits: int, words: str) -> None:
    with pytest.raises(Trouble, match=words.replace("{", r"\{")):
        encode(text, digits)


@pytest.mark.parametrize(
    ("form", "digits", "value", "shown"),
    [
        ("000", 3, 7, "007"),
        ("##0", 3, 7, "  7"),
        ("", 3, 7, "  7"),
        ("0000.0", 5, 1013.25, "1013.3"),
        ("00.00", 5, 29.92, " 29.92"),
        ("##00.0", 5, 4.56, "  04.6"),
        ("000", 3, -5, "-05"),
        ("##0", 3, -5, " -5"),
        ("000", 3, -99, "-99"),
        ("000", 3, -100, "---"),
        ("000", 3, 999.4, "999"),
        ("000", 3, 999.5, "---"),
        ("0.0", 2, -0.04, "0.0"),
        ("000", 3, math.nan, "---"),
        ("000", 3, math.inf, "---"),
        ("000", 3, 10**400, "---"),
    ],
)
def test_numbers_are_shown_as_the_format_says(form: str, digits: int, value: float, shown: str) -> None:
    assert format_number(display(digits, form), value) == shown


@given(
    st.sampled_from(["000", "##0", "0000.0", "00.00", "#0.0", "0", "00000000"]),
    st.integers(-(10**9), 10**9) | st.floats(-1e6, 1e6) | st.floats(),
)
def test_a_display_never_shows_a_wrong_number(form: str, value: float) -> None:
    digits = len(form.replace(".", ""))
    shown = format_number(display(digits, form), value)
    assert len(encode(shown, digits)) == digits
    assert decode(encode(shown, digits)) == shown
    if shown != "-" * digits:
        part = len(form.partition(".")[2])
        exact = Decimal(repr(value)).quantize(Decimal(1).scaleb(-part), ROUND_HALF_UP)
        assert Decimal(shown.strip()) == exact
