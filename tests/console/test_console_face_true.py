"""The face is true to the plate: read from the drawn screen, and worked out here, not with what laid it out."""

from __future__ import annotations

from itertools import combinations, pairwise
from typing import NamedTuple

import pytest
from console.looking import console
from console.on_boards import OSTREY, OnBoards
from console.plates import PANELS, small, wide
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from benchcon.console.face import Face
from benchcon.console.face_layout import lay_out
from benchcon.panel.file import load
from benchcon.panel.model import Panel, Part
from benchcon.view.showing import board_name, label_of

SIZES = [(80, 24), (140, 45), (200, 60)]
HALF = 0.5 + 1e-9
"""Of a cell: nothing can be drawn nearer to its place than that."""


ART = set("▟█▙▜▛▗▖▝▘▄▀▐▌╭╮╰╯┌┐└┘─│╵◆○●□■◂↑↗→↘↓↙←↖")


class Seen(NamedTuple):
    """A part as it stands on the screen: the middle of its art, in cells, and what its label says."""

    part: Part
    x: float
    y: float
    label: str
    boxes: list[tuple[int, int, int, int]]
    """Its art and each line of its label: left, top, right, bottom."""


class Screen(NamedTuple):
    seen: list[Seen]
    letters: list[str]
    width: int
    height: int
    """Of what is in view."""
    scrolls: bool


async def look(panel: Panel, size: tuple[int, int]) -> Screen:
    async with console(OnBoards(panel), size) as eyes:
        await eyes.pilot.pause(0.05)
        face = eyes.app.screen.query_one(Face)
        sheet = face._sheet
        letters = [sheet.text(y) for y in range(sheet.height)]
        found = []
        for tile in face.layout_now.tiles:
            marks = []
            for y in range(tile.y + 1, tile.y + tile.height):
                plain = sheet._ink[y][tile.x - 1 if tile.x else tile.x + tile.width].bgcolor
                for x in range(tile.x, tile.x + tile.width):
                    if letters[y][x] in ART or (sheet._ink[y][x].bgcolor != plain):
                        marks.append((x, y))
            assert marks, tile.part.name
            left, right = min(x for x, _ in marks), max(x for x, _ in marks) + 1
            top, bottom = min(y for _, y in marks), max(y for _, y in marks) + 1
            boxes = [(left, top, right, bottom)]
            said = []
            for line in tile.label:
                assert letters[line.y][line.x : line.x + len(line.text)] == line.text
                boxes.append((line.x, line.y, line.x + len(line.text), line.y + 1))
                said.append(line.text)
            found.append(Seen(tile.part, (left + right) / 2, (top + bottom) / 2, " ".join(said), boxes))
        return Screen(found, letters, sheet.width, face.size.height, sheet.height > face.size.height)


def off_line(points: list[tuple[float, float]]) -> float:
    """The most by which points are off the straight line that suits them best (its slope is that of two of them)."""
    slopes = {(b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(points, 2) if abs(b[0] - a[0]) > 1e-9}
    best = max(v for _, v in points) - min(v for _, v in points)
    for slope in slopes:
        rest = [v - slope * u for u, v in points]
        best = min(best, max(rest) - min(rest))
    return best / 2


def boards_of(screen: Screen) -> dict[str, list[Seen]]:
    found: dict[str, list[Seen]] = {}
    for seen in screen.seen:
        found.setdefault(board_name(seen.part), []).append(seen)
    return found


# Where the room allows: at 80 × 24 sixteen rows are left for what takes all of them, and 10 × 15 cm stand on end.
TRUE_DOWN = {
    *((name, size) for name in PANELS for size in SIZES[1:]),
    ("wide", SIZES[0]),
}


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", PANELS)
async def test_parts_stand_where_they_do_on_the_plate(name: str, size: tuple[int, int]) -> None:
    screen = await look(PANELS[name](), size)
    for seen in boards_of(screen).values():
        places = [(each.part.place.x_mm, each.part.place.y_mm) for each in seen if each.part.place is not None]
        assert len(places) == len(seen)
        across = [(mm[0], each.x) for mm, each in zip(places, seen, strict=True)]
        down = [(mm[1], each.y) for mm, each in zip(places, seen, strict=True)]
        assert off_line(across) <= HALF, across
        if (name, size) in TRUE_DOWN:
            assert off_line(down) <= HALF, down
        for points in (across, down):  # what is left of another stays left of it, and above above
            for (mm, cell), (other_mm, other_cell) in pairwise(sorted(points)):
                assert mm == other_mm or cell <= other_cell + 1
    assert not screen.scrolls


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", PANELS)
async def test_nothing_on_the_face_overlaps(name: str, size: tuple[int, int]) -> None:
    screen = await look(PANELS[name](), size)
    for one, other in combinations(screen.seen, 2):
        for a in one.boxes:
            for b in other.boxes:
                assert box(*a).intersection(box(*b)).area == 0, (one.label, other.label)


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", PANELS)
async def test_no_label_is_cut_that_has_blank_cells_beside_it(name: str, size: tuple[int, int]) -> None:
    screen = await look(PANELS[name](), size)
    for seen in screen.seen:
        if "".join(seen.label.split()) == "".join(label_of(seen.part).upper().split()):
            continue
        left, top, right, _ = seen.boxes[-1]
        row = screen.letters[top]
        assert "…" in seen.label
        # One blank cell to each neighbour, or it could not be told from it; a second is one that it could have had.
        assert left < 2 or row[left - 2 : left].strip(), (seen.label, row)
        assert right > screen.width - 2 or row[right : right + 2].strip(), (seen.label, row)


async def test_parts_grow_when_there_is_room_and_the_plate_keeps_its_proportions() -> None:
    height = {}
    for size in SIZES:
        screen = await look(PANELS["ostrey"](), size)
        for seen in screen.seen:
            _, top, _, bottom = seen.boxes[0]
            height.setdefault(seen.part.name, []).append(bottom - top)
    assert height["pressure"] == [3, 3, 6]  # rows of segments: twice as high at 200 × 60
    assert height["crosswind"] == [1, 2, 3]
    async with console(OnBoards(small()), (200, 60)) as eyes:
        outline = eyes.app.screen.query_one(Face).layout_now.outline
        assert outline is not None
        # 10 × 15 cm in cells twice as high as they are wide; a cell of edge all around.
        _, _, width, rows = outline
        assert (width - 2) / (2 * (rows - 2)) == pytest.approx(100 / 150, rel=0.06)


@settings(max_examples=40, deadline=None)
@given(
    panel=st.sampled_from([load(str(OSTREY)), small(), wide()]), width=st.integers(40, 220), height=st.integers(12, 70)
)
def test_no_part_reaches_beyond_its_plate(panel: Panel, width: int, height: int) -> None:
    laid = lay_out(panel, width, height)
    for tile in laid.tiles:
        plate = next(each for each in laid.plates if each.y <= tile.y < each.y + each.height)
        assert plate.x <= tile.x
        assert tile.x + tile.width <= plate.x + plate.width
    if laid.outline is not None:
        assert laid.outline[0] >= 0
        assert laid.outline[0] + laid.outline[2] <= width
