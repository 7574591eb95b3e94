"""Numbers in what a board says of its channels: hex on the wire (line protocol, section 6), a stranger's at worst."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.panel.segments import segments_of
from benchcon.wire.items import detail_number, digits_in
from benchcon.wire.notifications import lights
from benchcon.wire.quote import quote, unquoted_pairs


@pytest.mark.parametrize(
    ("text", "digits"), [("1", 1), ("8", 8), ("9", 8), ("12", 8), ("0", 1), ("", 5), ("x", 5), ("-3", 5), ("1" * 99, 5)]
)
def test_a_displays_digits_are_one_to_eight_or_not_known(text: str, digits: int) -> None:
    assert digits_in({"digits": text} if text else {}, 5) == digits


@given(st.text())
def test_any_text_is_a_number_or_none(text: str) -> None:
    assert detail_number({"top": text}, "top", -1) >= -1


@given(st.dictionaries(st.from_regex(r"[a-z]{1,5}", fullmatch=True), st.text()))
def test_pairs_are_read_as_they_were_written(detail: dict[str, str]) -> None:
    words = [f"{key}={quote(text)}" for key, text in detail.items()]
    read = unquoted_pairs(["odd", *words])
    assert {key: quote(text) for key, text in read.items()} == {key: quote(text) for key, text in detail.items()}


@given(st.integers(0, 1 << 70), st.integers(1, 8))
def test_a_value_of_any_size_has_the_segments_of_its_digits(value: int, digits: int) -> None:
    assert segments_of(value, digits) == value.to_bytes(16, "big")[-digits:]


def test_a_set_that_lights_something() -> None:
    assert lights(("set", "l1=000", "l2=001"))
    assert not lights(("set", "l1=000", "d1=0000", "odd"))
