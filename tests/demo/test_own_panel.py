"""Naming parts in the demo writes into a copy of the user's own, never into the program."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest
from console.in_terminal import Terminal

from benchcon.demo import panel_path
from benchcon.errors import Trouble
from benchcon.panel.edit import PanelFile
from benchcon.panel.file import load

PACKAGE = panel_path().parents[1]


def program() -> dict[str, str]:
    """Every file of the program, by its content."""
    files = (path for path in PACKAGE.rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.mark.slow
def test_naming_in_the_demo_leaves_the_program_as_it_is_and_says_where_it_wrote(tmp_path: Path) -> None:
    before = program()
    home = tmp_path / "home"
    for name in ("Gate lamp", "Yard lamp"):
        with Terminal("-m", "benchcon", "demo", env={"BENCHCON_HOME": str(home)}, cwd=tmp_path) as terminal:
            terminal.until(lambda: terminal.text().count("● live") == 3, "three live boards")
            terminal.press("right", "right", "n")
            terminal.see("name")
            terminal.press("enter")
            terminal.see("What is it called?")
            terminal.press(f"\x15{name}\r")
            terminal.see("Where does")
            terminal.press("enter")
            terminal.see(name.upper()[:6])
            terminal.press("q")
            assert terminal.ended() == 0
        shown = terminal.raw.decode("utf-8", "replace").replace("\r\n", "")
        assert str(home / "demo" / "ostrey.toml") in shown
        assert name in [lamp.label for lamp in load(home / "demo" / "ostrey.toml").lamps]
    assert "Gate lamp" in [lamp.label for lamp in load(home / "demo" / "ostrey.1.toml").lamps]  # put aside, not lost
    assert program() == before


def test_a_panel_file_that_came_with_the_program_is_never_written(tmp_path: Path) -> None:
    before = panel_path().read_bytes()
    file = PanelFile(panel_path())
    file.label("mains", "Shore power")
    with pytest.raises(Trouble, match="copy it, and open the copy with --panel"):
        file.save()
    link = tmp_path / "mine.toml"
    link.symlink_to(panel_path())
    file = PanelFile(link)
    file.label("mains", "Shore power")
    with pytest.raises(Trouble, match="part of the installed program"):
        file.save()
    assert panel_path().read_bytes() == before
    copy = tmp_path / "copy.toml"
    shutil.copy(panel_path(), copy)
    file = PanelFile(copy)
    file.label("mains", "Shore power")
    file.save()
