"""Where a part sits is asked for on the plate in its own proportions, with what the other parts cover."""

from __future__ import annotations

import pytest
from console.looking import Eyes, console
from console.on_boards import OnBoards
from console.test_console_face_true import small

from benchcon.console.naming_screens import PointScreen
from benchcon.panel.file import loads

SIZES = [(80, 24), (140, 45), (200, 60)]


def place(eyes: Eyes, word: str) -> tuple[float, int]:
    """Column of the middle of a word's first letter, or of its middle where it stands over a frame, and its row."""
    assert word in eyes.text(), eyes.text()
    y = next(y for y, row in enumerate(eyes.rows()) if word in row)
    row = eyes.rows()[y]
    x = row.index(word)
    return (x, y) if row[x - 2] == "▪" else (x + len(word) / 2, y)


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


async def test_a_plate_without_parts_has_room_for_the_first() -> None:
    panel = loads('[boards.desk]\n[lamps.a]\nchannel = "a"\n')
    async with console(OnBoards(panel)) as eyes:
        await eyes.app.push_screen(PointScreen(panel, panel.lamps[0]))
        await eyes.see("200 mm from the left, 75 mm from the top")
