"""Where a part sits is asked for on the plate in its own proportions, with what the other parts cover."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import pytest
from console.looking import Eyes, console
from console.on_boards import OnBoards
from console.plates import small
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from benchcon.console.placing_screen import PlateMap, PointScreen
from benchcon.panel.file import loads
from benchcon.panel.model import Panel
from benchcon.view.showing import label_of

SIZES = [(80, 24), (140, 45), (200, 60)]


def place(eyes: Eyes, word: str) -> tuple[float, int]:
    """Column of the mark that a word or its number is at, or of its middle where it is over a frame, and its row."""
    assert word in eyes.text(), eyes.text()
    listed = re.search(rf"(\d+) {word}", eyes.text())  # by a number that is at the part
    sought = re.compile(rf"▪{listed[1]}\b" if listed is not None else word)
    y, at = next((y, found) for y, row in enumerate(eyes.rows()) if (found := sought.search(row)))
    row, x = eyes.rows()[y], at.start()
    x -= 2 * (row[x - 2] == "▪")
    return (x, y) if row[x] == "▪" else (x + len(word) / 2, y)


def corners(eyes: Eyes) -> list[tuple[int, int, int, int]]:
    """Frames on the screen: left, top, right and bottom, by their corners."""
    rows = eyes.rows()
    found = []
    for top, row in enumerate(rows):
        for left, letter in enumerate(row):
            if letter != "╭":
                continue
            right = next((x for x in range(left + 1, len(row)) if row[x] == "╮"), 0)
            bottom = next((y for y in range(top + 1, len(rows)) if rows[y][left : left + 1] == "╰"), 0)
            if right and bottom:
                found.append((left, top, right, bottom))
    return found


@pytest.mark.parametrize("size", SIZES)
async def test_the_plate_has_its_proportions_and_parts_stand_where_they_do_on_it(size: tuple[int, int]) -> None:
    panel = small()
    part = panel.part("b0")
    assert part is not None
    async with console(OnBoards(panel), size=size) as eyes:
        await eyes.app.push_screen(PointScreen(panel, part))
        await eyes.see("Where does", "Stop")
        frames = corners(eyes)
        # The plate, 100 x 150 mm, is as high as there is room. A cell is twice as high as it is wide.
        left, top, right, bottom = max(frames, key=lambda each: each[3] - each[1])
        across, down = right - left - 2, bottom - top - 2
        assert across / 100 == pytest.approx(2 * down / 150, abs=1 / 100)
        # Stop (50, 78) and Reset (80, 78) are marks, or frames of one size, in one row and where `at` says.
        row, other = place(eyes, "Stop"), place(eyes, "Res")
        assert row[1] == other[1]
        assert other[0] - row[0] == pytest.approx(30 * across / 100, abs=1.5)
        sizes = {(each[2] - each[0], each[3] - each[1]) for each in frames if each[1] == row[1] + 1}
        assert len(sizes) <= 1
        # One step of the cross is one cell, and the cross goes where the mouse is pressed.
        before = eyes.text()
        await eyes.press("right")
        await eyes.until(lambda: eyes.text() != before)
        x = left + 1 + round(80 * across / 100)
        y = top + 1 + round(78 * down / 150)
        await eyes.pilot.click(offset=(x, y))
        await eyes.until(lambda: eyes.rows()[y][x] == "┼")


NAMES = ("Runway edge lights", "Approach lights", "Taxiway centre line", "Stop bar east", "Obstruction lights")
NAMES += ("Wind sock", "Beacon", "Standby generator", "Mains fail warning", "Battery charger", "Emergency stop lamp")


def strip_of(names: Sequence[str], across_mm: int = 482, down_mm: int = 44) -> Panel:
    """A panel with lamps in rows and columns, and one that has no place yet."""
    text = f'[panel]\nwidth = "{across_mm} mm"\nheight = "{down_mm} mm"\n[boards.desk]\n[lamps.new]\nchannel = "new"\n'
    columns = max(1, round(math.sqrt(len(names) * across_mm / down_mm)))
    rows = math.ceil(len(names) / columns)
    for number, name in enumerate(names):
        x, y = across_mm * (number % columns + 1) // (columns + 1), down_mm * (number // columns + 1) // (rows + 1)
        text += f'[lamps.l{number}]\nlabel = "{name}"\nchannel = "l{number}"\nat = ["{x} mm", "{y} mm"]\n'
    return loads(text)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("plate", [(482, 44), (100, 482), (200, 150)], ids=["rack strip", "upright", "desk"])
async def test_every_name_can_be_read(plate: tuple[int, int], size: tuple[int, int]) -> None:
    names = [f"{name} {end}" for name in NAMES for end in ("on", "off")]
    panel = strip_of(names if plate[0] > 400 else names[::2], *plate)
    new = panel.part("new")
    assert new is not None
    async with console(OnBoards(panel), size=size) as eyes:
        await eyes.app.push_screen(PointScreen(panel, new))
        await eyes.see("Where does")
        await eyes.pilot.click(offset=(1, 1))  # the cross into the corner
        text = eyes.text()
        for part in panel.lamps:
            if part is new:
                continue
            assert part.label in text, text
            listed = re.search(rf"(\d+) {part.label}", text)
            if listed is not None:
                shown = "\n".join(eyes.rows()[2:-2])
                assert len(re.findall(rf"(?<!\d){listed[1]}(?!\d)", shown)) == 2, f"once at the part, once here: {text}"
        assert "…" not in text


@given(
    names=st.lists(
        st.text(st.characters(categories=["Lu", "Ll", "Lo", "Nd"]), min_size=1, max_size=30), max_size=12, unique=True
    ),
    plate=st.tuples(st.integers(20, 900), st.integers(20, 900)),
    size=st.tuples(st.integers(0, 200), st.integers(0, 60)),
)
def test_numbers_stand_for_listed_names_and_nothing_leaves_the_screen(
    names: list[str], plate: tuple[int, int], size: tuple[int, int]
) -> None:
    panel = strip_of(names, *plate)
    found = PlateMap(panel, panel.lamps[0], size)
    at_parts = {name.part.name: name.text for name in found.names}
    assert at_parts.keys() == {lamp.name for lamp in panel.lamps[1:]}
    listed = {line.split(maxsplit=1)[1]: line.split()[0] for _, _, line in found.legend}
    for lamp in panel.lamps[1:]:
        assert label_of(lamp) in at_parts[lamp.name] or listed[label_of(lamp)] in at_parts[lamp.name]
    for x, y, line in found.legend:
        assert 0 < x <= size[0] - cell_len(line)
        assert 0 < y < size[1] - 1
        assert not any(found.plate.contains(x + at, y) for at in range(cell_len(line)))


async def test_the_part_nearest_to_the_cross_is_named_in_full() -> None:
    panel = small()
    part = panel.part("b0")
    assert part is not None
    async with console(OnBoards(panel), size=(40, 12)) as eyes:
        await eyes.app.push_screen(PointScreen(panel, part))
        await eyes.see("near the cross: Direction")


async def test_a_plate_without_parts_has_room_for_the_first() -> None:
    panel = loads('[boards.desk]\n[lamps.a]\nchannel = "a"\n')
    async with console(OnBoards(panel)) as eyes:
        await eyes.app.push_screen(PointScreen(panel, panel.lamps[0]))
        await eyes.see("200 mm from the left, 75 mm from the top")


async def test_help_on_placing_has_its_own_keys_and_no_others() -> None:
    panel = small()
    part = panel.part("b0")
    assert part is not None
    async with console(OnBoards(panel), size=(80, 45)) as eyes:
        await eyes.app.push_screen(PointScreen(panel, part))
        await eyes.press("f1")
        await eyes.see("Place here", "Skip", "Move", "1 mm", "Everywhere")
        assert "Focus" not in eyes.text()
        assert "Copy" not in eyes.text()


async def test_help_on_a_question_of_several_lines_says_how_to_get_to_the_next() -> None:
    async with console(OnBoards(small()), size=(80, 45)) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("Name of the tester")
        await eyes.press("f1")
        await eyes.see("Next line", "Everywhere")
        assert "Focus" not in eyes.text()
