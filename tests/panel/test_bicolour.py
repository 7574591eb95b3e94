"""Lamps of several colours in one housing: one hole and one label, and a lamp for each colour everywhere else."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchcon.drawing.fits import inspect_fits
from benchcon.drawing.plate import Plate
from benchcon.errors import Trouble
from benchcon.firmware.shopping import shopping
from benchcon.panel.edit import PanelFile
from benchcon.panel.file import inspect, loads
from benchcon.walk.machine import Walk

PANEL = """\
[panel]
width = "100 mm"
height = "60 mm"
[boards.desk]
chip = "atmega328p"
[controls.arm]
kind = "switch"
guard = true
at = ["15 mm", "30 mm"]
channel = { id = "s1", pin = "D4" }
[lamps.fuel]
at = ["40 mm", "30 mm"]
hole = "5.2 mm"
forward = "2 V"
colours = [
  { colour = "red", channel = { id = "l1", pin = "D5" }, role = "warning" },
  { colour = "green", forward = "2.1 V", channel = { id = "l2", pin = "D6" } },
]
[lamps.row]
at = ["65 mm", "30 mm"]
repeat = { columns = 2, pitch = "15 mm" }
colours = [{ colour = "amber", channel = "m1" }, { colour = "blue", forward = "3 V", channel = "m3" }]
"""


def test_a_lamp_of_two_colours_is_two_lamps_in_one_place() -> None:
    panel = loads(PANEL)
    assert [(lamp.name, lamp.label, lamp.channel.id, lamp.forward_mv, lamp.role) for lamp in panel.lamps] == [
        ("fuel_red", "Fuel red", "l1", 2000, "warning"),
        ("fuel_green", "Fuel green", "l2", 2100, ""),
        ("row_1_amber", "Row 1 amber", "m1", 2000, ""),
        ("row_1_blue", "Row 1 blue", "m3", 3000, ""),
        ("row_2_amber", "Row 2 amber", "m2", 2000, ""),
        ("row_2_blue", "Row 2 blue", "m4", 3000, ""),
    ]
    assert panel.lamps[0].place == panel.lamps[1].place
    assert [finding.text for finding in inspect(PANEL)[1]] == []


def test_it_has_one_hole_and_one_label_on_the_plate() -> None:
    panel = loads(PANEL)
    labels = Plate.of(panel).put_labels().labels
    assert {name: " ".join(label.lines) for name, label in labels.items()} == {
        "arm": "Arm",
        "fuel_red": "Fuel",
        "row_1_amber": "Row 1",
        "row_2_amber": "Row 2",
    }
    assert inspect_fits(panel) == []


def test_the_parts_list_has_one_led_for_it_and_a_resistor_for_each_colour() -> None:
    items = shopping(loads(PANEL))
    leds = [(item.number, item.what, item.used_for) for item in items if "LED" in item.what]
    assert leds == [
        (1, "red/green LED, 3 leads, common cathode", "Fuel"),
        (2, "amber/blue LED, 3 leads, common cathode", "Row 1, Row 2"),
    ]
    assert sum(item.number for item in items if item.group == "Resistors") == 6
    assert [item.used_for for item in items if item.what == "flip-up cover"] == ["Arm"]


def test_the_walk_asks_for_each_colour_and_to_lift_a_cover() -> None:
    walk = Walk(loads(PANEL))
    assert [group.name for group in walk.groups if group.kind == "lamp"] == [lamp.name for lamp in walk.panel.lamps]
    walk.start({"desk.s1": 0}, 0)
    while walk.group is not None and walk.group.name != "arm":
        walk.skip(0)
    assert walk.prompt().ask == "Lift its cover. Set Arm to on."


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('colour = "green", forward', 'colour = "red", forward', 'is "red" for a second time'),
        ('{ colour = "amber", channel = "m1" }, ', "", "a list of 2 to 4 is allowed"),
        ('hole = "5.2 mm"', 'colour = "red"', "lamps.fuel.colour goes into each of colours"),
        ('colour = "amber", ', "", "lacks its colour"),
    ],
)
def test_what_is_wrong_with_it_is_said(old: str, new: str, said: str) -> None:
    assert old in PANEL
    with pytest.raises(Trouble) as caught:
        loads(PANEL.replace(old, new))
    assert said in str(caught.value)


def test_leads_that_cannot_be_shared_are_told() -> None:
    text = PANEL.replace('pin = "D6" }', 'pin = "D6", active = "low" }')
    (finding,) = inspect(text)[1]
    assert not finding.grave
    assert "in one housing they share a lead" in finding.text


def test_the_trim_of_each_colour_is_written(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(PANEL, "utf-8")
    file = PanelFile(path)
    wanted = {lamp.name: lamp.trim_permille for lamp in file.panel.lamps}
    for name, trim in (("fuel_green", 700), ("row_2_blue", 600), ("row_1_amber", 500), ("fuel_red", 900)):
        wanted[name] = trim
        file.trim(name, trim)
        assert {lamp.name: lamp.trim_permille for lamp in file.panel.lamps} == wanted
