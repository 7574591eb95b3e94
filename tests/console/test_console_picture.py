"""A picture of the panel from the command palette: an SVG that shows every part, beside what was there before."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from console.looking import console
from console.on_boards import OnBoards

from benchcon.console.picture import with_solid_blocks
from benchcon.protocol_files import protocols_dir


async def test_a_picture_of_the_panel_is_written_beside_what_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ostrey_tower_trainer-face.svg").write_text("mine")
    session = OnBoards()
    async with console(session, (100, 30)) as eyes:
        await eyes.press("ctrl+p", *"picture")
        await eyes.see("Picture of the panel")
        await eyes.press("enter", "enter")
        await eyes.see("wrote ostrey_tower_trainer-face-2.svg")
    assert (tmp_path / "ostrey_tower_trainer-face.svg").read_text() == "mine"
    drawn = ElementTree.parse(tmp_path / "ostrey_tower_trainer-face-2.svg").getroot()
    words = {text.text for text in drawn.iter("{http://www.w3.org/2000/svg}text")}
    assert {part.label for part in session.panel.parts} <= words


def test_a_picture_of_the_console_has_no_characters_between_which_a_font_leaves_seams() -> None:
    """Block characters become rectangles of the same cells: a quarter each, in the colour of their text."""
    text = '<text class="{}" x="24.4" y="44.4" textLength="{:g}" clip-path="url(#line-1)">{}</text>'
    drawn = with_solid_blocks(f"<svg>{text.format('r1', 5 * 12.2, 'a&amp;█▀▐')}{text.format('r2', 12.2, 'b')}</svg>")
    rects = [
        (rect.get("class"), *(float(rect.get(key) or "nan") for key in ("x", "y", "width", "height")))
        for rect in ElementTree.fromstring(drawn).iter("rect")
    ]
    top, half, over = 44.4 - 20 + 1.5, 12.2, 0.25
    assert rects == [
        pytest.approx(("r1", 24.4 + 2 * 12.2, top, 12.2, half + over)),
        pytest.approx(("r1", 24.4 + 2 * 12.2, top + half, 12.2, half + over)),
        pytest.approx(("r1", 24.4 + 3 * 12.2, top, 12.2, half + over)),
        pytest.approx(("r1", 24.4 + 4.5 * 12.2, top, 6.1, half + over)),
        pytest.approx(("r1", 24.4 + 4.5 * 12.2, top + half, 6.1, half + over)),
    ]
    words = [each.text for each in ElementTree.fromstring(drawn).iter("text")]
    assert words == ["a&\xa0\xa0\xa0", "b"]


def test_the_pictures_of_the_documents_have_none() -> None:
    for path in (protocols_dir() / "console.svg", protocols_dir() / "walk.svg"):
        assert not {c for c in path.read_text("utf-8") if "\u2580" <= c <= "\u259f"}, path
