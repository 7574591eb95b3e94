"""Lamp electrics against Ohm's law, IEC 60063, and the limits in the chips' data sheets."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import eseries
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.capture import Writer
from benchcon.errors import Trouble
from benchcon.panel.electrics import (
    E12,
    E24,
    current_ma,
    drive_of,
    preferred_at_least,
    rail_ma,
    rail_of,
    resistor_of,
    series_resistor,
    set_resistor_kohm,
    sums,
    usb_ma,
    worst_case_ma,
)
from benchcon.panel.electrics import (
    loads as loads_of,
)
from benchcon.panel.file import inspect, loads
from benchcon.panel.model import Panel
from benchcon.state import BenchState
from benchcon.state_reader import StateReader


def panel(text: str, board: str = "chip = 'atmega328p'") -> Panel:
    return loads(f"[boards.b]\n{board}\n{text}", "desk.toml")


def lamps(count: int, ma: str, pins: list[str], board: str, active: str = "high") -> str:
    return f"[boards.b]\n{board}\n" + "".join(
        f"[lamps.l{n}]\ncurrent = '{ma}'\nchannel = {{ id = 'l{n}', pin = '{pins[n]}', active = '{active}' }}\n"
        for n in range(count)
    )


def findings(text: str) -> list[str]:
    return [str(finding) for finding in inspect(text, "desk.toml")[1]]


def test_the_handbook_example() -> None:
    # Source: Ohm's law; (5 V - 2.0 V) / 20 mA = 150 ohm, 3 V x 20 mA = 60 mW.
    found = series_resistor(5000, 2000, 20)
    assert (found.ohm, found.current_ma, found.power_mw) == (150, 20, 60)
    # Twice 60 mW is less than the smallest ordinary size with wires, 1/4 W (common practice, no source).
    assert found.rating_mw == 250


@given(st.floats(1000, 30_000), st.floats(0, 900), st.floats(0.5, 500), st.sampled_from(["E12", "E24"]))
def test_the_resistor_is_preferred_and_never_lets_too_much_through(
    supply: float, forward: float, current: float, series: str
) -> None:
    if 2 * (supply - forward) * current / 1000 > 5000 / 1.2:  # near or above the largest ordinary size: below
        current = 1.0
    found = series_resistor(supply, forward, current, E12 if series == "E12" else E24)
    exact = (supply - forward) / current
    # Source: PyPI `eseries`, an independent table of IEC 60063.
    want = eseries.find_greater_than_or_equal(eseries.ESeries[series], exact * (1 - 1e-9))
    assert found.ohm == pytest.approx(want, rel=1e-9)
    assert found.current_ma <= current * (1 + 1e-6)
    assert found.power_mw == pytest.approx(found.current_ma**2 * found.ohm / 1000)
    assert 2 * found.power_mw * (1 - 1e-9) <= found.rating_mw <= max(250, 4 * found.power_mw * (1 + 1e-9))


@pytest.mark.parametrize(
    ("current", "rating"),
    [(5, 250), (12.5, 250), (14, 500), (27, 1000), (50, 1000), (90, 2000), (140, 3000), (220, 5000)],
)
def test_resistors_come_in_ordinary_sizes(current: float, rating: float) -> None:
    # By hand, 12 V and a lamp of 2 V: P = 10 V x I, twice that, and the next of 1/4, 1/2, 1, 2, 3, 5 W.
    assert series_resistor(12_000, 2000, current, E24).rating_mw == rating


def test_where_no_ordinary_resistor_bears_the_heat_another_way_is_named() -> None:
    # By hand: (24 V - 2 V) x 150 mA = 3.3 W, twice that is 6.6 W.
    with pytest.raises(Trouble, match=r"3\.\d W into heat.*constant-current driver"):
        series_resistor(24_000, 2000, 150)
    text = "[lamps.l]\ncurrent = '150 mA'\ndriver = 'transistor'\nchannel = 'l'\n"
    (found,) = findings("[boards.b]\nexternal_supply = '24 V'\n" + text)
    assert found.startswith("desk.toml:3: lamps.l: ")
    assert "constant-current driver" in found


def test_the_series_are_those_of_the_standard() -> None:
    # Source: PyPI `eseries`.
    assert list(E12) == list(eseries.series(eseries.E12))
    assert list(E24) == list(eseries.series(eseries.E24))


@pytest.mark.parametrize(("supply", "forward", "current"), [(5000, 5000, 20), (3300, 6000, 1), (5000, 2000, 0)])
def test_what_cannot_light_is_said(supply: int, forward: int, current: int) -> None:
    with pytest.raises(Trouble):
        series_resistor(supply, forward, current)


def test_a_lamp_on_a_transistor_takes_the_external_supply() -> None:
    text = "[lamps.l]\nforward = '2 V'\ncurrent = '20 mA'\ndriver = 'transistor'\nchannel = 'l'"
    found = panel(text, "external_supply = '12 V'\nbudget = '1 A'")
    assert resistor_of(found.boards[0], found.lamps[0]).ohm == 560  # 10 V / 20 mA = 500, next in E12


def test_pins_are_held_against_the_data_sheet() -> None:
    # Source: ATmega328P data sheet, absolute maximum ratings (40 mA a pin), test condition 20 mA.
    assert findings(lamps(1, "20 mA", ["D4"], "chip = 'atmega328p'")) == []
    assert "made for 20 mA" in findings(lamps(1, "21 mA", ["D4"], "chip = 'atmega328p'"))[0]
    assert "advice" in findings(lamps(1, "40 mA", ["D4"], "chip = 'atmega328p'"))[0]
    over = findings(lamps(1, "41 mA", ["D4"], "chip = 'atmega328p'"))[0]
    assert over.startswith("desk.toml:3: lamps.l0 draws 41 mA from D4")
    assert "40 mA at most (ATmega328P data sheet DS40002061, absolute maximum ratings)" in over


def test_port_groups_and_supply_pins_are_held_against_the_data_sheet() -> None:
    # Source: ATmega328P data sheet, notes to the DC characteristics (from memory): B0-B5 and D5-D7 sink 100 mA and
    # source 150 mA together; 200 mA for the supply pins.
    group = ["D5", "D6", "D7", "D8", "D9", "D10"]
    wide = "chip = 'atmega328p'\nbudget = '400 mA'"
    assert findings(lamps(5, "20 mA", group, wide, "low")) == []
    sunk = findings(lamps(6, "20 mA", group, wide, "low"))
    assert any(
        "up to 120 mA is asked of the port group PB, PD, sunk together; it bears 100 mA" in each for each in sunk
    )
    assert findings(lamps(6, "20 mA", group, wide, "high")) == []
    spread = ["A0", "A1", "A2", "A3", "A4", "D5", "D6", "D7", "D8", "D9", "D10"]
    total = findings(lamps(11, "20 mA", spread, wide))
    assert any("up to 220 mA is asked of the chip's supply pins; it bears 200 mA" in each for each in total)
    # The link never goes over the budget: a budget within the limit makes it advice.
    assert all("advice" in each for each in findings(lamps(11, "20 mA", spread, wide.replace("400", "90"))))


def test_an_atmega328pb_is_held_to_less_than_its_brother() -> None:
    # Its groups of ports are in the ATmega328PB data sheet DS40001906, notes to the DC characteristics, and are
    # not in our table. No group of a chip of this family bears less than 100 mA (from memory): all together get that.
    for level, way in (("low", "sunk"), ("high", "sourced")):
        pins = ["D3", "D4", "D5", "D8", "D9", "A0"]
        other, same = "chip = 'atmega328p'\nbudget = '400 mA'", "chip = 'atmega328pb'\nbudget = '400 mA'"
        assert findings(lamps(6, "20 mA", pins, other, level)) == []
        assert findings(lamps(5, "20 mA", pins, same, level)) == []
        (told,) = findings(lamps(6, "20 mA", pins, same, level))
        assert f"up to 120 mA is asked of the port group PB, PC, PD, {way} together; it bears 100 mA" in told
        assert "ATmega328PB data sheet DS40001906, notes to the table of DC characteristics" in told
        assert "advice" not in told


def test_chips_are_held_against_their_data_sheets() -> None:
    # Source: SN74HC595 data sheet SCLS041, electrical characteristics: outputs QA to QH are specified at 6 mA; the
    # absolute maxima are 35 mA an output and 70 mA the chip (from memory).
    chain = "chains.595 = { data = 'D2', clock = 'D3', load = 'D4', chips = 2 }"
    assert findings(lamps(8, "6 mA", [f"595.{n}" for n in range(8)], chain)) == []
    (over,) = findings(lamps(1, "6.1 mA", ["595.0"], chain))
    assert over.startswith("desk.toml:3: lamps.l0 draws 6.1 mA from 595.0")
    assert "specified at 6 mA (SN74HC595 data sheet SCLS041, electrical characteristics" in over
    # Three lamps of 20 mA are 60 mA, less than what breaks the chip, and each more than an output is made for.
    assert len(findings(lamps(3, "20 mA", ["595.0", "595.1", "595.2"], chain))) == 3
    # Source: MAX7219/MAX7221 data sheet: 40 mA peak a segment, about 330 mA with everything lit (from memory).
    full = "[boards.b]\nchains.7219 = { chips = 1 }\nbudget = '400 mA'\n[displays.d]\ndigits = 8\n"
    full += "segment_current = '5 mA'\nchannel = { id = 'd', pin = '7219.0' }\n"
    assert findings(full) == []
    assert any("5 mA a segment at most" in each for each in findings(full.replace("'5 mA'", "'6 mA'")))


def test_a_usb_port_bounds_the_budget() -> None:
    # Source: USB 2.0 specification, section 7.2.1: 500 mA.
    base = "[boards.b]\nbudget = '480 mA'\n[lamps.l]\nchannel = 'l'\n"
    assert any("USB port gives 500 mA" in each for each in findings(base))
    assert findings(base.replace("budget", "external_supply = '5 V'\nbudget")) == []


def test_what_an_external_supply_does_not_feed_is_still_checked_against_usb() -> None:
    # Source: USB 2.0 specification, section 7.2.1: 500 mA. By hand: 30 lamps of 15 mA on pins of a Mega are 450 mA, and
    # the board itself takes about 100 mA; a transistor on LAMP+ takes them off the port, all but 30 x 4.3 mA of base
    # current: (5 V - 0.7 V) / 1 kOhm.
    pins = [f"D{n}" for n in (*range(2, 14), *range(22, 40))]
    mega = "chip = 'atmega2560'\nbudget = '900 mA'\nexternal_supply = '12 V'"
    on_pins = findings(lamps(30, "15 mA", pins, mega))
    assert any("takes up to 450 mA from USB" in each and "about 100 mA for itself" in each for each in on_pins)
    switched = lamps(30, "15 mA", pins, mega).replace("current", "driver = 'transistor'\ncurrent")
    assert findings(switched) == []
    read = loads(switched)
    assert usb_ma(read.boards[0], read.lamps, ()) == pytest.approx(100 + 30 * 4.3)
    assert rail_ma(read.boards[0], "LAMP+", read.lamps, ()) == pytest.approx(450)


def test_a_mega_takes_more_for_itself_than_an_uno() -> None:
    # Common practice, no source: some 50 mA an Uno or Nano, some 100 mA a Mega with its larger chip and regulators.
    base = "[boards.b]\nbudget = '440 mA'\nchip = '{}'\n[lamps.l]\nchannel = 'l'\n"
    assert findings(base.format("atmega328p")) == []
    assert any("about 100 mA for itself" in each for each in findings(base.format("atmega2560")))


DISPLAY = "[displays.d]\ndigits = 1\nsegment_current = '2 mA'\nchannel = { id = 'd', pin = '7219.0' }\n"


@pytest.mark.parametrize(
    ("supply", "external", "rail", "word"),
    [
        ("5 V", "", "+", ""),
        ("5 V", "5 V", "LAMP+", ""),
        ("5 V", "4 V", "LAMP+", ""),
        ("5 V", "5.5 V", "LAMP+", ""),
        ("5 V", "12 V", "+", "advice: displays.d stays on the board's own supply"),
        ("5 V", "3.9 V", "+", "advice: displays.d stays on the board's own supply"),
        ("3.3 V", "", "+", "would be fed with 3.3 V; a MAX7219 takes 4 to 5.5 V"),
        ("3.3 V", "12 V", "+", "would be fed with 3.3 V"),
        ("3.3 V", "5 V", "LAMP+", "a MAX7219 takes 3.5 V or more for high"),
        ("6 V", "", "+", "would be fed with 6 V"),
    ],
)
def test_a_display_driver_is_fed_by_what_it_bears(supply: str, external: str, rail: str, word: str) -> None:
    # Source: MAX7219/MAX7221 data sheet 19-4452, electrical characteristics: 4.0 to 5.5 V; inputs are high from 3.5 V
    # (from memory).
    board = f"supply = '{supply}'\nchains.7219 = {{ chips = 1 }}\n"
    board += f"external_supply = '{external}'\n" if external else ""
    found = findings(f"[boards.b]\n{board}{DISPLAY}")
    assert len(found) == bool(word), found
    assert all(word in each for each in found)
    read = inspect(f"[boards.b]\n{board}{DISPLAY}")[0]
    assert read is not None
    assert rail_of(read.boards[0], read.displays[0]).name == rail


@pytest.mark.parametrize(
    ("current", "active", "supply", "kind"),
    [
        ("80 mA", "high", "5 V", "NPN"),
        ("81 mA", "high", "5 V", "N-channel"),
        ("52 mA", "high", "3.3 V", "NPN"),
        ("53 mA", "high", "3.3 V", "N-channel"),
        ("80 mA", "low", "5 V", "PNP"),
        ("81 mA", "low", "5 V", "P-channel"),
    ],
)
def test_a_transistor_is_named_by_what_its_base_current_carries(
    current: str, active: str, supply: str, kind: str
) -> None:
    # By hand: 1 kOhm from 5 V and 0.7 V at the base are 4.3 mA, 20 times that 86 mA, but 80 mA at the most; from 3.3 V
    # 2.6 mA, so 52 mA. (Forced gain and 80 mA: common practice, no source.)
    lamp = f"channel = {{ id = 'l', active = '{active}' }}\ndriver = 'transistor'\ncurrent = '{current}'"
    found = panel(f"[lamps.l]\n{lamp}", f"supply = '{supply}'")
    drive = drive_of(found.boards[0], found.lamps[0])
    assert drive.kind == kind
    volts = float(supply.split()[0])
    assert drive.pin_ma == pytest.approx((volts - 0.7) / 1 if "NP" in kind else volts / 10)


def test_base_currents_are_in_the_sums() -> None:
    # By hand: eight bases of 4.3 mA are 34.4 mA, whatever their lamps take.
    chain = "chains.595 = { data = 'D2', clock = 'D3', load = 'D4' }"
    text = lamps(8, "20 mA", [f"595.{n}" for n in range(8)], chain).replace("current", "driver = 'transistor'\ncurrent")
    found = loads(text)
    (chip,) = sums(found.boards[0], found.lamps, ())
    assert (chip.what, round(chip.drawn_ma, 3)) == ("chip 1 of the 74HC595 chain", 34.4)


@pytest.mark.parametrize(
    ("external", "active", "word"),
    [
        ("12 V", "low", "cannot switch that off"),
        ("5 V", "low", "advice: lamps.l is lit when its pin is low"),
        ("3 V", "low", ""),
        ("12 V", "high", ""),
        ("", "low", ""),
    ],
)
def test_a_bare_pnp_above_the_logics_supply_is_refused(external: str, active: str, word: str) -> None:
    # By hand: the pin's 5 V leave 7 V from base to emitter at 12 V: never off. Two supplies of 5 V may be 4.40 V (USB
    # 2.0 specification, section 7.2.2) and 5.25 V, which is more than the 0.7 V of a base.
    board = f"external_supply = '{external}'\n" if external else ""
    lamp = f"[lamps.l]\ndriver = 'transistor'\nchannel = {{ id = 'l', active = '{active}' }}\n"
    found = findings(f"[boards.b]\n{board}{lamp}")
    assert len(found) == bool(word), found
    assert all(word in each for each in found)


def test_a_lamp_without_a_current_takes_what_its_pin_is_made_for() -> None:
    chain = "chains.595 = { data = 'D2', clock = 'D3', load = 'D4' }"
    lamp = "[lamps.{}]\n{}channel = {{ id = '{}', pin = '{}' }}\n"
    text = lamp.format("a", "", "a", "595.0") + lamp.format("b", "", "b", "D5")
    text += lamp.format("c", "driver = 'transistor'\n", "c", "595.1")
    assert [each.current_ma for each in panel(text, chain).lamps] == [6, 10, 10]


def test_current_follows_what_is_shown() -> None:
    found = panel(
        "[lamps.l]\ncurrent = '20 mA'\nchannel = 'l'\n[lamps.m]\ncurrent = '10 mA'\ndimmed = false\nchannel = 'm'\n"
        "[displays.d]\ndigits = 2\nsegment_current = '2 mA'\nchannel = 'd'\n[lamps.off]\nwired = false\nchannel = 'o'\n"
    )
    assert current_ma(found, "b", {}) == 0
    # Source: CIE 1976, lightness 50 is a luminance of 18.42 %.
    assert current_ma(found, "b", {"l": 500}) == pytest.approx(20 * 0.1842, rel=1e-3)
    assert current_ma(found, "b", {"m": 499}) == 0
    assert current_ma(found, "b", {"m": 500}) == 10
    assert current_ma(found, "b", {"d": b"\xff\x30"}) == 2 * 10
    assert current_ma(found, "b", {"d": 0xFF30}) == 2 * 10
    assert (
        current_ma(found, "b", {"l": 1000, "m": 1000, "d": b"\xff\xff", "o": 1000}) == worst_case_ma(found, "b") == 62
    )
    assert current_ma(found, "elsewhere", {"l": 1000}) == 0


def test_the_drivers_set_resistor() -> None:
    # Source: MAX7219/MAX7221 data sheet, table 11, 2.0 V (from memory): 11.8 k for 40 mA peak, 28.0 k for 20 mA,
    # 63.7 k for 10 mA; the next in E12.
    assert set_resistor_kohm(5) == 12
    assert set_resistor_kohm(2.5) == 33
    assert set_resistor_kohm(1.25) == 68
    assert set_resistor_kohm(99) >= 11.8
    assert preferred_at_least(0.47) == pytest.approx(0.47)


@pytest.mark.parametrize("ohm", [0.0, -1.0, float("inf"), float("nan")])
def test_no_resistor_is_asked_for_where_there_is_no_resistance(ohm: float) -> None:
    with pytest.raises(ValueError, match="a resistance above 0 Ω is needed"):
        preferred_at_least(ohm)


@given(st.integers(-3, 6), st.sampled_from([E12, E24]))
def test_a_preferred_value_is_found_on_both_sides_of_a_decade(power: int, series: tuple[int, ...]) -> None:
    decade = 10.0**power
    assert preferred_at_least(decade, series) == pytest.approx(decade)
    assert preferred_at_least(decade * (1 - 1e-6), series) == pytest.approx(decade)
    assert preferred_at_least(decade * (1 + 1e-6), series) == pytest.approx(decade * series[1] / 10)


def test_the_demo_bears_its_own_currents(ostrey: Panel) -> None:
    assert loads_of(ostrey) == []
    for board in ostrey.boards:
        assert worst_case_ma(ostrey, board.name) <= board.budget_ma


def test_a_panel_that_a_capture_carries_is_read_whatever_it_draws(tmp_path: Path) -> None:
    # Limits that are stricter than when it was recorded must not make a capture unreadable.
    text = lamps(1, "8 mA", ["595.0"], "chains.595 = { data = 'D2', clock = 'D3', load = 'D4' }")
    with pytest.raises(Trouble, match="specified at 6 mA"):
        loads(text)
    Writer(tmp_path / "old.capture", datetime.now(UTC), BenchState(text).keyframe).close()
    with StateReader(tmp_path / "old.capture") as reader:
        assert [lamp.current_ma for lamp in reader.carried_panel().lamps] == [8]
