"""The shopping list: everything on the panel, and what that needs besides, counted; read back by the csv module."""

from __future__ import annotations

import csv
from pathlib import Path

import eseries
import pytest

from benchcon.cli.main import main
from benchcon.demo import panel_path

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
    assert "| 7 | toggle switch, 2 positions on 1 contact | hole Ø 6.5 mm | Approach, Runway edge, " in said
    assert "| 2 | MAX7219 |" in said
    assert main(["parts", str(panel_path()), "-o", "list.xls"]) == 2
    assert "does not end in any of .md, .csv" in capsys.readouterr().err
