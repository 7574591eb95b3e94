"""What stands on a display for what a rule returned."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchcon.panel.model import Channel, Display, Lamp
from benchcon.panel.segments import digits_of, encode
from benchcon.rehearse.showing import NO_DATA, OVERFLOW, NumberStyle, display_shows, lamp_shows


def display(digits: int = 5, form: str = "") -> Display:
    return Display("d", "D", Channel("desk", "d"), digits, form)


def shows(value: object, form: str = "", digits: int = 5, own: str = "", **look: float) -> str:
    return display_shows(display(digits, own), value, NumberStyle(form, **look)).text


def test_the_segments_are_those_of_the_driver_s_data_sheet() -> None:
    # MAX7219/MAX7221 data sheet, table 5 (code B font): 0 to 9, bits A…G = 6…0.
    code_b = bytes.fromhex("7E306D79335B5F707F7B")
    assert display_shows(display(8), "01234567", NumberStyle()).value == code_b[:8]
    assert display_shows(display(2), 89, NumberStyle()).value == code_b[8:]
    assert display_shows(display(3), "1.5", NumberStyle()).value == bytes([0x00, 0x30 | 0x80, 0x5B])


@pytest.mark.parametrize(
    ("value", "form", "text"),
    [
        (7, "03d", "  007"),
        (7, "3d", "    7"),
        (-7, "04d", " -007"),
        (7, "+d", "   +7"),
        (3.14159, ".2f", "  3.14"),
        (3.14159, "06.2f", "003.14"),
        (0.125, ".2f", "  0.13"),  # halves away from zero, not to even as format(0.125, ".2f") would
        (2.5, ".0f", "    3"),
        (2.5, "d", "    3"),
        (-0.001, ".1f", "   0.0"),
        (3000, ",", " 3.000"),  # a point in place of the thousands comma
        (35000, ",", "35.000"),
        (999, ",", "  999"),
    ],
)
def test_python_s_format_language(value: float, form: str, text: str) -> None:
    if "+" in form:
        with pytest.raises(ValueError, match="cannot show"):
            shows(value, form)
        return
    assert shows(value, form) == text


def test_the_display_s_own_format_is_used_where_the_rule_has_none() -> None:
    assert shows(1013.25, own="0000.0") == "1013.3"
    assert shows(7, digits=3, own="000") == "007"


def test_scale_and_conversion() -> None:
    # ICAO standard atmosphere (Doc 7488): 1013.25 hPa is 29.92 inHg.
    from benchcon.units import linear

    factor, offset = linear("hPa", "inHg")
    assert shows(1013.25, ".2f", factor=factor, offset=offset) == " 29.92"
    assert shows(29920, ".2f", scale=0.001) == " 29.92"
    assert shows(100, ".0f", factor=linear("degC", "degF")[0], offset=linear("degC", "degF")[1]) == "  212"


@pytest.mark.parametrize("value", [100_000, -10_000, 99_999.5, math.inf, "123456", "1.2.3.4.5.6"])
def test_what_does_not_fit_is_shown_as_such_and_never_cut(value: object) -> None:
    shown = display_shows(display(), value, NumberStyle(".0f"))
    assert (shown.text, shown.why) == ("   OL", OVERFLOW)


def test_no_data_is_bars_and_is_not_what_overflow_looks_like() -> None:
    nothing = display_shows(display(), None, NumberStyle())
    assert (nothing.value, nothing.why) == (bytes([0x01] * 5), NO_DATA)
    assert display_shows(display(), math.nan, NumberStyle()).value == nothing.value
    assert display_shows(display(1), 10, NumberStyle()).text == "E"


@pytest.mark.parametrize("form", ["", "d", ".2f", ",", "08,.1f", "x", "n", ".3g"])
@pytest.mark.parametrize("value", [1e30, -1e308, 10**40, -(10**400), Decimal("1e9999"), Decimal("-Infinity")])
def test_a_huge_number_is_too_much_by_any_format(value: object, form: str) -> None:
    assert display_shows(display(), value, NumberStyle(form)).why == OVERFLOW
    assert display_shows(display(6, "000.00"), value, NumberStyle(form, scale=0.5)).why == OVERFLOW


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("sNaN"), float("nan")])
def test_no_number_is_no_data_whoever_made_it(value: object) -> None:
    assert display_shows(display(), value, NumberStyle(".1f")).why == NO_DATA


def test_a_lightness_may_miss_its_ends_as_floats_do() -> None:
    lamp = Lamp("l", "L", Channel("desk", "l"))
    assert lamp_shows(lamp, 1.1 + 2.2 - 2.3).text == "on"  # 1.0000000000000004
    assert lamp_shows(lamp, 0.3 - 0.1 - 0.2).text == "off"  # -2.8e-17
    for wrong in (1.001, -0.001):
        with pytest.raises(ValueError, match="a lightness from 0 to 1"):
            lamp_shows(lamp, wrong)


def test_blanks_in_front_take_no_room_that_is_not_there() -> None:
    assert shows(7, "8d", digits=2) == " 7"
    assert shows("   12", digits=2) == "12"
    assert display_shows(display(2), 123, NumberStyle("8d")).why == OVERFLOW
    assert display_shows(display(2), "12   ", NumberStyle()).why == OVERFLOW  # blanks behind put digits in their places


def test_what_does_not_fit_reads_as_it_is_documented() -> None:
    """O and 0 are the same segments, and a number display's OL is no 0L for whoever reads it elsewhere."""
    from benchcon.rehearse.seen import display_text

    assert display_text(display_shows(display(), 123456, NumberStyle()).value) == "   OL"  # type: ignore[arg-type]
    assert display_text(display_shows(display(), 10, NumberStyle()).value) == "   10"  # type: ignore[arg-type]


