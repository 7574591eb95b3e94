"""Letters, segments and the face's layout, as pure functions."""

from __future__ import annotations

import itertools
import string
from itertools import combinations

import pytest
from console.on_boards import OSTREY
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from benchcon.console import glyphs, segment_art
from benchcon.console.canvas import Canvas, fitted
from benchcon.console.face_layout import lay_out
from benchcon.console.ink import ink
from benchcon.console.tiles import Tile
from benchcon.panel.file import load
from benchcon.panel.model import Board, Channel, Control, Display, Lamp, Panel, Place
from benchcon.view.palette import ENGRAVED
from benchcon.view.showing import board_name

LETTERS = string.ascii_uppercase + string.digits


# --- letters to be read from two metres -----------------------------------------------------------------------------


@pytest.mark.parametrize("face", glyphs.FACES)
def test_every_letter_is_five_rows_high_and_different_from_every_other(face: tuple[int, int, int]) -> None:
    drawn = {letter: glyphs.drawn(letter, face) for letter in LETTERS}
    for letter, rows in drawn.items():
        assert len(rows) == 5, letter
        assert len({len(row) for row in rows}) == 1, letter
        # High: something is drawn in the first and the last row, so that five rows are really used.
        assert rows[0].strip(), letter
        assert rows[-1].strip(), letter
    for one, other in combinations(LETTERS, 2):
        assert drawn[one] != drawn[other], (one, other)


@given(st.text(max_size=40), st.integers(1, 120))
def test_any_text_can_be_drawn_and_never_wider_than_there_is_room(text: str, room: int) -> None:
    face = glyphs.broadest(text, room) or glyphs.FACES[-1]
    kept = glyphs.shortened(text, room, face)
    rows = glyphs.drawn(kept, face)
    assert len(rows) == 5
    assert all(len(row) == glyphs.width_of(kept, face) for row in rows)
    assert glyphs.width_of(kept, face) <= room or kept == ""


@pytest.mark.parametrize("face", glyphs.FACES)
def test_a_name_that_is_cut_short_does_not_read_like_another_part(face: tuple[int, int, int]) -> None:
    """“Mains” and “Mains fail” stand on one panel."""
    for room in range(glyphs.width_of("Mains", face), glyphs.width_of("Mains fail", face)):
        assert glyphs.shortened("Mains fail", room, face).endswith("…")
    assert glyphs.shortened("Mains fail", glyphs.width_of("Mains fail", face), face) == "Mains fail"


def test_accents_fall_away_and_what_cannot_be_drawn_is_a_question_mark() -> None:
    assert glyphs.plain("Höhe über é") == "HOHE UBER E"
    assert glyphs.plain("\x1b[2J 日") == "??2J ?"


# --- segments -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("broad", [False, True])
def test_every_pattern_of_segments_looks_different(broad: bool) -> None:
    looks = set()
    for byte in range(256):
        picture = segment_art.picture(bytes([byte]), broad)
        looks.add(tuple("".join(cell.letter for cell in row) for row in picture))
    assert len(looks) == 256


def test_figures_look_as_on_a_display() -> None:
    # MAX7219/MAX7221 data sheet, table 5 (code B font): 1 is 30h, 2 is 6Dh, 3 is 79h; 80h is the point.
    rows = ["".join(cell.letter for cell in row) for row in segment_art.picture(bytes([0x30, 0x6D | 0x80, 0x79]))]
    assert rows == [
        "  █ ▀▀█ ▀▀█ ",
        "  █ █▀▀ ▀▀█ ",
        "  ▀ ▀▀▀▗▀▀▀ ",
    ]


# --- the canvas -----------------------------------------------------------------------------------------------------


MIXED = st.text(st.sampled_from("aZ 日本語é\u0301\u200b█▀🙂") | st.characters(), max_size=12)


@given(st.lists(st.tuples(MIXED, st.integers(-5, 25), st.integers(-2, 4)), max_size=6))
def test_whatever_is_written_a_row_keeps_its_width(writings: list[tuple[str, int, int]]) -> None:
    canvas = Canvas(20, 3, ink(ENGRAVED))
    for text, x, y in writings:
        canvas.write(x, y, text, ink(ENGRAVED))
    for row in range(3):
        assert cell_len(canvas.text(row)) == 20
        assert sum(cell_len(segment.text) for segment in canvas.strip(row)) == 20


@given(st.lists(st.tuples(MIXED, st.integers(-5, 25), st.integers(0, 2), st.booleans()), max_size=8))
def test_every_difference_is_told_once(writings: list[tuple[str, int, int, bool]]) -> None:
    canvas = Canvas(20, 3, ink(ENGRAVED))
    shown = [canvas.text(row) for row in range(3)]
    canvas.changes()
    for text, x, y, look in writings:
        canvas.write(x, y, text, ink(ENGRAVED))
        if look:
            rows = {row for row, _, _ in canvas.changes()}
            for row in range(3):
                assert (canvas.text(row) == shown[row]) or row in rows
                shown[row] = canvas.text(row)
            assert canvas.changes() == []


def test_wide_letters_take_two_cells_and_half_of_one_is_blank() -> None:
    canvas = Canvas(6, 1, ink(ENGRAVED))
    canvas.write(0, 0, "日本語", ink(ENGRAVED))
    assert canvas.text(0) == "日本語"
    canvas.write(3, 0, "x", ink(ENGRAVED))
    assert canvas.text(0) == "日 x語"
    canvas.write(5, 0, "日", ink(ENGRAVED))
    assert canvas.text(0) == "日 x  "


