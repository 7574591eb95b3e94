"""A picture of the panel from the command palette: an SVG that shows every part, beside what was there before."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from console.fed_by_hand import Fed
from console.looking import console


async def test_a_picture_of_the_panel_is_written_beside_what_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ostrey_tower_trainer-face.svg").write_text("mine")
    session = Fed()
    async with console(session, (100, 30)) as eyes:
        await eyes.press("ctrl+p", *"picture")
        await eyes.see("Picture of the panel")
        await eyes.press("enter", "enter")
        await eyes.see("wrote ostrey_tower_trainer-face-2.svg")
    assert (tmp_path / "ostrey_tower_trainer-face.svg").read_text() == "mine"
    drawn = ElementTree.parse(tmp_path / "ostrey_tower_trainer-face-2.svg").getroot()
    words = {text.text for text in drawn.iter("{http://www.w3.org/2000/svg}text")}
    assert {part.label for part in session.panel.parts} <= words
