"""The values of a rehearsal on the time line, live and in a recording: on the same axis as the panel's own changes."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.looking import console

from benchcon import demo
from benchcon.cli.main import main
from benchcon.console.timeline import TimeLine
from benchcon.session import ReplaySession
from benchcon.view.history import THOUSANDTHS
from benchcon.wire.records import BENCH

PANELS = Path(demo.__file__).parent / "panels"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for path in PANELS.glob("level*"):
        shutil.copy(path, tmp_path)
    return tmp_path


async def test_a_recording_shows_values_with_their_unit(folder: Path) -> None:
    assert main(["rehearse", str(folder / "level-alert-scenario.toml"), "--captures", str(folder), "--headless"]) == 0
    (capture,) = folder.glob("*.capture")
    session = ReplaySession(capture)
    async with console(session, (120, 30)) as eyes:
        await eyes.press("f6")
        await eyes.see("Level [ft]", "Level alert")
        line = eyes.app.screen.query_one(TimeLine)

        def levels() -> set[int]:
            """What is drawn, in feet; it is read aside."""
            stretches = line.model.past.row((BENCH, "level"), int(line.start_us), line.each_us, line.columns) or []
            return {each.value // THOUSANDTHS for each in stretches}

        await eyes.until(lambda: {8000, 11500, 9000} <= levels(), "it to rise and to fall")
        # A cursor on it says what it was: 9 000 ft at the end (level-alert-scenario.toml).
        line.put(session.last_us)
        await eyes.until(lambda: "9000" in next(r for r in eyes.rows() if "Level [ft]" in r), "the value at the end")


def test_a_live_rehearsal_shows_them_too(folder: Path) -> None:
    words = ("rehearse", "level-alert-behaviour.toml")
    with Terminal("-m", "benchcon", *words, columns=120, rows=30, cwd=folder) as terminal:
        terminal.see("10.000")
        terminal.press(*"12345", "enter")
        terminal.see("12345 ft")
        terminal.press("F6")
        terminal.see("Level [ft]", "12345")
        terminal.press("q")
        assert terminal.ended() == 0
