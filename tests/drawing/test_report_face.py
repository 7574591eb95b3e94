"""The face in a walk's page: it is the drawing of the sheet, with marks and findings, and nothing covers a label."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from itertools import combinations, product

import pytest
from drawing.panels import PLATES, panel_of
from reportlab.pdfbase.pdfmetrics import stringWidth
from shapely.geometry import Point, Polygon, box

from benchcon.panel.places import engraved
from benchcon.report.walk_face import face


def label_area(text: ElementTree.Element) -> Polygon:
    at, size = text.attrib, float(text.attrib["font-size"])
    long = stringWidth(text.text or "", "Helvetica", size)
    left = float(at["x"]) - {"start": 0, "middle": long / 2, "end": long}[at["text-anchor"]]
    return box(left, float(at["y"]) - 0.72 * size, left + long, float(at["y"]) + 0.2 * size)


def covering(shape: ElementTree.Element) -> Polygon | None:
    at = shape.attrib
    if shape.tag == "circle":
        return Point(float(at["cx"]), float(at["cy"])).buffer(float(at["r"]))
    if shape.tag == "rect" and at["class"] not in ("plate", "fault"):
        left, top = float(at["x"]), float(at["y"])
        return box(left, top, left + float(at["width"]), top + float(at["height"]))
    return None


@pytest.mark.parametrize("name", PLATES)
def test_labels_with_the_numbers_of_findings_lie_on_no_part_no_mark_and_no_other(name: str) -> None:
    panel = panel_of(PLATES[name])
    verdicts = {part.name: ("passed", "faulty")[n % 2] for n, part in enumerate(panel.parts)}
    said = {part.name: [(n + 1, "open circuit")] for n, part in enumerate(panel.parts) if n % 2}
    svg = ElementTree.fromstring(face(panel, verdicts, said))
    labels = [text for text in svg.iter("text") if text.attrib["class"] == "label"]
    words = " ".join(text.text or "" for text in labels)
    for n, part in enumerate(panel.parts):
        for word in engraved(part).split():
            assert word in words
        assert n % 2 == 0 or re.search(rf"[(, ]{n + 1}[,)]", words)
    areas = [label_area(text) for text in labels]
    solid = [area for shape in svg.iter() if (area := covering(shape)) is not None]
    assert not [pair for pair in product(areas, solid) if pair[0].intersection(pair[1]).area > 0.01]
    # Lines of one label touch, as lines do, and do not overlap.
    assert not [pair for pair in combinations(areas, 2) if pair[0].intersection(pair[1]).area > 0.01]
