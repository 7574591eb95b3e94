"""The sheet, measured by programs that know nothing of ours: rasterisers at 300 dpi, a PDF reader, a DXF auditor."""

from __future__ import annotations

import subprocess
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy
import pytest
import shapely
from drawing.panels import PLATES, panel_of
from PIL import Image

from benchcon.cli.main import main
from benchcon.drawing.picture import picture
from benchcon.drawing.plate import Plate
from benchcon.drawing.shapes import Box, Stroke, Text
from benchcon.drawing.sheet import Sheet, bars_beside, bars_within, drilled, front, notes
from benchcon.drawing.sizes import hole_of
from benchcon.drawing.tiles import tiled
from benchcon.panel.file import loads
from benchcon.panel.model import Panel

DPI = 300
PX_PER_MM = DPI / 25.4
WITHIN_MM = 0.05

Rows = numpy.ndarray


def pdf_of(path: Path) -> Any:
    """A drawing as PyPI `pypdf` reads it, which is loaded where it is needed."""
    from pypdf import PdfReader

    return PdfReader(path)


def dxf_of(path: Path) -> Any:
    """A drawing as PyPI `ezdxf` reads it, which is loaded where it is needed."""
    import ezdxf

    return ezdxf.readfile(path)


def sheet(panel: Path, out: Path, *words: str) -> Path:
    assert main(["sheet", str(panel), "-o", str(out), *words]) == 0
    return out


def of_svg(path: Path) -> tuple[Rows, tuple[float, float]]:
    """What is dark on a picture of an SVG file at 300 dpi, and where its left top corner is in the drawing, mm."""
    picture = path.with_suffix(".png")
    subprocess.run(
        ["rsvg-convert", "-d", str(DPI), "-p", str(DPI), "-b", "white", str(path), "-o", str(picture)], check=True
    )
    box = ElementTree.parse(path).getroot().attrib["viewBox"].split()
    return dark(picture), (float(box[0]), float(box[1]))


def of_pdf(path: Path) -> list[Rows]:
    """What is dark on pictures of the pages of a PDF file at 300 dpi."""
    stem = path.with_suffix("")
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", "-png", str(path), str(stem)], check=True)
    return [dark(picture) for picture in sorted(path.parent.glob(f"{stem.name}-*.png"))]


def dark(picture: Path) -> Rows:
    """How dark each point is, 0 to 1."""
    Image.MAX_IMAGE_PIXELS = None
    return 1 - numpy.asarray(Image.open(picture).convert("L"), dtype=float) / 255


def centre_mm(rows: Rows, x: float, y: float, reach: float) -> tuple[float, float]:
    """Middle of what is dark round a place, in mm from the picture's corner."""
    left, top = (max(0, round((at - reach) * PX_PER_MM)) for at in (x, y))
    right, bottom = (round((at + reach) * PX_PER_MM) for at in (x, y))
    seen = rows[top:bottom, left:right]
    assert seen.sum() > 10, f"nothing is drawn round {x}, {y}"
    down, across = numpy.mgrid[top:bottom, left:right]
    return (
        float(((across + 0.5) * seen).sum() / seen.sum() / PX_PER_MM),
        float(((down + 0.5) * seen).sum() / seen.sum() / PX_PER_MM),
    )


def round_holes(panel: Panel) -> list[tuple[float, float]]:
    return [(part.place.x_mm, part.place.y_mm) for part in (*panel.controls, *panel.lamps) if part.place]


def long_mm(seen: Sequence[bool]) -> float:
    """How far it is from the first to the last point."""
    (places,) = numpy.nonzero(seen)
    return float((places[-1] - places[0] + 1) / PX_PER_MM)


@pytest.fixture(params=sorted(PLATES), ids=str)
def panel(request: pytest.FixtureRequest) -> Path:
    return PLATES[request.param]