@given(st.text(max_size=30), st.integers(0, 20))
def test_cut_text_fits(text: str, width: int) -> None:
    assert cell_len(fitted(text, width)) <= max(width, 0)


# --- the face -------------------------------------------------------------------------------------------------------


def middle(tile: Tile) -> tuple[float, float]:
    """Where the middle of a tile's drawing is, in cells."""
    return tile.x + tile.lead, tile.y + 1 + tile.form.art_height / 2


def overlapping(layout) -> list[tuple[str, str]]:  # type: ignore[no-untyped-def]
    return [
        (one.part.name, other.part.name)
        for one, other in combinations(layout.tiles, 2)
        if one.x < other.x + other.width
        and other.x < one.x + one.width
        and one.y < other.y + other.height
        and other.y < one.y + one.height
    ]


@pytest.mark.parametrize("size", [(80, 17), (98, 36), (140, 40), (60, 17), (200, 60)])
def test_the_demo_keeps_order_and_neighbours(size: tuple[int, int]) -> None:
    panel = load(OSTREY)
    layout = lay_out(panel, *size)
    at = {tile.part.name: tile for tile in layout.tiles}
    assert set(at) == {part.name for part in panel.parts}
    assert not overlapping(layout)
    for one, other in itertools.permutations(panel.parts, 2):
        assert one.place is not None
        assert other.place is not None
        if one.place.y_mm == other.place.y_mm and one.place.x_mm < other.place.x_mm:
            assert abs(middle(at[one.name])[1] - middle(at[other.name])[1]) <= 1
            assert at[one.name].x + at[one.name].width <= at[other.name].x
        if one.place.x_mm == other.place.x_mm and one.place.y_mm < other.place.y_mm:
            assert abs(middle(at[one.name])[0] - middle(at[other.name])[0]) <= 2
            assert at[one.name].y + at[one.name].height <= at[other.name].y


def test_the_demo_fits_a_terminal_of_80_by_24_without_scrolling() -> None:
    # Rows for the face: 24 less the head, five rows of large letters and the keys.
    layout = lay_out(load(OSTREY), 80, 17)
    assert (layout.width, layout.height) == (80, 17)
    assert [plate.board for plate in layout.plates] == ["met", "lighting", "power"]


@pytest.mark.parametrize("rows", range(13, 24))
def test_the_demo_has_every_label_whole_on_80_columns_however_many_rows_the_letters_leave(rows: int) -> None:
    assert lay_out(load(OSTREY), 80, rows).cut == 0


def panels() -> st.SearchStrategy[Panel]:
    def made(digits: list[tuple[int, int, int, bool]]) -> Panel:
        controls, lamps, displays = [], [], []
        for index, (x, y, kind, placed) in enumerate(digits):
            place = Place(float(x), float(y)) if placed else None
            channel = Channel(f"b{index % 2}", f"c{index}")
            name = f"part{index}"
            if kind == 0:
                controls.append(Control(name, f"Switch {index}", "switch", (channel,), ("off", "on"), place=place))
            elif kind == 1:
                lamps.append(Lamp(name, f"A lamp with a long label {index}", channel, place=place))
            else:
                displays.append(Display(name, f"D{index}", channel, digits=1 + index % 8, place=place))
        boards = (Board("b0"), Board("b1"))
        return Panel("T", 480.0, 300.0, boards, tuple(controls), tuple(lamps), tuple(displays))

    part = st.tuples(
        st.integers(0, 480), st.sampled_from([40, 100]) | st.integers(0, 300), st.integers(0, 2), st.booleans()
    )
    return st.lists(part, max_size=40).map(made)


@settings(max_examples=60, deadline=None)
@given(panels(), st.sampled_from([(80, 16), (98, 36), (40, 10), (159, 51)]))
def test_no_part_ever_hides_another_and_none_is_left_out(panel: Panel, size: tuple[int, int]) -> None:
    layout = lay_out(panel, *size)
    assert sorted(tile.part.name for tile in layout.tiles) == sorted(part.name for part in panel.parts)
    assert not overlapping(layout)
    for tile in layout.tiles:
        assert tile.x >= 0
        assert tile.y >= 0
        assert tile.x + tile.width <= layout.width
        assert tile.y + tile.height <= layout.height
    for plate in layout.plates:
        title = plate.title
        if title is not None:  # what a title covers is its own
            for tile in layout.tiles:
                over = tile.y <= title.y < tile.y + tile.height
                assert not over or not (tile.x < title.x + title.width and title.x < tile.x + tile.width)


@settings(max_examples=40, deadline=None)
@given(panels())
def test_arrows_reach_every_part_of_a_row_and_tab_every_part(panel: Panel) -> None:
    layout = lay_out(panel, 98, 36)
    for tile in layout.tiles:
        right = layout.toward(tile, 1, 0)
        assert right is None or right.x > tile.x
        down = layout.toward(tile, 0, 1)
        assert down is None or down.y > tile.y
        assert right is not tile
        assert down is not tile


def test_a_page_shows_one_board() -> None:
    layout = lay_out(load(OSTREY), 80, 17, "power")
    assert {board_name(tile.part) for tile in layout.tiles} == {"power"}
