"""Labels lie on nothing and on no other label: worked out by a geometry library and by another's font metrics."""

from __future__ import annotations

from itertools import combinations

import pytest
from drawing.panels import PLATES, panel_of
from hypothesis import given, settings
from hypothesis import strategies as st
from reportlab.pdfbase.pdfmetrics import stringWidth
from shapely.geometry import MultiPolygon, Point, box

from benchcon.drawing.letters import width_mm
from benchcon.drawing.plate import Label, Plate
from benchcon.drawing.sheet import Sheet
from benchcon.panel.file import loads
from benchcon.panel.places import engraved, footprint_mm, inside_of


def area_of(label: Label) -> MultiPolygon:
    """What a label covers, by Helvetica's widths as reportlab has them: from descenders to ascenders."""
    found = []
    for text in label.texts():
        long = stringWidth(text.text, "Helvetica", text.size)
        left = text.x - {"start": 0, "middle": long / 2, "end": long}[text.anchor]
        found.append(box(left, text.y - 0.72 * text.size, left + long, text.y + 0.21 * text.size))
    return MultiPolygon(found)


def assert_clear(plate: Plate) -> None:
    areas = {name: area_of(label) for name, label in plate.labels.items()}
    outline = box(0, 0, plate.width_mm, plate.height_mm)
    for name, area in areas.items():
        assert outline.contains(area), name
        for part in plate.panel.parts:
            place = plate.places[part.name]
            width, height = footprint_mm(part)
            front = box(
                place.x_mm - width / 2, place.y_mm - height / 2, place.x_mm + width / 2, place.y_mm + height / 2
            )
            assert area.intersection(front).area == 0, (name, part.name)
            if part.hole_mm[0] and not part.hole_mm[1]:
                hole = Point(place.x_mm, place.y_mm).buffer(part.hole_mm[0] / 2)
                assert area.intersection(hole).area == 0, (name, part.name)
    for (one, a), (other, b) in combinations(areas.items(), 2):
        assert a.intersection(b).area == 0, (one, other)


@pytest.mark.parametrize("name", PLATES)
def test_on_a_large_plate_and_a_small_one_every_label_stands_whole_and_clear(name: str) -> None:
    plate = Plate.of(panel_of(PLATES[name])).put_labels()
    assert {n: " ".join(label.lines) for n, label in plate.labels.items()} == {
        part.name: engraved(part) for part in plate.panel.parts if not inside_of(part)
    }
    assert_clear(plate)


LENGTH = st.integers(5, 195)
PARTS = st.lists(st.tuples(LENGTH, LENGTH, st.text("abcdefghij  WM", min_size=1, max_size=30)), min_size=1, max_size=20)


@settings(max_examples=150, deadline=None)
@given(PARTS)
def test_however_crowded_no_label_lies_on_a_part_or_a_label(parts: list[tuple[int, int, str]]) -> None:
    rows = ['[panel]\nwidth = "200 mm"\nheight = "200 mm"\n[boards.b]\n']
    for n, (x, y, label) in enumerate(parts):
        rows.append(f'[lamps.l{n}]\nlabel = "{label}"\nat = ["{x} mm", "{y} mm"]\nhole = "8 mm"\nchannel = "l{n}"\n')
    assert_clear(Plate.of(loads("".join(rows))).put_labels())


@given(st.text(st.characters(min_codepoint=0x20, max_codepoint=0xFF, exclude_categories=("Cc",)), max_size=40))
def test_widths_are_those_of_helvetica(text: str) -> None:
    # Adobe's core 14 font metrics, as reportlab carries them.
    assert width_mm(text, 10) == pytest.approx(stringWidth(text, "Helvetica", 10), abs=0.6)


def test_wires_on_the_back_of_a_crowded_plate_lie_on_no_hole_and_on_no_other() -> None:
    rows = ['[panel]\nwidth = "260 mm"\nheight = "170 mm"\n[boards.b]\n']
    for n in range(64):
        kind = ("button", "switch", "encoder", "pot")[n % 4]
        at = f'["{22 + 31 * (n % 8)} mm", "{14 + 20.5 * (n // 8)} mm"]'
        wire = (
            f'channel = {{ id = "c{n}", connector = "J{n // 16 + 1}", connector_pin = "{n % 16 + 1}", wire = "white" }}'
        )
        rows.append(f'[controls.c{n}]\nlabel = "Control number {n}"\nkind = "{kind}"\nat = {at}\n{wire}\n')
    sheet = Sheet.of(loads("".join(rows)))
    wires = [shape for shape in sheet.back if shape.layer == "wires"]
    assert {f"Control number {n}" for n in range(64)} <= {wire.text for wire in wires}
    assert "J4/16 white to c63" in {wire.text for wire in wires}
    areas = [area_of(Label((wire.text,), wire.x, wire.y, wire.size, wire.anchor)) for wire in wires]
    holes = [Point(shape.x, shape.y).buffer(shape.radius) for shape in sheet.back if shape.layer == "holes"]
    assert not [(a, b) for a in areas for b in holes if a.intersection(b).area > 0]
    assert not [(a, b) for a, b in combinations(areas, 2) if a.intersection(b).area > 0.001]


def test_labels_stand_on_the_side_that_the_file_wants_where_there_is_room() -> None:
    plate = Plate.of(
        loads(
            '[panel]\nwidth = "200 mm"\nheight = "60 mm"\nlabels = "below"\n[boards.b]\n'
            '[lamps.a]\nat = ["30 mm", "30 mm"]\nchannel = "a"\n'
            '[lamps.b]\nat = ["80 mm", "30 mm"]\nlabel_at = "right"\nchannel = "b"\n'
            '[lamps.c]\nat = ["130 mm", "30 mm"]\nlabel_at = "above"\nchannel = "c"\n'
            '[lamps.d]\nat = ["192 mm", "30 mm"]\nlabel_at = "right"\nlabel = "No room there"\nchannel = "d"\n'
        )
    ).put_labels()
    a, b, c, d = (plate.labels[name].bounds() for name in "abcd")
    assert a[1] > 30 > c[3]
    assert b[0] > 80
    assert b[1] < 30 < b[3]
    assert d[2] < 192
    assert_clear(plate)


def test_a_label_goes_below_in_one_line_rather_than_above_in_three() -> None:
    panel = loads(
        '[panel]\nwidth = "100 mm"\nheight = "100 mm"\n[boards.b]\n'
        '[controls.a]\nkind = "button"\nlabel = "Set depth now"\nat = ["50 mm", "50 mm"]\nchannel = "a"\n'
    )
    plate = Plate.of(panel)
    left, top, right, bottom = plate.front(panel.controls[0])
    beside = [(left - 20, top - 20, left + 2, top - 0.1), (right - 2, top - 20, right + 20, top - 0.1)]
    label = plate.put_labels(taken=beside).labels["a"]
    assert label.lines == ("Set depth now",)
    assert label.bounds()[1] > bottom
