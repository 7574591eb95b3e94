"""The shopping list: everything on the panel, and what that needs besides, counted; read back by the csv module."""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

import eseries
import pytest

from benchcon.cli.main import main
from benchcon.demo import panel_path
from benchcon.firmware.plan import plan
from benchcon.firmware.shopping import shopping
from benchcon.firmware.wiring_parts import chain_chips, rows
from benchcon.panel.file import loads

PANEL = """\
[boards.b]
chip = "atmega2560"
chains.7219 = { data = "D51", clock = "D52", load = "D53", chips = 2 }
[controls.go]
kind = "button"
channel = { id = "k1", pin = "D22", connector = "J1", connector_pin = "1" }
lit = { colour = "green", current = "20 mA", forward = "2.0 V", channel = { id = "g1", pin = "D2" } }
repeat = { columns = 4 }
[lamps.flood]
current = "300 mA"
forward = "3 V"
driver = "transistor"
channel = { id = "f", pin = "D8", connector = "J2", connector_pin = "1-3" }
[displays.d]
digits = 8
channel = { id = "d1", pin = "7219.0" }
repeat = { rows = 2 }
"""


@pytest.fixture
def listed(tmp_path: Path) -> list[dict[str, str]]:
    panel, out = tmp_path / "p.toml", tmp_path / "p.csv"
    panel.write_text(PANEL, "utf-8")
    assert main(["parts", str(panel), "-o", str(out)]) == 0
    with out.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def number_of(listed: list[dict[str, str]], what: str) -> int:
    return sum(int(row["count"]) for row in listed if what in row["what"])


def test_everything_is_counted_with_what_it_needs(listed: list[dict[str, str]]) -> None:
    assert number_of(listed, "ATmega2560") == 1
    assert number_of(listed, "lit push button") == 4
    assert number_of(listed, "green LED, in its button") == 4
    assert number_of(listed, "8 digits, common cathode") == 2
    assert number_of(listed, "MAX7219") == 2
    # MAX7219 data sheet, supply bypassing: 10 µF and 0.1 µF at each.
    assert number_of(listed, "10 µF") == number_of(listed, "0.1 µF") == 2
    # 300 mA is more than a small transistor carries.
    assert number_of(listed, "N-channel MOSFET") == 1
    # 5 V, 2.0 V forward, 20 mA: 150 Ω (Ohm's law, any handbook).
    assert [row["count"] for row in listed if row["what"] == "150 Ω"] == ["4"]
    assert {row["what"] for row in listed if row["group"] == "Connectors"} == {"connector, 4 pins", "connector, 3 pins"}


CHAINED = """\
[boards.b]
chip = "atmega328p"
chains.165 = { data = "D12", clock = "A0", load = "A1" }
chains.595 = { data = "D11", clock = "D13", load = "D10", oe = "D9", chips = 2 }
chains.7219 = { data = "D11", clock = "D13", load = "D8" }
[controls.mode]
kind = "switch"
positions = ["off", "one", "two", "both"]
code = "gray"
channels = [{ id = "m1", pin = "165.0" }, { id = "m0", pin = "165.1", active = "high" }]
[controls.turn]
kind = "encoder"
channel = { id = "e", pin = "165.2/165.3" }
[controls.go]
kind = "button"
channel = { id = "k", pin = "D4", active = "high" }
[controls.stop]
kind = "button"
channel = { id = "s", pin = "D5" }
[lamps.a]
channel = { id = "a", pin = "595.9" }
[displays.d]
digits = 4
channel = { id = "d", pin = "7219.0" }
"""


def test_every_resistor_of_the_wiring_list_is_bought() -> None:
    panel = loads(CHAINED, "p.toml")
    made = plan(panel, "b")[0]
    chips = chain_chips(made)
    told = [row.resistor for row in rows(made)]
    told += [text for chip in chips for text in (chip.note, *(pin.goes_to for pin in chip.pins))]
    wired = Counter(value for text in told for value in re.findall(r"[\d.]+ k?Ω", text))
    bought = {item.what: item.number for item in shopping(panel) if item.group == "Resistors"}
    assert bought == wired
    # A 74HC165 has no pull-ups (SN74HC165 data sheet SCLS116, from memory): four inputs, and OE.
    assert bought["10 kΩ"] == 5


def test_a_coded_switch_is_bought_as_one() -> None:
    more = CHAINED.replace('"both"]\ncode = "gray"', '"both", "test"]\ncode = "gray"').replace(
        '{ id = "m1",', '{ id = "m2", pin = "165.4" }, { id = "m1",'
    )
    bought = [item.what for item in shopping(loads(more, "p.toml")) if "rotary switch" in item.what]
    assert bought == ["rotary switch, 5 positions, Gray code on 3 contacts"]


def test_a_switch_of_a_supply_has_a_pole_for_it() -> None:
    more = CHAINED + '[supplies.s]\nfeeds = ["a"]\non_when = [{ mode = "both" }]\n'
    notes = {item.used_for: item.about for item in shopping(loads(more, "p.toml"))}
    assert notes["Mode"].endswith(", with one more pole for the supply that it switches")
    assert "pole" not in notes["Go, Stop"]


def test_resistors_are_of_the_preferred_series(listed: list[dict[str, str]]) -> None:
    for row in listed:
        if row["group"] == "Resistors":
            number, unit = row["what"].split()
            ohm = float(number) * {"Ω": 1, "kΩ": 1000, "MΩ": 1e6}[unit]
            # IEC 60063, by an independent library.
            assert eseries.find_nearest(eseries.E24, ohm) == pytest.approx(ohm), row


def test_people_get_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["parts", str(panel_path())]) == 0
    said = capsys.readouterr().out
    assert said.startswith("# Ostrey tower trainer: what to buy\n")
    assert "| 5 | toggle switch, 2 positions on 1 contact | hole Ø 6.5 mm | Approach, Runway edge, " in said
    assert "| 2 | MAX7219 |" in said
    assert main(["parts", str(panel_path()), "-o", "list.xls"]) == 2
    assert "does not end in any of .md, .csv" in capsys.readouterr().err


def test_no_label_is_a_formula_in_a_spreadsheet_and_a_number_stays_a_number(tmp_path: Path) -> None:
    """OWASP, CSV injection: cells that begin with = + - @ are run; RFC 4180 knows no way to say that one is text."""
    labels = {"button": "=HYPERLINK(A1)", "encoder": "+5 V", "pot": "-12", "switch": "@switch"}
    panel, out = tmp_path / "p.toml", tmp_path / "p.csv"
    parts = [
        f"[controls.{kind}]\nkind = '{kind}'\nlabel = '{text}'\nchannel = 'b.{kind}'\n" for kind, text in labels.items()
    ]
    panel.write_text("[boards.b]\n" + "".join(parts), "utf-8")
    assert main(["parts", str(panel), "-o", str(out)]) == 0
    with out.open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    assert head == ["group", "count", "what", "note", "used for"]
    assert {row[4] for row in rows[1:]} == {"'=HYPERLINK(A1)", "'@switch", "'+5 V", "-12"}
    assert {row[1] for row in rows} == {"1"}