def test_holes_of_the_svg_are_where_at_says(panel: Path, tmp_path: Path) -> None:
    rows, corner = of_svg(sheet(panel, tmp_path / "sheet.svg", "--only", "holes"))
    for x, y in round_holes(panel_of(panel)):
        found = centre_mm(rows, x - corner[0], y - corner[1], 7.5)
        assert found == pytest.approx((x - corner[0], y - corner[1]), abs=WITHIN_MM)


def test_cut_outs_of_the_svg_are_where_at_says_and_as_large_as_their_displays(panel: Path, tmp_path: Path) -> None:
    rows, corner = of_svg(sheet(panel, tmp_path / "sheet.svg", "--only", "cutouts"))
    for display in panel_of(panel).displays:
        assert display.place is not None
        for axis, at, half in zip((1, 0), display.place, hole_of(display).half_mm, strict=True):
            across, down = display.place.x_mm - corner[0], display.place.y_mm - corner[1]
            reach = [each + 1 for each in hole_of(display).half_mm]
            left, right = (max(0, round((across + each) * PX_PER_MM)) for each in (-reach[0], reach[0]))
            top, bottom = (max(0, round((down + each) * PX_PER_MM)) for each in (-reach[1], reach[1]))
            seen = rows[top:bottom, left:right].max(axis=1 - axis)
            # From edge to edge of lines that are a quarter of a millimetre wide; the middle is where `at` says.
            assert seen.sum() / PX_PER_MM == pytest.approx(2 * half + 0.25, abs=WITHIN_MM)
            first = (left if axis else top) + 0.5
            middle = float(((numpy.arange(len(seen)) + first) * seen).sum() / seen.sum() / PX_PER_MM)
            assert middle == pytest.approx(at - corner[1 - axis], abs=WITHIN_MM)


@pytest.mark.slow
def test_holes_of_the_pdf_are_where_at_says_and_the_back_is_mirrored(panel: Path, tmp_path: Path) -> None:
    read = panel_of(panel)
    path = sheet(panel, tmp_path / "sheet.pdf", "--paper", "whole", "--side", "both", "--only", "plate", "holes")
    front, back = of_pdf(path)
    for rows, mirrored in ((front, False), (back, True)):
        # The rim of the page, 8 mm, is what lies left of and above the plate.
        for x, y in round_holes(read):
            place = (8 + (read.width_mm - x if mirrored else x), 8 + y)
            assert centre_mm(rows, *place, 7.5) == pytest.approx(place, abs=WITHIN_MM)
        above_the_foot = rows[: round((read.height_mm + 10) * PX_PER_MM)] > 0.5
        assert long_mm(above_the_foot.max(axis=0)) == pytest.approx(read.width_mm + 0.35, abs=0.1)
        assert long_mm(above_the_foot.max(axis=1)) == pytest.approx(read.height_mm + 0.35, abs=0.1)


def test_the_bars_are_100_mm_in_both_directions(panel: Path, tmp_path: Path) -> None:
    svg, _ = of_svg(sheet(panel, tmp_path / "bars.svg", "--only", "bars"))
    pdf, *_ = of_pdf(sheet(panel, tmp_path / "bars.pdf", "--only", "bars"))
    for rows in (svg, pdf[: -round(12 * PX_PER_MM)]):  # without the line at the foot of the page
        for axis in (0, 1):
            # From the middle of the first stroke to the middle of the last one, each a quarter of a millimetre wide.
            assert long_mm(rows.max(axis=axis) > 0.5) == pytest.approx(100 + 0.25 / 2 + 0.25 / 2, abs=0.13)
            # Points at the ends are as dark as they are covered, so that their sum is finer than a point.
            assert rows.max(axis=axis).sum() / PX_PER_MM == pytest.approx(100.25, abs=WITHIN_MM)


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_tiles_are_sheets_of_the_paper_and_their_joins_meet(
    paper: str, size_mm: tuple[float, float], tmp_path: Path
) -> None:
    # ISO 216: A4 is 210 mm x 297 mm. Letter is 8.5 in x 11 in.
    panel = PLATES["ostrey"]
    whole = panel_of(panel)
    path = sheet(panel, tmp_path / "tiles.pdf", "--paper", paper, "--only", "holes", "joins", "tags")
    reader = pdf_of(path)
    for page in reader.pages:
        size = sorted(float(side) * 25.4 / 72 for side in (page.mediabox.width, page.mediabox.height))
        assert size == pytest.approx(sorted(size_mm), abs=0.01)
    texts = [page.extract_text() for page in reader.pages]
    fronts = [text for text in texts if "front" in text]
    assert len(fronts) >= whole.width_mm * whole.height_mm / (size_mm[0] * size_mm[1])
    assert "joins row 1, column 2" in texts[0]
    assert "joins row 1, column 1" in texts[1]
    # Every hole is on a front tile, whole or in an overlap: each tag can be read there.
    tags = {word for text in fronts for word in text.split()}
    assert {"A1", "A17", "B2", "C1", "D2"} <= tags


