"""The wiring list: values against Ohm's law, preferred values and data sheets; cautions; both forms."""

from __future__ import annotations

import re

import eseries
import pytest
from firmware.generator_panels import BOARD, DESKS, demo_plan, everything, planned

from benchcon.errors import Trouble
from benchcon.firmware.plan import plan
from benchcon.firmware.wiring_list import Section, as_markdown, as_text, sections
from benchcon.firmware.wiring_parts import chain_chips, ohm_words, rows
from benchcon.panel.file import loads


def lamp(name: str, pin: str, more: str = "") -> str:
    return f'[lamps.{name}]\n{more}channel = {{ id = "desk.{name}", pin = "{pin}" }}\n'


def section(found: list[Section], heading: str) -> Section:
    return next(each for each in found if each.heading.startswith(heading))


def ohms(words: str) -> float:
    number, unit = re.match(r"([\d.]+) (k?)Ω", words).groups()  # type: ignore[union-attr]
    return float(number) * (1000 if unit else 1)


@pytest.mark.parametrize("desk", DESKS)
def test_resistors_keep_ohms_law_and_are_preferred_values(desk: str) -> None:
    made = demo_plan(desk)
    by_channel = {row.channel: row for row in rows(made)}
    assert made.lamps or desk == ""
    for output in made.lamps:
        lamp, words = output.lamp, by_channel[output.lamp.channel.id].resistor
        ohm = ohms(words)
        least = (made.board.supply_mv - lamp.forward_mv) / lamp.current_ma
        # IEC 60063 by an independent library: the next E24 value that lets no more than the wanted current through.
        assert ohm == pytest.approx(eseries.find_greater_than_or_equal(eseries.E24, least))
        current = (made.board.supply_mv - lamp.forward_mv) / ohm
        heat = (made.board.supply_mv - lamp.forward_mv) * current / 1000
        assert float(re.search(r"([\d.]+) mW", words)[1]) == pytest.approx(heat, abs=0.5)  # type: ignore[index]
        assert float(re.search(r"\(([\d.]+) mA\)", words)[1]) == pytest.approx(current, abs=0.05)  # type: ignore[index]


def test_the_handbooks_example() -> None:
    # 5 V, 2.0 V forward, 20 mA: 150 Ω, 60 mW in the resistor (Ohm's law, any handbook).
    made = planned(BOARD + lamp("a", "D5", 'current = "20 mA"\nforward = "2 V"\n'))
    assert rows(made)[0].resistor == "150 Ω in series, 60 mW, 1/4 W is plenty (20.0 mA)"


def test_every_channel_has_its_wire_with_connector_colour_and_note() -> None:
    made = demo_plan("lighting")
    listed = rows(made)
    assert {row.channel for row in listed} == {
        channel.id for control in made.panel.controls for channel in control.channels if channel.board == "lighting"
    } | {lamp.channel.id for lamp in made.panel.lamps if lamp.channel.board == "lighting"}
    row = next(row for row in listed if row.channel == "int3")
    assert (row.connector, row.connector_pin, row.wire) == ("J3", "3", "orange")
    assert row.pin == "165.2 (U1 pin 13)"  # input C of a 74HC165 is pin 13 (data sheet, DIP)
    assert row.resistor == "10 kΩ to +"  # that chip has no pull-ups of its own


def test_the_wires_have_no_column_that_nothing_stands_in() -> None:
    """Connectors and colours not written down yet took the room of what is read, so that notes were a word wide."""
    made = planned(BOARD + lamp("a", "D5") + lamp("b", "D6"))
    table = section(sections(made), "Wires").table
    assert table[0] == ("channel", "pin", "part", "resistor", "note")
    assert "pin → resistor → anode;" in as_text(sections(made))
    made = planned(BOARD + lamp("a", "D5").replace("pin =", 'wire = "pink", pin =') + lamp("b", "D6"))
    assert section(sections(made), "Wires").table[0] == ("channel", "pin", "part", "resistor", "wire", "note")


