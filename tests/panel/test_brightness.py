"""Evenly bright lamps: resistor and trim against Ohm's law, IEC 60063 and CIE 1976, by independent libraries."""

from __future__ import annotations

import re

import eseries
import pytest
from cie import luminance_of
from hypothesis import assume, given
from hypothesis import strategies as st

from benchcon.panel.brightness import LEAST_MA, NOTICED, as_drawn_mcd, match, uneven
from benchcon.panel.file import inspect, loads
from benchcon.panel.model import Board, Channel, Lamp, Panel, Wire

BOARD = Board("b", chip="atmega328p")


def lamp(mcd: float, forward_mv: int = 2000, dimmed: bool = True, pin: str = "D5", **more: object) -> Lamp:
    channel = Channel("b", "l", Wire(pin))
    return Lamp("l", "L", channel, forward_mv=forward_mv, intensity_mcd=mcd, dimmed=dimmed, **more)  # type: ignore[arg-type]


def panel(look: float, series: str = "E24") -> Panel:
    return Panel(boards=(BOARD,), look_mcd=look, resistors=series)


def light_mcd(of: Lamp, ohm: float, trim_permille: int) -> float:
    """What a lamp gives on 5 V, by Ohm's law, intensity in proportion to current, and `colour`'s CIE 1976."""
    current_ma = (5000 - of.forward_mv) / ohm
    share = luminance_of(trim_permille / 10) / 100 if of.dimmed else 1.0
    return of.intensity_mcd * current_ma / of.test_ma * share


def test_the_handbook_example() -> None:
    # By hand: 400 mcd at 20 mA, 20 mcd wanted: a twentieth, 1 mA; (5 V - 3 V) / 1 mA is 2 kOhm: in E24, not in E12.
    white = lamp(400, 3000)
    found = match(panel(20), BOARD, white)
    assert found is not None
    assert (found.ohm, found.current_ma, found.trim_permille) == (2000, 1, 1000)
    found = match(panel(20, "E12"), BOARD, white)
    assert found is not None
    # The next of E12 on the bright side: 1.8 kOhm, 1.11 mA; a duty of 0.9 is a lightness of 96.0 (CIE 1976).
    assert (found.ohm, found.trim_permille) == (1800, 960)


@given(
    st.floats(5, 2000),
    st.floats(5, 100),
    st.integers(1600, 3400),
    st.booleans(),
    st.sampled_from(["E12", "E24"]),
    st.sampled_from(["D5", "595.0"]),
)
def test_what_is_proposed_gives_the_wanted_look_within_what_its_pin_bears(
    mcd: float, look: float, forward_mv: int, dimmed: bool, series: str, pin: str
) -> None:
    each = lamp(mcd, forward_mv, dimmed, pin)
    found = match(panel(look, series), BOARD, each)
    assert found is not None
    # PyPI `eseries`, an independent table of IEC 60063.
    assert found.ohm == pytest.approx(eseries.find_nearest(eseries.ESeries[series], found.ohm), rel=1e-9)
    most = 6 if pin == "595.0" else 20
    assert found.current_ma == pytest.approx((5000 - forward_mv) / found.ohm)
    assert found.current_ma <= most * (1 + 1e-9)
    gives = light_mcd(each, found.ohm, found.trim_permille)
    assert found.gives_mcd == pytest.approx(gives, rel=1e-3)
    needed = 20 * look / mcd
    assume(needed > LEAST_MA)
    step = 1.26 if series == "E12" else 1.16  # the widest: 12 to 15, 13 to 15
    if needed > most:
        assert look * (1 + 1e-9) > gives >= mcd * most / 20 / step * (1 - 1e-9)
    elif dimmed and needed * step < most:
        assert gives == pytest.approx(look, rel=0.01)
    else:
        assert look * (1.01 if dimmed else 1 + 1e-9) >= gives >= look / step * (1 - 1e-9)


