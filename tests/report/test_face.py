"""The face in a walk's page: the drawing of the sheet, with marks, in letters that can be read on paper."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from itertools import combinations, product

import pytest
from drawing.panels import PLATES, panel_of
from hypothesis import given, settings
from hypothesis import strategies as st
from reportlab.pdfbase.pdfmetrics import stringWidth
from shapely.geometry import MultiPoint, Point, Polygon, box

from benchcon.panel.file import loads
from benchcon.panel.model import Panel
from benchcon.panel.places import engraved, inside_of
from benchcon.report.walk_face import FacePicture, face

VERDICTS = ("passed", "faulty", "possibly faulty", "skipped")
POINT_MM = 25.4 / 72
"""DTP point (ISO 32000, user space)."""


def twelve(width: int, height: int) -> Panel:
    """Twelve parts in rows of three or four on a plate, with labels as long as people make them."""
    words = ("Landing flood light", "Hoist power", "Emergency stop", "Range", "Rope to zero", "Slack rope")
    across = 4 if width > height else 3
    rows = [f'[panel]\ntitle = "Plate"\nwidth = "{width} mm"\nheight = "{height} mm"\n[boards.a]\n']
    for n in range(12):
        at = f'["{(n % across + 0.5) * width / across:g} mm", "{(n // across + 0.6) * height / (12 // across):g} mm"]'
        rows.append(f'[controls.c{n}]\nkind = "{("button", "switch", "encoder")[n % 3]}"\nat = {at}\n')
        rows.append(f'label = "{words[n % len(words)]} {n}"\nchannel = "i{n}"\n')
    return loads("".join(rows), "plate.toml")


PANELS = {
    **{name: panel_of(path) for name, path in PLATES.items()},
    "10 x 15 cm": twelve(100, 150),
    "15 x 10 cm": twelve(150, 100),
    "48 cm": twelve(480, 266),
}


def marked(panel: Panel, verdicts: tuple[str, ...] = VERDICTS) -> FacePicture:
    by_part = {part.name: verdicts[n % len(verdicts)] for n, part in enumerate(panel.parts)}
    said = {
        part.name: [(n + 1, "open circuit")] for n, part in enumerate(panel.parts) if "faulty" in by_part[part.name]
    }
    return face(panel, by_part, said)


def scale_of(svg: ElementTree.Element) -> float:
    """Millimetres in print for one unit of the picture (SVG 2, viewBox)."""
    width, height = (float(svg.attrib[key].removesuffix("mm")) for key in ("width", "height"))
    box = [float(each) for each in svg.attrib["viewBox"].split()]
    assert width / box[2] == pytest.approx(height / box[3], rel=0.01)
    return width / box[2]


def label_area(text: ElementTree.Element) -> Polygon:
    at, size = text.attrib, float(text.attrib["font-size"])
    long = stringWidth(text.text or "", "Helvetica", size)
    left = float(at["x"]) - {"start": 0, "middle": long / 2, "end": long}[at["text-anchor"]]
    return box(left, float(at["y"]) - 0.72 * size, left + long, float(at["y"]) + 0.2 * size)


def covering(shape: ElementTree.Element) -> Polygon | None:
    at = shape.attrib
    if shape.tag == "circle":
        return Point(float(at["cx"]), float(at["cy"])).buffer(float(at["r"]))
    if shape.tag == "polygon":
        return MultiPoint([tuple(map(float, pair.split(","))) for pair in at["points"].split()]).convex_hull
    if shape.tag == "rect" and at["class"] not in ("plate", "fault"):
        left, top = float(at["x"]), float(at["y"])
        return box(left, top, left + float(at["width"]), top + float(at["height"]))
    return None


def assert_clear(picture: FacePicture) -> list[ElementTree.Element]:
    """No label lies on a part, on a mark or on another label, and all are on the plate."""
    svg = ElementTree.fromstring(picture.svg)
    plate = next(each for each in svg if each.attrib.get("class") == "plate")
    ground = box(0, 0, float(plate.attrib["width"]), float(plate.attrib["height"]))
    labels = [text for text in svg.iter("text") if text.attrib["class"] == "label"]
    areas = [label_area(text) for text in labels]
    solid = [area for shape in svg.iter() if (area := covering(shape)) is not None]
    assert not [pair for pair in product(areas, solid) if pair[0].intersection(pair[1]).area > 0.01]
    # Lines of one label touch, as lines do, and do not overlap.
    assert not [pair for pair in combinations(areas, 2) if pair[0].intersection(pair[1]).area > 0.01]
    assert all(ground.buffer(0.1).contains(area) for area in areas)
    return labels


@pytest.mark.parametrize("name", PANELS)
def test_labels_with_the_numbers_of_findings_lie_on_no_part_no_mark_and_no_other(name: str) -> None:
    panel = PANELS[name]
    picture = marked(panel)
    words = " ".join(text.text or "" for text in assert_clear(picture))
    assert picture.keys == ()
    for n, part in enumerate(panel.parts):
        assert all(word in words for word in engraved(part).split())
        assert "faulty" not in VERDICTS[n % 4] or re.search(rf"[(, ]{n + 1}[,)]", words)


@pytest.mark.parametrize("name", PANELS)
def test_letters_and_marks_are_legible_in_print_however_large_the_plate(name: str) -> None:
    """At least 7 pt and marks of 3 mm (common practice, no source); inside the margins of A4 (ISO 216) and Letter."""
    svg = ElementTree.fromstring(marked(PANELS[name]).svg)
    scale = scale_of(svg)
    sizes = {float(text.attrib["font-size"]) for text in svg.iter("text") if text.attrib["class"] == "label"}
    assert min(sizes) * scale >= 7 * POINT_MM - 0.01
    marks = [covering(each) for each in svg.iter() if each.attrib.get("class", "").startswith("mark")]
    assert all((mark.bounds[2] - mark.bounds[0]) * scale > 2.8 for mark in marks)
    width, height = (float(svg.attrib[key].removesuffix("mm")) for key in ("width", "height"))
    assert width <= 210 - 2 * 14
    assert width <= 215.9 - 2 * 14
    assert height <= 279.4 - 2 * 14


@pytest.mark.parametrize("name", PANELS)
def test_no_mark_covers_a_part_that_is_not_its_own_or_another_mark(name: str) -> None:
    svg = ElementTree.fromstring(marked(PANELS[name], ("passed",)).svg)
    groups = [group for group in svg if group.tag == "g"]
    marks, parts = {}, {}
    for part, group in zip(PANELS[name].parts, groups, strict=True):
        shapes = [each for each in group if covering(each) is not None]
        (marks[part.name],) = [covering(each) for each in shapes if each.attrib["class"] == "mark"]
        parts[part.name] = [covering(each) for each in shapes if each.attrib["class"] != "mark"], inside_of(part)
    assert not [p for p in combinations(marks.values(), 2) if p[0].intersection(p[1]).area > 0.05]
    for name_, mark in marks.items():
        for other, (shapes, home) in parts.items():
            if other != name_ and name_ != home and parts[name_][1] not in (other, home or "-"):
                assert all(mark.intersection(shape).area < 0.05 for shape in shapes), (name_, other)


def test_marks_differ_by_shape_and_not_only_by_colour() -> None:
    """WCAG 2.x, success criterion 1.4.1: colour is not the only means; a page may be printed in black and white."""
    svg = ElementTree.fromstring(marked(PANELS["48 cm"]).svg)
    looks = {}
    for group in svg:
        if group.tag == "g":
            drawn = [each for each in group if each.attrib.get("class", "").split()[:1] in (["mark"], ["sign"])]
            looks[group.attrib["class"]] = tuple((each.tag, each.attrib["class"]) for each in drawn)
    corners = {
        group.attrib["class"]: len(each.attrib["points"].split())
        for group in svg
        for each in group
        if each.attrib.get("class") == "mark" and each.tag == "polygon"
    }
    assert len(set(looks.values())) == len(looks) == 4
    assert corners == {"part faulty": 4, "part possibly-faulty": 4}


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 14), st.integers(1, 9), st.sampled_from(["Fuel", "Landing flood light", "Left hand outer pump"]))
def test_what_has_no_room_has_its_number_there_and_stands_below_the_picture(across: int, down: int, word: str) -> None:
    """Parts as close as they can be mounted, 20 mm by 32 mm."""
    rows = [f'[panel]\nwidth = "{20 * across} mm"\nheight = "{32 * down} mm"\n[boards.a]\n']
    for n in range(across * down):
        at = f'["{10 + 20 * (n % across)} mm", "{18 + 32 * (n // across)} mm"]'
        rows.append(f'[lamps.l{n}]\nlabel = "{word} {n}"\nat = {at}\nchannel = "l{n}"\n')
    panel = loads("".join(rows), "plate.toml")
    picture = marked(panel)
    labels = assert_clear(picture)
    shown = {text.text for text in labels}
    for number, label in picture.keys:
        assert panel.parts[int(number) - 1].label == label
    missing = {part.label for part in panel.parts} - {label for _, label in picture.keys}
    words = " ".join(text or "" for text in shown)
    assert all(each in words for label in missing for each in label.split())
    scale = scale_of(ElementTree.fromstring(picture.svg))
    assert all(float(text.attrib["font-size"]) * scale >= 7 * POINT_MM - 0.01 for text in labels)