def test_every_pin_of_the_board_is_listed_once_with_what_goes_there() -> None:
    made = demo_plan("lighting")
    table = {row[0]: row[1:] for row in section(sections(made), "Pins of the board").table[1:]}
    assert list(table) == [*(f"D{n}" for n in range(7)), "D9", "D10", "D11", "D12", "D13", "A0"]
    # ATmega328P data sheet, pin configurations: D2 of an Uno is PD2, D9 is PB1, A0 is PC0.
    assert table["D2"] == ("PD2", "Approach (sw_app)")
    assert table["D9"] == ("PB1", "U2 pin 12 (RCLK)")
    assert table["D11"] == ("PB3", "U2 pin 14 (SER)")
    assert table["A0"] == ("PC0", "U1 pin 2 (CLK)")
    assert "leave it free" in table["D0"][1]
    text = planned(everything("atmega328p"))
    both = {row[0]: row[2] for row in section(sections(text), "Pins of the board").table[1:]}
    assert both["D13"] == "U3 pin 11 (SRCLK), U4 pin 11 (SRCLK), U5 pin 13 (CLK), U6 pin 13 (CLK)"
    assert both["D8"] == "keys row 0"


def test_each_connector_says_its_common_wires() -> None:
    table = {row[0]: row[1:] for row in section(sections(demo_plan("power")), "Connectors").table[1:]}
    assert table["J1"] == ("1: sw_main, 2: sb_auto, 3: sb_on, 4: sw_batt", "ground")
    assert table["J3"] == ("2: volts", "ground and +")  # a potentiometer's two ends
    plug = 'connector = "J9", '
    text = EXTERNAL.format("12 V").replace('id = "flood"', plug + 'id = "flood"').replace("digits = 8", "digits = 1")
    made = planned(text.replace('id = "plain"', plug + 'id = "plain", active = "low"'))
    assert section(sections(made), "Connectors").table[1:] == (("J9", "flood, plain", "+ and LAMP+"),)


def test_the_pins_of_a_connector_are_listed_as_they_stand_on_it() -> None:
    text = '[boards.desk]\nchip = "atmega328p"\n' + "".join(
        f'[lamps.{name}]\nchannel = {{ id = "{name}", pin = "{pin}", connector = "J1"{at} }}\n'
        for name, pin, at in (
            ("a", "D5", ', connector_pin = "10"'),
            ("b", "D6", ', connector_pin = "2"'),
            ("c", "D7", ""),
            ("d", "D8", ', connector_pin = "1"'),
        )
    )
    assert section(sections(planned(text)), "Connectors").table[1:] == (("J1", "1: d, 2: b, 10: a, c", "ground"),)


def test_the_two_wires_of_an_encoder_are_listed_one_by_one() -> None:
    found = [row for row in rows(planned(everything("atmega328p"))) if row.channel == "turn"]
    assert [(row.pin, row.connector_pin, row.wire) for row in found] == [("D2", "5", "white"), ("D3", "6", "brown")]
    assert [row.part[-1] for row in found] == ["A", "B"]


def test_a_contact_to_plus_beats_the_chips_own_pull_up() -> None:
    row = next(row for row in rows(planned(everything("atmega328p"))) if row.channel == "high")
    pull_down = ohms(row.resistor)
    # ATmega328P data sheet, DC characteristics: pull-up 20 kΩ at the least; low is below 0.3 of the supply.
    assert pull_down / (pull_down + 20_000) < 0.3


def test_chips_list_every_pin_once_and_chain_to_each_other() -> None:
    for chip in chain_chips(planned(everything("atmega328p"))):
        count = 24 if chip.type == "MAX7219" else 16
        assert [pin.number for pin in chip.pins] == list(range(1, count + 1))
        assert "100 nF" in chip.note
    chips = {
        chip.reference: {pin.name: pin.goes_to for pin in chip.pins}
        for chip in chain_chips(planned(everything("atmega328p")))
    }
    assert chips["U1"]["QH"] == "D12 of the board"
    assert chips["U2"]["QH"] == "U1 pin 10 (SER)"
    assert chips["U2"]["SER"] == "+"
    assert chips["U3"]["QH'"] == "U4 pin 14 (SER)"
    assert chips["U4"]["QH"].startswith("Ferne Lampe")
    assert chips["U5"]["DOUT"] == "U6 pin 1 (DIN)"
    assert chips["U5"]["DIG 7"] == "cathode of Number, digit 2 from the left (number)"
    assert chips["U6"]["DIG 0"] == "cathode of Number, digit 3 from the left (number)"