@given(st.floats(50, 1000), st.floats(10, 40), st.integers(1800, 3300), st.sampled_from(["E12", "E24"]))
def test_a_file_that_does_as_it_is_told_is_told_nothing_more(
    mcd: float, look: float, forward_mv: int, series: str
) -> None:
    assume(20 * look / mcd > LEAST_MA)
    text = f"[panel]\nlook = '{look:.6f} mcd'\nresistors = '{series}'\n[boards.b]\n[lamps.l]\nchannel = 'l'\n"
    text += f"intensity = '{mcd:.6f} mcd'\nforward = '{forward_mv} mV'\ncurrent = '19.9 mA'\n"
    said = [str(finding) for finding in inspect(text)[1] if "mcd are wanted" in str(finding)]
    if said:
        current = re.search(r'current = "([\d.]+) mA"', said[0])
        trim = re.search(r'trim = "([\d.]+ %)"', said[0])
        assert current
        text = text.replace("19.9 mA", f"{current[1]} mA") + (f"trim = '{trim[1]}'\n" if trim else "")
    read = loads(text)
    assert uneven(read) == []
    assert as_drawn_mcd(read, read.boards[0], read.lamps[0]) == pytest.approx(look, rel=0.02 if said else NOTICED)


LAMP = "[boards.b]\n[lamps.l]\nchannel = {{ id = 'l', pin = 'D5' }}\n{}\n"


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("intensity = '400 mcd'\nlook = '20 mcd'\nforward = '3 V'", 'current = "1 mA" (2000 ohm) gives 20 mcd'),
        ("intensity = '10 mcd'\nlook = '20 mcd'", "the brightest that is safe here"),
        ("intensity = '8 cd'\nlook = '5 mcd'\ndimmed = false", "the dimmest that is reliable"),
        ("intensity = '40 mcd'\nlook = '20 mcd'", ""),  # 10 mA give it
        ("intensity = '400 mcd'", ""),
        ("look = '20 mcd'", ""),
        # 14 CFR 27.1322: red for warnings, amber for cautions, and neither for anything else.
        ("role = 'warning'\ncolour = 'green'", "that is for red (14 CFR 27.1322)"),
        ("role = 'caution'\ncolour = 'red'", "that is for amber"),
        ("role = 'advisory'\ncolour = 'amber'", "any colour but red and amber"),
        ("role = 'other'\ncolour = 'blue'", ""),
        ("role = 'warning'\ncolour = 'red'", ""),
    ],
)
def test_check_says_what_is_uneven_and_which_colour_is_for_what(keys: str, words: str) -> None:
    found = [str(finding) for finding in inspect(LAMP.format(keys), "desk.toml")[1]]
    assert len(found) == bool(words), found
    assert all(each.startswith("desk.toml:2: advice: lamps.l ") and words in each for each in found)


CFR_27_1322 = {"warning": {"red"}, "caution": {"amber"}, "advisory": {"green", "blue", "white"}}
"""14 CFR 27.1322: red for warnings, amber for cautions, green for safe operation, any other colour for the rest."""
IEC_60073 = {"red": "danger", "amber": "abnormal", "green": "normal", "blue": "mandatory", "white": "neutral"}
"""IEC 60073, meanings of colours (from memory; its yellow is our amber)."""
MEANS = {"warning": {"danger"}, "caution": {"abnormal"}, "advisory": {"normal", "mandatory", "neutral"}}


@pytest.mark.parametrize("role", CFR_27_1322)
@pytest.mark.parametrize("colour", IEC_60073)
def test_colours_of_roles_are_those_of_both_standards(role: str, colour: str) -> None:
    # Two standards that were written apart agree on the colours of these roles, and `check` agrees with both.
    good = colour in CFR_27_1322[role]
    assert good == (IEC_60073[colour] in MEANS[role])
    _, findings = inspect(LAMP.format(f"role = '{role}'\ncolour = '{colour}'"), "desk.toml")
    assert bool(findings) is not good, findings