class Bool0d:
    """As a numpy scalar is, where numpy is not installed: no `bool`, and no `numbers.Real`."""

    ndim = 0
    __module__ = "numpy"

    def item(self) -> bool:
        return True


def test_numbers_of_other_libraries_are_numbers() -> None:
    assert lamp_shows(Lamp("l", "L", Channel("desk", "l")), Bool0d()).text == "on"
    assert lamp_shows(Lamp("l", "L", Channel("desk", "l")), Fraction(1, 4)).text == "25 %"
    assert shows(Fraction(5, 2), ".1f") == "   2.5"


def test_what_seven_segments_cannot_show_is_said() -> None:
    with pytest.raises(ValueError, match='seven segments cannot show "K"'):
        shows("KM")
    with pytest.raises(ValueError, match="takes a number, text, or None"):
        shows([1])


@given(st.integers(1, 8), st.floats(-1e9, 1e9), st.sampled_from(["", "d", ".0f", ".1f", ".2f", "08.3f", ",", ",.1f"]))
@example(5, -0.04, ".1f")
def test_a_shown_number_is_the_number(digits: int, value: float, form: str) -> None:
    """Whatever stands there and is not said to be too much reads back as the value, rounded."""
    shown = display_shows(display(digits), value, NumberStyle(form))
    assert len(shown.value) == digits  # type: ignore[arg-type]
    assert shown.value == encode(shown.text, digits)
    if shown.why:
        assert shown.why == OVERFLOW
        return
    decimals = {".1f": 1, ".2f": 2, "08.3f": 3, ",.1f": 1}.get(form, 0)
    if form == ",":
        return  # Python writes all the decimals that a number has
    read = shown.text.strip()
    if form == ",.1f":
        head, _, tail = read.rpartition(".")
        read = head.replace(".", "") + "." + tail
    step = Decimal(1).scaleb(-decimals)
    assert Decimal(read) == Decimal(repr(value)).quantize(step, ROUND_HALF_UP)


@given(st.text(st.sampled_from("0123456789.- {AG}ELP"), max_size=12))
def test_places_are_counted_as_the_segments_are_made(text: str) -> None:
    try:
        made = encode(text, 64)
    except Exception:
        return
    assert len(encode(text, max(digits_of(text), 1))) == max(digits_of(text), 1)
    assert made == encode(text, 64)


@pytest.mark.parametrize(
    ("value", "text"), [(True, "on"), (False, "off"), (0.4, "40 %"), (1, "on"), (0, "off"), (None, "off")]
)
def test_lamps(value: object, text: str) -> None:
    assert lamp_shows(Lamp("l", "L", Channel("desk", "l")), value).text == text


@pytest.mark.parametrize("value", [2, -0.1, "on", [True], math.nan])
def test_what_no_lamp_can_show_is_said(value: object) -> None:
    with pytest.raises(ValueError, match="a lamp takes True, False"):
        lamp_shows(Lamp("l", "L", Channel("desk", "l")), value)
