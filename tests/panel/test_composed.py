"""Repeats and lit controls: one table of the file, several parts on the panel."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.panel.edit import PanelFile
from benchcon.panel.file import inspect, loads
from benchcon.panel.model import Place

GRID = """\
[panel]
width = "200 mm"
height = "130 mm"
[boards.box]
chip = "atmega2560"
chains.595 = { data = "D51", clock = "D52", load = "D53" }
[controls.route]
label = "Route 1"
kind = "button"
at = ["30 mm", "35 mm"]
channel = { id = "b1", pin = "D22", connector = "J1", connector_pin = "1", wire = "red" }
lit = { colour = "green", channel = { id = "l1", pin = "595.0" } }
repeat = { columns = 3, rows = 2, pitch = ["1 in", "36 mm"] }
"""


def test_a_grid_counts_places_labels_channels_pins_and_lamps_on() -> None:
    panel = loads(GRID)
    assert [control.name for control in panel.controls] == [f"route_{n}" for n in range(1, 7)]
    assert [control.label for control in panel.controls] == [f"Route {n}" for n in range(1, 7)]
    assert [control.place for control in panel.controls] == [
        Place(pytest.approx(x), y) for y in (35, 71) for x in (30, 55.4, 80.8)
    ]
    wires = [(c.id, c.wire.pin, c.wire.connector_pin, c.wire.colour) for b in panel.controls for c in b.channels]
    assert wires == [(f"b{n}", f"D{21 + n}", str(n), "red") for n in range(1, 7)]
    lamps = [(lamp.name, lamp.inside, lamp.channel.id, lamp.channel.wire.pin) for lamp in panel.lamps]
    assert lamps == [(f"route_{n}_lit", f"route_{n}", f"l{n}", f"595.{n - 1}") for n in range(1, 7)]
    assert all(lamp.place == control.place for lamp, control in zip(panel.lamps, panel.controls, strict=True))


@pytest.mark.parametrize(
    ("table", "pins"),
    [
        ('kind = "encoder"\nchannel = { id = "e1", pin = "D2/D3" }', ["D2/D3", "D4/D5", "D6/D7"]),
        ('kind = "button"\nchannel = { id = "k1", pin = "keys.r0c1" }', ["keys.r0c1", "keys.r0c2", "keys.r0c3"]),
        ('kind = "switch"\npositions = ["a", "b"]\nchannels = [{ id = "s1", pin = "D4" }, { id = "s2", pin = "D5" }]',
         ["D4", "D5", "D6", "D7", "D8", "D9"]),
    ],
)  # fmt: skip
def test_pins_are_counted_on_as_the_part_takes_them(table: str, pins: list[str]) -> None:
    matrix = '[matrices.keys]\nrows = ["D30"]\ncolumns = ["D31", "D32", "D33", "D34"]\n'
    panel = loads(f"[boards.b]\n{matrix}[controls.x]\n{table}\nrepeat = {{ columns = 3 }}\n")
    assert [channel.wire.pin for control in panel.controls for channel in control.channels] == pins
    assert [control.label for control in panel.controls] == ["X 1", "X 2", "X 3"]
    assert len({channel.id for control in panel.controls for channel in control.channels}) == len(pins)


def test_displays_take_as_many_digits_of_the_chain_as_they_have() -> None:
    panel = loads(
        '[boards.b]\nchains.7219 = { data = "D11", clock = "D13", load = "D10" }\n'
        '[displays.d]\ndigits = 3\nchannel = { id = "d1", pin = "7219.0" }\nrepeat = { rows = 2 }\n'
    )
    assert [display.channel.wire.pin for display in panel.displays] == ["7219.0", "7219.3"]


def test_labels_can_be_said_one_by_one() -> None:
    panel = loads('[boards.b]\n[lamps.t]\nchannel = "t"\nrepeat = { columns = 2, labels = ["Up", "Down"] }\n')
    assert [(lamp.label, lamp.channel.id) for lamp in panel.lamps] == [("Up", "t1"), ("Down", "t2")]


@pytest.mark.parametrize(
    ("was", "put", "said"),
    [
        ("columns = 3", "columns = 300", ":13: controls.route.repeat.columns is 300; a whole number from 1 to 128"),
        ("columns = 3, rows = 2", "columns = 100, rows = 2", "makes 200 parts; at most 128"),
        ('pitch = ["1 in", "36 mm"]', 'pitch = "25"', "lacks its unit"),
        ("rows = 2", "rowws = 2", 'did you mean "rows"?'),
        ("rows = 2", 'rows = 2, labels = ["A"]', "has 1 label; 6 labels are needed"),
        ('lit = { colour = "green"', 'lit = { colour = "gren"', ":12: "),
        ('lit = { colour = "green"', 'lit = { at = ["1 mm", "1 mm"], colour = "green"', "is that of the control"),
        ('pin = "D22"', 'pin = "D52"', "which boards.box.chains"),
        ("[boards.box]", '[lamps.route_1_lit]\nchannel = "zz"\n[boards.box]', "which exists already"),
    ],
)
def test_what_is_wrong_is_said_with_the_line_that_made_it(was: str, put: str, said: str) -> None:
    with pytest.raises(Trouble) as trouble:
        loads(GRID.replace(was, put), "box.toml")
    assert said in str(trouble.value)


ANYTHING = st.recursive(
    st.integers(-3, 200) | st.sampled_from(['"25 mm"', '"x"', "true", "[]", "{}"]).map(str),
    lambda inner: st.lists(inner, max_size=3).map(lambda each: f"[{', '.join(map(str, each))}]"),
    max_leaves=4,
)


@given(ANYTHING, ANYTHING, ANYTHING, ANYTHING)
def test_whatever_stands_there_is_a_panel_or_a_finding(a: object, b: object, c: object, d: object) -> None:
    text = (
        f'[boards.b]\n[controls.x]\nkind = "button"\nat = {a}\nchannel = {b}\nlit = {c}\n'
        f"repeat = {{ columns = {d}, rows = {a}, pitch = {b}, labels = {c} }}\n"
    )
    panel, findings = inspect(text)
    assert panel is not None or any(finding.grave for finding in findings)


def test_the_one_lamp_of_a_button_can_be_edited_and_parts_of_a_grid_say_why_not(tmp_path: Path) -> None:
    path = tmp_path / "box.toml"
    path.write_text(GRID.replace("repeat", "# repeat"), "utf-8")
    file = PanelFile(path)
    file.set("route_lit", "trim", "80 %")
    file.save()
    assert loads(path.read_text()).lamps[0].trim_permille == 800
    assert "# repeat" in path.read_text()
    path.write_text(GRID, "utf-8")
    with pytest.raises(Trouble, match=r"route_2 is made by controls\.route, with others"):
        PanelFile(path).place("route_2", 10, 10)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ('colour = "gren"', '4: lamps.zone.colour is "gren"; allowed'),
        ('at = [20, "30 mm"]', "4: lamps.zone.at[1] is 20; a quantity"),
        ('channel = "desk.z1"', '4: lamps.zone.channel names the unknown board "desk"'),
    ],
)
def test_one_mistake_in_a_repeat_is_one_line(wrong: str, told: str) -> None:
    channel = "" if "channel" in wrong else 'channel = "z1"'
    _, found = inspect(f"[boards.a]\n[lamps.zone]\nrepeat = {{ columns = 6 }}\n{wrong}\n{channel}\n", "x.toml")
    assert [str(each).startswith(f"x.toml:{told}") for each in found] == [True], found


def test_a_mistake_that_a_lit_button_shares_with_its_lamp_is_one_line() -> None:
    text = '[boards.a]\n[controls.go]\nkind = "button"\nchannel = "b1"\nat = [20, "30 mm"]\nlit = { channel = "l1" }\n'
    for repeated in ("", "repeat = { columns = 3 }\n"):
        _, (found,) = inspect(text + repeated, "x.toml")
        assert str(found).startswith("x.toml:5: controls.go.at[1] is 20;")


def test_a_list_that_is_wrong_is_shown_one_of_its_own_kind() -> None:
    with pytest.raises(Trouble) as told:
        loads('[boards.b]\n[lamps.a]\nchannel = "l1"\ntrims = "80 %"\nrepeat = { columns = 2, pitch = "20 mm" }\n')
    assert 'such as ["80 %", "100 %"]' in str(told.value)