@pytest.mark.parametrize(
    ("oe", "first", "second"),
    [("", "ground", "ground"), (', oe = "D8"', "D8 of the board; 10 kΩ from there to +", "D8 of the board")],
)
def test_the_output_enable_pin_of_a_74hc595_goes_where_the_panel_file_says(oe: str, first: str, second: str) -> None:
    chain = f'chains.595 = {{ data = "D11", clock = "D13", load = "D10", chips = 2{oe} }}\n'
    lamps = lamp("a", "595.0") + lamp("b", "595.8")
    chips = chain_chips(planned(BOARD + chain + lamps))
    # 74HC595 data sheet, pin assignment: OE is pin 13 (from memory).
    assert [pin.goes_to for chip in chips for pin in chip.pins if pin.number == 13] == [first, second]
    assert {pin.name for chip in chips for pin in chip.pins if pin.number == 13} == {"OE"}
    assert ("lit at random" in chips[0].note) is not bool(oe)


def test_an_output_enable_pin_is_a_pin_like_any_other() -> None:
    text = BOARD + 'chains.595 = { data = "D11", clock = "D13", load = "D10", oe = "D13" }\n'
    with pytest.raises(
        Trouble, match=r"chains\.595\.oe uses the pin D13 of desk, which boards\.desk\.chains\.595\.clock has"
    ):
        planned(text)
    with pytest.raises(Trouble, match="oe"):  # a 74HC165 has no such pin
        planned(BOARD + 'chains.165 = { data = "D12", clock = "D13", load = "D10", oe = "D8" }\n')


def test_the_display_drivers_resistor_is_on_the_safe_side_of_its_table() -> None:
    # MAX7219 data sheet, table 11 (from memory): 2.0 V LEDs, 20 mA a segment at its peak: 28.0 kΩ. The mean of one
    # digit in eight is 2.5 mA.
    chain = 'chains.7219 = { data = "D11", clock = "D13", load = "D10" }\n'
    part = '[displays.d]\ndigits = 1\nsegment_current = "2.5 mA"\nchannel = { id = "desk.d", pin = "7219.0" }\n'
    (chip,) = chain_chips(planned(BOARD + chain + part))
    assert 28.0 <= float(re.search(r"([\d.]+) kΩ between ISET", chip.note)[1]) <= 33.0  # type: ignore[index]


def test_sums_stand_beside_what_bears_them() -> None:
    table = {row[0]: row[1:3] for row in section(sections(demo_plan("power")), "Currents").table}
    # By hand: 10 + 8 + 8 mA on D5, D6 and D9; limits of the ATmega328P data sheet and USB 2.0, section 7.2.1.
    assert table["lamps and displays together"] == ("26 mA", "100 mA")
    assert table["the chip's supply pins"] == ("26 mA", "200 mA")
    assert table["the most loaded pin"] == ("10 mA", "20 mA, never over 40 mA")
    assert table["the port group PB, PD, sourced together"] == ("26 mA", "150 mA")
    assert table["from the USB port, with about 50 mA for the board"] == ("76 mA", "500 mA")
    lighting = {row[0]: row[1:3] for row in section(sections(demo_plan("lighting")), "Currents").table}
    assert lighting["chip 1 of the 74HC595 chain"] == ("30 mA", "70 mA")  # five lamps of 6 mA
    met = {row[0]: row[1:3] for row in section(sections(demo_plan("met")), "Currents").table}
    assert met["chip 1 of the MAX7219 chain"] == ("80 mA", "330 mA")  # 5 places of 8 segments of 2 mA


def test_the_cautions_are_there() -> None:
    text = " ".join(section(sections(demo_plan("met")), "Cautions").lines)
    for word in (
        "USB",
        "500 mA",
        "Mains",
        "licensed",
        "local code",
        "glare",
        "three times a second",
        "Resistors get warm",
    ):
        assert word in text


def test_a_resistor_that_gets_hot_is_named() -> None:
    board = '[boards.desk]\nchip = "atmega328p"\nexternal_supply = "24 V"\nbudget = "500 mA"\n'
    more = 'label = "Flood"\ncurrent = "100 mA"\ndriver = "transistor"\n'
    made = planned(board + lamp("a", "D5", more))
    # (24 V - 2 V) / 100 mA = 220 Ω; 22 V x 100 mA = 2.2 W.
    text = " ".join(section(sections(made), "Cautions").lines)
    assert "The resistor of Flood (220 Ω) turns 2.20 W into heat and gets hot: take 5 W or more" in text
    assert "a fuse in each branch" in text
    assert "The board, and what LAMP+ does not feed, takes its current from the USB port: 500 mA" in text
    # 100 mA are too much for a small transistor: a MOSFET, whose gate takes what 10 kΩ take from 5 V, 0.5 mA.
    assert rows(made)[0].note == "LAMP+ → resistor → anode; cathode → drain; N-channel, below"
    (switch,) = section(sections(made), "Transistors").lines
    assert switch.startswith("N-channel MOSFET (Flood): source to ground; gate over 100 Ω from the pin; 10 kΩ")
    assert "rated for more than 24 V and 100 mA" in switch
    table = {row[0]: row[1] for row in section(sections(made), "Currents").table}
    assert table["lamps and displays together"] == "100 mA"
    assert table["from the USB port, with about 50 mA for the board"] == "50.5 mA"