def test_the_dxf_is_sound_and_its_holes_are_where_at_says(panel: Path, tmp_path: Path) -> None:
    read = panel_of(panel)
    import ezdxf.recover

    document, auditor = ezdxf.recover.readfile(sheet(panel, tmp_path / "sheet.dxf", "--side", "both"))
    assert not auditor.errors
    assert not auditor.fixes
    assert document.units == ezdxf.units.MM
    space = document.modelspace()

    def centres(layer: str) -> set[tuple[float, float]]:
        found = (circle.dxf.center for circle in space.query(f'CIRCLE[layer=="{layer}"]'))
        return {(round(centre.x, 4), round(centre.y, 4)) for centre in found}

    wanted = {(round(x, 4), round(read.height_mm - y, 4)) for x, y in round_holes(read)}
    assert centres("HOLES") == wanted
    (outline,) = space.query('POLYLINE[layer=="PLATE"]')
    assert outline.is_closed
    corners = {tuple(round(float(each), 4) for each in vertex.dxf.location.xyz[:2]) for vertex in outline.vertices}
    assert corners == {(x, y) for x in (0, round(read.width_mm, 4)) for y in (0, round(read.height_mm, 4))}
    labels = {text.dxf.text for text in space.query('TEXT[layer=="LABELS"]')}
    assert any("Stop bar" in label for label in labels) or {"Lock", "Tank"} & labels
    # The back is the front turned over: the same heights, and across the other way round.
    mirrored = centres("BACK_HOLES")
    (axis,) = {round(min(x for x, _ in mirrored) + max(x for x, _ in wanted), 3)}
    assert mirrored == {(round(axis - x, 4), y) for x, y in wanted}


def test_layers_can_be_had_apart_and_every_label_and_size_stands_on_the_sheet(tmp_path: Path) -> None:
    path = PLATES["ostrey"]
    labels = ElementTree.parse(sheet(path, tmp_path / "labels.svg", "--only", "plate", "labels")).getroot()
    groups = [group.attrib["id"] for group in labels.iter("{http://www.w3.org/2000/svg}g")]
    assert groups == ["plate", "labels"]
    words = {text.text for text in labels.iter("{http://www.w3.org/2000/svg}text")}
    assert {part.label for part in panel_of(path).parts} <= words
    whole = pdf_of(sheet(path, tmp_path / "all.pdf", "--paper", "whole"))
    told = "\n".join(page.extract_text() for page in whole.pages)
    for text in ("17 × Ø 6.5 mm", "1 × 96 × 28 mm", "common practice, no source", "100 mm down", "400.05", "482.6"):
        assert text in told


