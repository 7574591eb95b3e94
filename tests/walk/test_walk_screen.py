"""The walk in the console: it goes on by itself, asks about lamps and pictures, and keeps what was done."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from console.looking import Eyes, console
from walk.desks import Desks

from benchcon.console.walk_picture import PictureView
from benchcon.console.walk_screen import WalkScreen
from benchcon.walk.folder import Folder, read_report
from benchcon.walk.journal import Done
from benchcon.walk.plan import plan


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # the console asks for a folder's name; it is made where the program runs


async def walking(eyes: Eyes, folder: str, scope: str = "enter") -> WalkScreen:
    await eyes.press("t")
    await eyes.see("Walk: what?")
    await eyes.press(scope)
    await eyes.see("proved in turn")
    await eyes.press("ctrl+u", *folder, "enter")
    await eyes.see("Every lamp and display should be dark now.")
    assert isinstance(eyes.app.screen, WalkScreen)
    return eyes.app.screen


async def test_from_the_first_look_to_a_proved_switch_and_on_again_later(desks: Desks, tmp_path: Path) -> None:
    hand = desks.hands["lighting"]
    async with console(desks.session, (110, 40)) as eyes:
        screen = await walking(eyes, "walked")
        await eyes.until(lambda: screen.listens, "the look")
        await eyes.press("enter")
        await eyes.see("Lamp Approach lit should blink, and no other.")
        await eyes.until(lambda: screen.listens, "the look")
        # The person points at another lamp, thinks better of it, and says that it is dim.
        await eyes.press("right", "p")
        await eyes.see("You see: ")
        await eyes.press("p")
        await eyes.gone("You see: ")
        await eyes.press("m")
        await eyes.see("You see: Approach lit (dim)")
        await eyes.press("enter")
        await eyes.see("Put Approach to on.")
        threading.Timer(0.25, hand.put, ("approach", 1)).start()
        await eyes.see("Put Approach to off.")
        threading.Timer(0.25, hand.put, ("approach", 0)).start()
        await eyes.see("Put Runway edge to on.", "✓ 1 proved", "✗ 1 wrong")
        await eyes.press("n")
        await eyes.see("It stands beside this part in the report.")
        await eyes.press(*"stiff", "enter")
        await eyes.until(lambda: screen.listens, "the question")
        await eyes.press("s")
        await eyes.see("Put Taxiway to on.")
        await eyes.press("escape")
        await eyes.until(lambda: not isinstance(eyes.app.screen, WalkScreen), "the bench")
    done = Folder(tmp_path / "walked").unfinished(desks.panel)
    assert [(d.group.name, d.how, d.note) for d in done] == [
        ("dark", "done", ""),
        ("approach_lit", "done", ""),
        ("rest", "done", ""),
        ("approach", "done", ""),
        ("runway_edge", "skipped", "stiff"),
    ]


async def test_pictures_are_put_right_segment_by_segment_and_the_report_is_written(
    desks: Desks, tmp_path: Path
) -> None:
    """Everything up to the last display is done already; on that the person sees segment A out in each picture."""
    folder = Folder(tmp_path / "walked")
    done = [Done(group, [], "done") for group in plan(desks.panel) if group.name != "wind_speed"]
    folder.open(desks.panel, "before", done)
    folder.close()
    async with console(desks.session, (100, 36)) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("proved in turn")
        await eyes.press("ctrl+u", *"walked", "enter")
        await eyes.see("Display Wind speed should show just this.", "should be", "you see")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        for _ in range(4):
            await eyes.until(lambda: screen.listens, "the look")
            number = screen.scene.number if screen.scene else 0
            view = screen.query_one(PictureView)
            for _ in view.wanted:
                if view.seen[view.place] & 0x40:
                    await eyes.press("a")
                await eyes.press("right")
            assert all(not byte & 0x40 for byte in view.seen)
            await eyes.press("enter")
            await eyes.until(lambda n=number: screen.scene is None or screen.scene.number != n, "the next")
        await eyes.see("segment A never lights", "Report: open walked/walk.html", "To decide")
    report = read_report(tmp_path / "walked")
    assert [(f["kind"], f["channels"], f["detail"]) for f in report["findings"]] == [
        ("segment dead", ["met.d_spd"], {"segments": ["A"], "places": []})
    ]
    assert report["counts"]["good"] == 24


async def test_the_walk_can_be_read_at_80_by_24(desks: Desks) -> None:
    async with console(desks.session) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("proved in turn")
        await eyes.press("ctrl+u", "enter")
        await eyes.see("Every lamp and display should be dark now.")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        assert screen.folder is None
        assert any("█" in row for row in eyes.rows()[1:7])
        await eyes.see(
            "Enter Just so",
            "p This is lit",
            "s Skip",
            "u Back",
            "r Again",
            "w Not wired",
            "n Note",
            "Esc Leave",
            "DARK",
        )