EXTERNAL = """\
[boards.desk]
chip = "atmega328p"
budget = "1.2 A"
external_supply = "{}"
chains.7219 = {{ data = "D11", clock = "D13", load = "D10", chips = 2 }}
[displays.a]
digits = 8
channel = {{ id = "a", pin = "7219.0" }}
[displays.b]
digits = 8
channel = {{ id = "b", pin = "7219.8" }}
[lamps.flood]
current = "60 mA"
driver = "transistor"
channel = {{ id = "flood", pin = "D5" }}
[lamps.plain]
channel = {{ id = "plain", pin = "D7" }}
"""


def test_display_drivers_are_soldered_to_the_supply_that_their_current_is_counted_on() -> None:
    # By hand: two displays of 8 places, 8 segments of 5 mA each: 640 mA; the flood 60 mA. USB is left with the lamp on
    # its pin, 10 mA, a base of (5 - 0.7) V / 1 kΩ, and the board's own 50 mA.
    made = planned(EXTERNAL.format("5 V"))
    found = sections(made)
    feeds = {pin.goes_to for chip in chain_chips(made) for pin in chip.pins if pin.name == "V+"}
    assert feeds == {"LAMP+"}
    table = {row[0]: row[1:] for row in section(found, "Supplies").table}
    assert table["LAMP+"] == ("5 V, the external supply", "Flood, A, B", "700 mA")
    assert table["+"][1:] == ("the board, Plain", "64.3 mA")
    assert "the minus of the external supply and every part's ground are joined" in section(found, "Supplies").lines[0]
    currents = {row[0]: row[1] for row in section(found, "Currents").table}
    assert currents["from the USB port, with about 50 mA for the board"] == "64.3 mA"
    notes = {row.channel: row.note for row in rows(made)}
    assert notes["flood"] == "LAMP+ → resistor → anode; cathode → collector; NPN, below"
    assert notes["plain"] == "pin → resistor → anode; cathode → ground"
    assert "switch LAMP+ on first" in " ".join(section(found, "Cautions").lines)


def test_a_supply_that_a_display_driver_does_not_bear_feeds_only_the_lamps() -> None:
    # MAX7219 data sheet 19-4452: 4.0 to 5.5 V. The displays stay on USB, which cannot give them 640 mA.
    with pytest.raises(Trouble, match=r"takes up to 654\.3 mA from USB"):
        planned(EXTERNAL.format("12 V"))
    made = planned(EXTERNAL.format("12 V").replace("digits = 8", 'digits = 8\nsegment_current = "1 mA"'))
    assert {pin.goes_to for chip in chain_chips(made) for pin in chip.pins if pin.name == "V+"} == {"+"}
    table = {row[0]: row[1:] for row in section(sections(made), "Supplies").table}
    assert table["+"][1:] == ("the board, Plain, A, B", "192.3 mA")
    assert table["LAMP+"][1:] == ("Flood", "60 mA")


def test_a_lamp_that_is_lit_by_low_says_its_whole_way() -> None:
    low = lamp("a", "D5", 'driver = "transistor"\n').replace('"D5"', '"D5", active = "low"')
    made = planned(BOARD + low)
    assert rows(made)[0].note == "+ → emitter, collector → resistor → anode; cathode → ground; PNP, below"
    (switch,) = section(sections(made), "Transistors").lines
    assert switch.startswith("PNP (A): emitter to +; base over 1 kΩ from the pin; 10 kΩ from base to +")


def test_a_hub_without_a_supply_of_its_own_is_named_where_it_is_too_weak() -> None:
    # USB 2.0 specification, section 7.2.1: a port of a hub that is fed by the bus gives one unit load, 100 mA. The
    # demo's desks: lamps of 30 mA and the board's own 50 mA; the displays of the weather desk alone are 160 mA.
    def said(desk: str) -> str:
        return " ".join(section(sections(demo_plan(desk)), "Cautions").lines)

    assert "gives a port 100 mA and this board can take 218 mA" in said("met")
    assert "gives a port 100 mA. " in said("lighting")