def test_what_a_builder_says_of_a_part_is_drawn(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        '[panel]\nwidth = "100 mm"\nheight = "4 in"\n[boards.b]\n'
        '[controls.big]\nkind = "button"\nat = ["40 mm", "2 in"]\nhole = "22.3 mm"\nsize = ["30 mm", "30 mm"]\n'
        'channel = "b1"\n'
        '[displays.depth]\ndigits = 4\nat = ["60 mm", "20 mm"]\nsize = ["60 mm", "24 mm"]\n'
        'hole = ["51 mm", "19.5 mm"]\nchannel = "d1"\n',
        "utf-8",
    )
    document = dxf_of(sheet(path, tmp_path / "own.dxf"))
    (hole,) = document.modelspace().query('CIRCLE[layer=="HOLES"]')
    assert (hole.dxf.center.x, hole.dxf.center.y, hole.dxf.radius) == pytest.approx((40, 101.6 - 50.8, 11.15))
    (cutout,) = document.modelspace().query('POLYLINE[layer=="CUTOUTS"]')
    corners = sorted(tuple(map(float, vertex.dxf.location.xyz[:2])) for vertex in cutout.vertices)
    assert corners[0] == pytest.approx((60 - 25.5, 101.6 - 20 - 9.75))
    assert corners[-1] == pytest.approx((60 + 25.5, 101.6 - 20 + 9.75))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["-o", "sheet.png"], "does not end in any of .svg, .pdf, .dxf"),
        (["-o", "sheet.svg", "--only", "lables"], "did you mean 'labels'?"),
        (["-o", "nowhere/sheet.svg"], "there is no folder nowhere"),
    ],
)
def test_what_cannot_be_drawn_is_one_line(
    words: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["sheet", str(PLATES["ostrey"]), *words]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_stays_unless_it_is_to_be_replaced(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "sheet.svg"
    out.write_text("mine")
    assert main(["sheet", str(PLATES["ostrey"]), "-o", str(out)]) == 2
    assert out.read_text() == "mine"
    assert "overwrite it with --force" in capsys.readouterr().err
    assert sheet(PLATES["ostrey"], out, "--force").read_text().startswith("<?xml")


def test_a_lit_button_is_one_hole_one_label_and_two_wires(tmp_path: Path) -> None:
    path = tmp_path / "lit.toml"
    path.write_text(
        '[panel]\nwidth = "120 mm"\nheight = "60 mm"\n[boards.b]\n[controls.go]\nkind = "button"\n'
        'at = ["30 mm", "30 mm"]\nchannel = { id = "b1", pin = "D4" }\n'
        'lit = { colour = "green", channel = { id = "l1", pin = "D8" } }\n'
        'repeat = { columns = 3, pitch = "30 mm" }\n',
        "utf-8",
    )
    space = dxf_of(sheet(path, tmp_path / "lit.dxf", "--side", "both")).modelspace()
    holes = sorted(round(circle.dxf.center.x, 4) for circle in space.query('CIRCLE[layer=="HOLES"]'))
    assert holes == [30, 60, 90]
    assert sorted(text.dxf.text for text in space.query('TEXT[layer=="LABELS"]')) == ["Go 1", "Go 2", "Go 3"]
    wires = [text.dxf.text for text in space.query('TEXT[layer=="BACK_WIRES"]')]
    assert [wire for wire in wires if wire.startswith("to ")] == [f"to D{n}" for n in (4, 8, 5, 9, 6, 10)]


def test_what_is_engraved_or_milled_is_one_plate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def plates(path: Path) -> int:
        root = ElementTree.parse(path).getroot()
        return len(root.findall(".//*[@id='plate']/*"))

    path = PLATES["small"]
    assert plates(sheet(path, tmp_path / "labels.svg", "--only", "plate", "labels")) == 1
    assert "holes" not in (told := capsys.readouterr().out)
    assert "plate, labels, front" in told
    assert plates(sheet(path, tmp_path / "both.svg", "--only", "plate", "--side", "both")) == 2
    assert plates(sheet(path, tmp_path / "wires.svg", "--only", "plate", "wires")) == 2
    assert plates(sheet(path, tmp_path / "all.svg")) == 2
    assert len(pdf_of(sheet(path, tmp_path / "back.pdf", "--only", "plate", "--side", "back")).pages) == 1
    for side, count in (((), 1), (("--side", "both"), 2), (("--side", "back"), 1)):
        drawn = dxf_of(sheet(path, tmp_path / f"{count}{len(side)}{'back' in side}.dxf", *side)).modelspace()
        outlines = [each for each in drawn.query("POLYLINE") if each.dxf.layer.endswith("PLATE")]
        assert len(outlines) == count


def test_tags_lie_on_no_hole_edge_and_no_cross(panel: Path) -> None:
    drawn = Sheet.of(panel_of(panel))
    for shapes in drawn.sides.values():
        tags = [shape for shape in shapes if isinstance(shape, Text) and shape.layer == "tags"]
        assert len(tags) == len(drilled(drawn.plate))
        assert {tag.size for tag in tags} == {2.4}  # legible
        edges = [shapely.Point(c.x, c.y).buffer(c.radius, 64).exterior for c in shapes if c.layer == "holes"]
        edges += [shapely.LineString([(c.x1, c.y1), (c.x2, c.y2)]) for c in shapes if c.layer == "centres"]
        for tag in tags:
            covered = shapely.box(*tag.bounds())
            assert not [edge for edge in edges if edge.intersects(covered)], tag


def test_a_part_without_a_place_changes_nothing_on_the_plate(tmp_path: Path) -> None:
    """The plate is milled as large as the file says, and nothing is engraved where no part goes."""
    path = tmp_path / "desk.toml"
    rest = (
        '[lamps.later]\nlabel = "Later"\nchannel = "l2"\n'
        '[controls.k]\nkind = "button"\nchannel = "k"\nlit = { channel = "l3" }\n'
    )
    path.write_text(
        '[panel]\nwidth = "100 mm"\nheight = "80 mm"\n[boards.desk]\n'
        '[lamps.now]\nlabel = "Now"\nat = ["30 mm", "30 mm"]\nchannel = "l1"\n' + rest
    )
    drawing = dxf_of(sheet(path, tmp_path / "desk.dxf")).modelspace()
    (outline,) = [each for each in drawing if each.dxf.layer == "PLATE"]
    corners = [vertex.dxf.location for vertex in outline.vertices]
    assert max(corner.x for corner in corners) - min(corner.x for corner in corners) == 100
    assert max(corner.y for corner in corners) - min(corner.y for corner in corners) == 80
    assert [each.dxf.text for each in drawing if each.dxf.layer == "LABELS"] == ["Now"]


def test_letters_that_a_file_cannot_hold_do_not_go_unnoticed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "desk.toml"
    path.write_text(
        '[boards.desk]\n[lamps.a]\nlabel = "Ře\u0301 \U0001f680"\nat = ["30 mm", "30 mm"]\nchannel = "l1"\n', "utf-8"
    )
    text = pdf_of(sheet(path, tmp_path / "desk.pdf")).pages[-2].extract_text()
    assert "Ré ?" in text
    assert "\U0001f680" in capsys.readouterr().out
    (label,) = [e for e in dxf_of(sheet(path, tmp_path / "desk.dxf")).modelspace() if e.dxf.layer == "LABELS"]
    assert label.dxf.text.endswith("?")
    assert "it shows ?" in capsys.readouterr().out
    sheet(path, tmp_path / "desk.svg")
    assert "?" not in capsys.readouterr().out


def test_each_column_of_the_table_begins_with_the_size_of_its_holes() -> None:
    parts = "".join(
        f'[lamps.l{n}]\nat = ["{20 + 20 * (n % 9)} mm", "{20 + 20 * (n // 9)} mm"]\nchannel = "l{n}"\n'
        for n in range(45)
    )
    read = loads('[panel]\nwidth = "210 mm"\nheight = "150 mm"\n[boards.b]\n' + parts)
    texts = [shape for shape in notes(Plate.of(read), 194.0) if isinstance(shape, Text)]
    heads = [text for text in texts if text.text == "hole"]
    assert len(heads) == 2
    for head in heads:
        below = [text for text in texts if head.x - 3 <= text.x <= head.x + 1 and text.y > head.y]
        assert min(below, key=lambda text: text.y).text == "A"
    assert any("continued" in text.text for text in texts)


def test_the_paper_that_is_stuck_on_the_plate_has_the_bars_too(tmp_path: Path) -> None:
    path = PLATES["small"]
    pages = pdf_of(sheet(path, tmp_path / "sheet.pdf")).pages
    (front,) = [page.extract_text() for page in pages if ": front;" in page.extract_text()]
    assert "100 mm across" in front
    assert "100 mm down" in front
    bars = [shape for shape in bars_beside(Plate.of(panel_of(path))) if shape.layer == "bars"]
    longest = [(line.x2 - line.x1, line.y2 - line.y1) for line in bars if isinstance(line, Stroke)]
    assert {(100, 0), (0, 100)} <= set(longest)


def test_every_sheet_of_a_front_in_tiles_has_both_bars_and_they_cover_no_hole(tmp_path: Path) -> None:
    """Measured on the pages by the text that a PDF reader finds, and on the shapes by an independent library."""
    pages = pdf_of(sheet(PLATES["ostrey"], tmp_path / "sheet.pdf")).pages
    fronts = [text for page in pages if ": front;" in (text := page.extract_text())]
    assert len(fronts) > 2
    assert all("100 mm across" in text and "100 mm down" in text for text in fronts)
    drawn = Sheet.of(panel_of(PLATES["ostrey"]))
    holes = [shapely.box(*each.bounds()) for each in drawn.front if each.layer in ("holes", "cutouts", "centres")]
    for page in tiled("front", drawn.front, "a4"):
        bars = [each for each in bars_within(page.window, page.shapes) if isinstance(each, Stroke)]
        lines = [shapely.LineString([(bar.x1, bar.y1), (bar.x2, bar.y2)]) for bar in bars]
        assert sorted(round(line.length, 6) for line in lines)[-2:] == [100, 100]
        assert all(shapely.box(*page.window).contains(line) for line in lines)
        assert not any(line.intersects(hole) for line in lines for hole in holes)


def test_a_picture_shows_the_cover_of_a_guarded_switch() -> None:
    switch = '[controls.{0}]\nkind = "switch"\nat = ["{1} mm", "30 mm"]\nchannel = "{0}"\n'
    plain = '[panel]\nwidth = "90 mm"\nheight = "60 mm"\n[boards.a]\n' + switch.format("s1", 20)
    assert "cover" not in picture(loads(plain))
    assert 'id="cover"' in picture(loads(plain + switch.format("s2", 60) + "guard = true\n"))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_marks_to_join_by_keep_clear_of_holes_and_are_the_same_on_both_sheets(paper: str) -> None:
    # A hole each 19 mm, so that some are where a mark would stand.
    rows = "".join(
        f'[lamps.l{number}]\nlabel = "L"\nat = ["{20 + 19 * (number % 20)} mm", "{20 + 19 * (number // 20)} mm"]\n'
        f'channel = "l{number}"\n'
        for number in range(200)
    )
    plate = Plate.of(loads(f'[panel]\nwidth = "420 mm"\nheight = "230 mm"\n[boards.b]\n{rows}'), loose_too=False)
    shapes = Sheet(plate, front(plate), []).front
    holes = shapely.union_all([shapely.box(*shape.bounds()) for shape in shapes if shape.layer == "holes"])
    seen: dict[tuple[float, float], int] = {}
    for page in tiled("front", shapes, paper):
        for shape in page.shapes:
            if shape.layer == "joins" and isinstance(shape, Box):
                box = shapely.box(*shape.bounds())
                assert not holes.intersects(box)
                middle = round(box.centroid.x, 3), round(box.centroid.y, 3)
                seen[middle] = seen.get(middle, 0) + 1
    assert seen
    assert set(seen.values()) <= {2, 4}, "each mark stands on both sheets that it joins"
