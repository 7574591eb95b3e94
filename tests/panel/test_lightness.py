"""Lightness against CIE 1976, worked out by an independent library."""

from __future__ import annotations

import cie
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.panel.file import loads
from benchcon.panel.lightness import at_level, duty_of, level_word, lightness_of, looks_permille, sent_permille
from benchcon.panel.model import Channel, Lamp


@given(st.floats(0, 1000))
def test_duty_is_the_luminance_of_that_lightness(permille: float) -> None:
    # Source: ISO/CIE 11664-4 through PyPI `colour-science` (luminance in percent of the white).
    assert duty_of(permille) == pytest.approx(cie.luminance_of(permille / 10) / 100, rel=1e-6, abs=1e-9)


@given(st.floats(0, 1))
def test_lightness_is_the_way_back(duty: float) -> None:
    assert lightness_of(duty) == pytest.approx(10 * cie.lightness_of(100 * duty), rel=1e-6, abs=1e-6)
    assert duty_of(lightness_of(duty)) == pytest.approx(duty, abs=1e-9)


def test_half_as_light_is_a_duty_of_18_percent() -> None:
    # Source: CIE 1976; L* 50 is Y 18.42 %.
    assert duty_of(500) == pytest.approx(0.1842, abs=5e-5)


def lamp(trim: int) -> Lamp:
    return Lamp("l", "L", Channel("b", "l"), trim_permille=trim)


@given(st.integers(0, 1000), st.integers(10, 1000))
def test_a_trim_takes_the_same_share_of_luminance_at_every_level(level: int, trim: int) -> None:
    sent = sent_permille(lamp(trim), level)
    assert (sent == 0) == (level == 0)
    assert sent <= max(level, 1)
    want = duty_of(level) * duty_of(trim)
    # Half a permille of lightness is all that rounding may cost; a lamp that is on never rounds to off.
    assert sent == 1 or abs(lightness_of(want) - sent) <= 0.51


@given(st.integers(200, 1000), st.integers(300, 1000))
def test_what_was_sent_tells_what_is_seen(level: int, trim: int) -> None:
    # Below that a permille of what is sent is many permille of what is seen.
    assert abs(looks_permille(lamp(trim), sent_permille(lamp(trim), level)) - level) <= 4


@given(st.integers(1, 1000), st.integers(100, 1000), st.integers(100, 1000))
def test_the_night_level_comes_on_top_of_every_trim(level: int, trim: int, night: int) -> None:
    """CIE 1976 (ISO/CIE 11664-4): luminances multiply, so lamps that look alike by day look alike at night."""
    text = f'[panel]\nnight = "{night / 10:g} %"\n[boards.b]\n[lamps.l]\nchannel = "l"\ntrim = "{trim / 10:g} %"\n'
    day = loads(text)
    dark = at_level(day, "night")
    assert at_level(dark, "day") == day
    by_day, at_night = (sent_permille(panel.lamps[0], level) for panel in (day, dark))
    assert by_day == sent_permille(lamp(trim), level)
    assert at_night == max(1, round(lightness_of(duty_of(level) * duty_of(trim) * duty_of(night))))
    # One step of the wire is 1 permille of lightness; the more is taken away, the more it is of what is left.
    step = (duty_of(at_night + 1) - duty_of(at_night)) / (duty_of(trim) * duty_of(night))
    assert abs(duty_of(looks_permille(dark.lamps[0], at_night)) - duty_of(level)) <= step + 0.001


def test_without_a_night_level_night_is_as_day() -> None:
    panel = loads('[panel]\nday = "80 %"\n[boards.b]\n[lamps.l]\nchannel = "l"\n')
    assert panel.lamps[0].level_permille == 800
    assert at_level(panel, "night") is panel


@given(st.integers(10, 1000), st.integers(10, 1000))
def test_a_lamp_that_was_switched_on_is_called_on_whatever_its_trim(on: int, trim: int) -> None:
    switched = Lamp("l", "L", Channel("b", "l"), on_permille=on, trim_permille=trim)
    assert level_word(switched, looks_permille(switched, sent_permille(switched, on))) == "on"


def test_a_lamp_brighter_than_it_is_switched_on_is_called_by_its_level() -> None:
    # The README's words: a lamp is off, on or at a level.
    at_60 = Lamp("l", "L", Channel("b", "l"), on_permille=600)
    assert [level_word(at_60, level) for level in (0, 300, 600, 1000)] == ["off", "30 %", "on", "100 %"]
    assert level_word(Lamp("l", "L", Channel("b", "l"), on_permille=600, dimmed=False), 1000) == "on"