def test_no_value_is_given_from_memory_to_somebody_who_solders() -> None:
    for desk in DESKS:
        text = as_text(sections(demo_plan(desk)))
        assert "from memory" not in text
        for row in section(sections(demo_plan(desk)), "Currents").table[1:]:
            assert re.search(r"data sheet [A-Z0-9-]+, |specification, section [\d.]+|panel file", row[3]), row


def test_the_error_of_the_serial_rate_is_told() -> None:
    assert "2.1 % fast" in as_text(sections(demo_plan("met")))
    assert "2.1 % fast" not in as_text(sections(demo_plan("met"), 500_000))
    assert "1000000 baud, exact" in as_markdown(sections(demo_plan("met"), 1_000_000))


def test_what_a_panel_file_says_is_no_markup() -> None:
    text = BOARD.replace("Test desk", "a | b <i>") + lamp("a", "D5", "label = '*bold* | [x](y) `z`'\n")
    made, advice = plan(loads(text, "desk.toml"), "desk")
    markdown = as_markdown(sections(made, 115_200, advice))
    row = next(line for line in markdown.splitlines() if line.startswith("| a |"))
    assert len(re.findall(r"(?<!\\)\|", row)) == 6  # five cells
    assert r"\*bold\* \| \[x\](y)" in row
    assert r"a \| b \<i\>" in markdown


def test_no_line_is_too_long_and_no_budget_is_said_that_is_not_there() -> None:
    for desk in DESKS:
        text = as_text(sections(demo_plan(desk)))
        assert max(map(len, text.splitlines())) <= 100
    lit = lamp("a", "D5")
    none = BOARD.replace('budget = "60 mA"\n', "")
    assert none != BOARD
    usual = as_text(sections(plan(loads(none + lit, "desk.toml"), "desk")[0]))
    assert "budget of the panel file" not in usual
    assert re.search(r"400 mA +usual; the panel file can", usual)
    said = as_text(sections(plan(loads(BOARD + lit, "desk.toml"), "desk")[0]))
    assert re.search(r"60 mA +budget of the panel file", said)


def test_both_forms_say_the_same() -> None:
    found = sections(planned(everything("atmega328p")))
    text = as_text(found)
    for each in found:
        assert each.heading in text
        for row in each.table:
            assert all(word in text for cell in row for word in cell.split())
    assert as_markdown(found).count("\n## ") == len(found) - 1


@pytest.mark.parametrize(("ohm", "words"), [(150, "150 Ω"), (4700, "4.7 kΩ"), (1_200_000, "1.2 MΩ"), (8.2, "8.2 Ω")])
def test_resistors_are_written_as_on_a_parts_list(ohm: float, words: str) -> None:
    assert ohm_words(ohm) == words


def test_a_coded_contact_is_not_called_by_one_of_its_positions() -> None:
    made = planned(
        BOARD
        + """
[controls.duty]
kind = "switch"
positions = ["off", "pump 1", "pump 2", "both"]
code = "gray"
channels = [{ id = "desk.m1", pin = "D4" }, { id = "desk.m0", pin = "D5" }]
"""
    )
    # Reflected Gray code, from 0: 00, 01, 11, 10 (any handbook of digital electronics).
    assert [(row.part, row.note) for row in rows(made)] == [
        ("Duty m1 (switch)", "made to ground; in positions pump 2, both"),
        ("Duty m0 (switch)", "made to ground; in positions pump 1, pump 2"),
    ]


def test_what_a_switch_of_the_panel_feeds_is_said_with_the_supplies() -> None:
    """The contact that the board reads switches no supply: whoever solders needs to know that there is more to it."""
    text = BOARD + lamp("a", "D5") + lamp("b", "D6")
    text += '[controls.battery]\nkind = "switch"\nchannel = { id = "desk.s", pin = "D4" }\n'
    text += '[supplies.main]\nfeeds = ["FEEDS"]\non_when = [{ battery = "on" }]\n'
    for feeds, what in (("a", "A"), ("desk", "all lamps and displays of this board")):
        notes = section(sections(planned(text.replace("FEEDS", feeds))), "Supplies").lines
        assert notes[1].startswith(f"{what}: switched by Battery. Lead their supply through a pole of its own there")
    assert len(section(sections(planned(BOARD + lamp("a", "D5"))), "Supplies").lines) == 1
