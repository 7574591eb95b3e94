"""Every text on the screens of walk, soak and wiggle test can be read: 4.5 : 1 or more (WCAG 2.x, 1.4.3)."""

from __future__ import annotations

from pathlib import Path

import pytest
from console.contrast import hard_to_read
from console.looking import Eyes, console
from walk.desks import Desks

from benchcon.console.preferences import Preferences, remember
from benchcon.console.walk.screen import WalkScreen
from benchcon.report.folder import Folder
from benchcon.walk.journal import FinishedStep
from benchcon.walk.plan import plan


async def look(eyes: Eyes, wrong: dict[str, list[str]], name: str) -> None:
    await eyes.pilot.pause(0.2)
    if found := hard_to_read(eyes):
        wrong[name] = found[:6]


@pytest.mark.slow
@pytest.mark.parametrize("size", [(80, 24), pytest.param((140, 45), marks=pytest.mark.slow)], ids=str)
@pytest.mark.parametrize("theme", ["dark", "light"])
async def test_every_text_of_walk_soak_and_wiggle_can_be_read(
    desks: Desks, theme: str, size: tuple[int, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path))
    remember(Preferences(theme))
    folder = Folder(tmp_path / "pictures")
    folder.open(
        desks.panel, "before", [FinishedStep(g, [], "done") for g in plan(desks.panel) if g.name != "wind_speed"]
    )
    folder.close()
    wrong: dict[str, list[str]] = {}
    async with console(desks.session, size) as eyes:
        await eyes.press("t")
        await eyes.see("Walk: what?")
        await look(eyes, wrong, "walk: what?")
        await eyes.press("c")
        await eyes.see("Walk only")
        await look(eyes, wrong, "walk: names")
        await eyes.press("escape", "enter")
        await eyes.see("tested in turn")
        await look(eyes, wrong, "walk: folder")
        await eyes.press("f1")
        await eyes.see("made where the program")
        await look(eyes, wrong, "walk: help on the folder")
        await eyes.press("escape", "ctrl+u", *"walked", "enter")
        await eyes.see("Every lamp and display should be dark now.")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        await look(eyes, wrong, "walk: all dark")
        screen._too_soon()
        await eyes.see("Too soon")
        await look(eyes, wrong, "walk: too soon")
        await eyes.until(lambda: screen.listens, "the question")
        await eyes.press("enter")
        await eyes.see("should blink")
        await look(eyes, wrong, "walk: a lamp")
        await eyes.press("right", "p", "o")
        await eyes.see("Which colour is")
        await look(eyes, wrong, "walk: which colour")
        await eyes.press("escape", "n")
        await eyes.see("beside this part in the report")
        await look(eyes, wrong, "walk: a note")
        await eyes.press("escape", "f1")
        await eyes.see("Keys")
        await look(eyes, wrong, "walk: help")
        await eyes.press("escape", "v")
        await eyes.see("Wiggle test")
        await look(eyes, wrong, "wiggle: hands off")
        await eyes.see("rings for every drop-out")
        await look(eyes, wrong, "wiggle: settled")
        desks.hands["lighting"].fault("loose", "sw_app", every="150 ms", gap="5 ms")
        desks.hands["lighting"].put("approach", 1)
        await eyes.until(lambda: "Last:" in eyes.text(), "a drop-out")
        await look(eyes, wrong, "wiggle: drop-outs")
        desks.hands["lighting"].clear()
        await eyes.press("b")
        await look(eyes, wrong, "wiggle: no bell")
        await eyes.press("escape")
        await eyes.until(lambda: isinstance(eyes.app.screen, WalkScreen), "the walk")
        await eyes.press("l")
        await eyes.see("For how long?")
        await look(eyes, wrong, "soak: how long")
        await eyes.press("enter")
        await eyes.see("Soak", "to go")
        await look(eyes, wrong, "soak")
        await eyes.press("e")
        await eyes.see("over")
        await look(eyes, wrong, "soak: over")
        await eyes.press("escape")
        await eyes.until(lambda: isinstance(eyes.app.screen, WalkScreen), "the walk")
        await eyes.press("escape", "t", "enter")
        await eyes.see("tested in turn")
        await eyes.press("ctrl+u", *"pictures", "enter")
        await eyes.see("Display Wind speed should show exactly this.")
        await look(eyes, wrong, "walk: a picture")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        for _ in range(12):
            if screen.has_class("-over"):
                break
            await eyes.until(lambda: screen.listens or screen.has_class("-over"), "the look")
            await eyes.press("space", "enter")
            await eyes.pilot.pause(0.3)
        await eyes.until(lambda: screen.has_class("-over"), "the result")
        await look(eyes, wrong, "walk: over")
    assert not wrong
