"""Lamp electrics against Ohm's law, IEC 60063, and the limits in the chips' data sheets."""

from __future__ import annotations

import eseries
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.panel.electrics import (
    E12,
    E24,
    current_ma,
    preferred_at_least,
    resistor_of,
    series_resistor,
    set_resistor_kohm,
    worst_case_ma,
)
from benchcon.panel.electrics import (
    loads as loads_of,
)
from benchcon.panel.file import loads
from benchcon.panel.model import Panel


def panel(text: str, board: str = "chip = 'atmega328p'") -> Panel:
    return loads(f"[boards.b]\n{board}\n{text}", "desk.toml")


def lamps(count: int, ma: str, pins: list[str], board: str, active: str = "high") -> str:
    return f"[boards.b]\n{board}\n" + "".join(
        f"[lamps.l{n}]\ncurrent = '{ma}'\nchannel = {{ id = 'l{n}', pin = '{pins[n]}', active = '{active}' }}\n"
        for n in range(count)
    )


def findings(text: str) -> list[str]:
    from benchcon.panel.file import inspect

    return [str(finding) for finding in inspect(text, "desk.toml")[1]]


def test_the_handbook_example() -> None:
    # Source: Ohm's law; (5 V - 2.0 V) / 20 mA = 150 ohm, 3 V x 20 mA = 60 mW.
    found = series_resistor(5000, 2000, 20)
    assert (found.ohm, found.current_ma, found.power_mw) == (150, 20, 60)
    assert found.rating_mw == 125


@given(st.floats(1000, 30_000), st.floats(0, 900), st.floats(0.5, 500), st.sampled_from(["E12", "E24"]))
def test_the_resistor_is_preferred_and_never_lets_too_much_through(
    supply: float, forward: float, current: float, series: str
) -> None:
    found = series_resistor(supply, forward, current, E12 if series == "E12" else E24)
    exact = (supply - forward) / current
    # Source: PyPI `eseries`, an independent table of IEC 60063.
    want = eseries.find_greater_than_or_equal(eseries.ESeries[series], exact * (1 - 1e-9))
    assert found.ohm == pytest.approx(want, rel=1e-9)
    assert found.current_ma <= current * (1 + 1e-6)
    assert found.power_mw == pytest.approx(found.current_ma**2 * found.ohm / 1000)
    assert found.rating_mw >= 2 * found.power_mw * (1 - 1e-9)


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
    assert "40 mA at most (absolute maximum)" in over


def test_port_groups_and_supply_pins_are_held_against_the_data_sheet() -> None:
    # Source: ATmega328P data sheet, notes to the DC characteristics (from memory): B0-B5 and D5-D7 sink 100 mA and
    # source 150 mA together; 200 mA for the supply pins.
    group = ["D5", "D6", "D7", "D8", "D9", "D10"]
    wide = "chip = 'atmega328p'\nbudget = '400 mA'"
    assert findings(lamps(5, "20 mA", group, wide, "low")) == []
    sunk = findings(lamps(6, "20 mA", group, wide, "low"))
    assert any("PB, PD, sunk together" in each and "120 mA; it bears 100 mA" in each for each in sunk)
    assert findings(lamps(6, "20 mA", group, wide, "high")) == []
    spread = ["A0", "A1", "A2", "A3", "A4", "D5", "D6", "D7", "D8", "D9", "D10"]
    total = findings(lamps(11, "20 mA", spread, wide))
    assert any("supply pins, can be asked for 220 mA; it bears 200 mA" in each for each in total)
    # The link never goes over the budget: a budget within the limit makes it advice.
    assert all("advice" in each for each in findings(lamps(11, "20 mA", spread, wide.replace("400", "90"))))


def test_chips_are_held_against_their_data_sheets() -> None:
    # Source: 74HC595 data sheets, 70 mA for the chip (from memory).
    chain = "chains.595 = { data = 'D2', clock = 'D3', load = 'D4', chips = 2 }"
    assert findings(lamps(7, "10 mA", [f"595.{n}" for n in range(7)], chain)) == []
    over = findings(lamps(8, "10 mA", [f"595.{n}" for n in range(8)], chain))
    assert any("chip 1 of the 74HC595 chain, can be asked for 80 mA; it bears 70 mA" in each for each in over)
    assert findings(lamps(8, "10 mA", [f"595.{n}" for n in range(4, 12)], chain)) == []
    # Source: MAX7219/MAX7221 data sheet: 40 mA peak a segment, about 330 mA with everything lit (from memory).
    full = (
        "[boards.b]\nchains.7219 = { chips = 1 }\nbudget = '400 mA'\n[digits.d]\nplaces = 8\nsegment_current = '5 mA'\n"
    )
    full += "channel = { id = 'd', pin = '7219.0' }\n"
    assert findings(full) == []
    assert any("5 mA a segment at most" in each for each in findings(full.replace("'5 mA'", "'6 mA'")))


def test_a_usb_port_bounds_the_budget() -> None:
    # Source: USB 2.0 specification, section 7.2.1: 500 mA.
    base = "[boards.b]\nbudget = '480 mA'\n[lamps.l]\nchannel = 'l'\n"
    assert any("USB port gives 500 mA" in each for each in findings(base))
    assert findings(base.replace("budget", "external_supply = '5 V'\nbudget")) == []


def test_current_follows_what_is_shown() -> None:
    found = panel(
        "[lamps.l]\ncurrent = '20 mA'\nchannel = 'l'\n[lamps.m]\ncurrent = '10 mA'\ndimmed = false\nchannel = 'm'\n"
        "[digits.d]\nplaces = 2\nsegment_current = '2 mA'\nchannel = 'd'\n[lamps.off]\nwired = false\nchannel = 'o'\n"
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


def test_the_demo_bears_its_own_currents(ostrey: Panel) -> None:
    assert loads_of(ostrey) == []
    for board in ostrey.boards:
        assert worst_case_ma(ostrey, board.name) <= board.budget_ma
