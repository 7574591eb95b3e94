"""Wiggle test and soak in the console: the same machines as the command's, with a screen and a bell."""

from __future__ import annotations

from pathlib import Path

import pytest
from console.looking import Eyes, console
from walk.desks import Desks

from benchcon.console.walk.screen import WalkScreen
from benchcon.console.walk.soak_screen import SoakScreen
from benchcon.console.walk.wiggle_screen import WiggleScreen
from benchcon.walk.occupied import step_aside


async def palette(eyes: Eyes, title: str) -> None:
    """Choose a command from the palette."""
    await eyes.press("ctrl+p")
    await eyes.press(*title.split()[0 if title.startswith("Wiggle") else -1].lower())
    await eyes.see(title, "the loom" if title.startswith("Wiggle") else "for hours")
    await eyes.press("enter")


async def test_a_loose_wire_is_seen_and_heard_from_the_palette_and_one_channel_can_be_held(
    desks: Desks, monkeypatch: pytest.MonkeyPatch
) -> None:
    hand = desks.hands["lighting"]
    hand.put("approach", 1)
    async with console(desks.session, (100, 36)) as eyes:
        bells: list[None] = []
        monkeypatch.setattr(type(eyes.app), "bell", lambda app: bells.append(None))
        await palette(eyes, "Wiggle test")
        await eyes.see("Wiggle test: every input", "18 channels", "rings for every drop-out", "Esc Back", "b Bell")
        hand.fault("loose", "sw_app", every="150 ms", gap="5 ms")
        await eyes.see("Last: lighting.sw_app")
        hand.clear()
        screen = eyes.app.screen
        assert isinstance(screen, WiggleScreen)
        heading = next(y for y, row in enumerate(eyes.rows()) if "drop-outs" in row)
        assert eyes.rows()[heading + 1].split()[0] == "Approach"  # what dropped out stands on top
        assert bells
        await eyes.press("enter")
        await eyes.see("Wiggle test: Approach (lighting.sw_app)", "1 channel ", "a All")
        await eyes.gone("Watch this one only")
        await eyes.press("a")
        await eyes.see("18 channels")
        await eyes.press("escape")
        await eyes.until(lambda: not isinstance(eyes.app.screen, WiggleScreen), "the bench")


class Rules:
    """What would light outputs by itself; it must not while a walk or another test uses the bench."""

    paused = False

    def pause(self, paused: bool) -> None:
        self.paused = paused

    def hands_off(self) -> None:
        pass


async def test_the_walk_stops_for_the_wiggle_watch_and_goes_on_where_it_was(
    desks: Desks, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    rules = Rules()
    end = step_aside(desks.session, rules)
    async with console(desks.session, (100, 36)) as eyes:
        await eyes.press("t", "enter")
        await eyes.see("Everything is tested in turn")
        await eyes.press("ctrl+u", *"walked", "enter")
        await eyes.see("Every lamp and display should be dark now.")
        screen = eyes.app.screen
        assert isinstance(screen, WalkScreen)
        await eyes.until(lambda: screen.listens, "the look")
        await eyes.press("enter")
        await eyes.see("Lamp Approach lit should blink, and no other.")
        await eyes.press("v")
        await eyes.see("Wiggle test: every input")
        assert all(level == 0 for each in desks.hands.values() for level in each.lit().values())
        await eyes.press("escape")
        await eyes.see("Part 1 of 25", "Lamp Approach lit should blink, and no other.")
        await eyes.until(lambda: screen.listens, "the look")
        assert rules.paused, "or a lamp that they light would be taken for a fault"
        end()
        await eyes.press("escape")


async def test_a_soak_says_what_to_mind_then_what_is_lit_and_how_long_yet_and_leaves_nothing_lit(desks: Desks) -> None:
    async with console(desks.session, (80, 24)) as eyes:
        await palette(eyes, "Soak")
        await eyes.see("get hot", "Bright lamps dazzle", "F9")
        await eyes.press("x", "enter")
        await eyes.see("the duration ")
        await eyes.press("ctrl+u", *"1", "space", *"h", "enter")
        await eyes.see("Soak", "of 1:00:00", "0:59:5", "All dark, to see the supply at rest.", "0/150", "5.00 V")
        await eyes.see("No reset, no bad line, and the supply holds.", "e End it now")
        desks.hands["met"].reset()
        await eyes.see("✗ met: reset once under load (reset)")
        await eyes.press("e")
        await eyes.see("All is off.", "✗ met: reset once under load (reset)")
        assert isinstance(eyes.app.screen, SoakScreen)
        assert eyes.app.screen.over
        await eyes.press("escape")


async def test_in_a_wide_window_there_are_curves_and_values_in_words(desks: Desks) -> None:
    desks.hands["lighting"].put("approach", 1)
    async with console(desks.session, (140, 45)) as eyes:

        def row(text: str) -> str:
            return next((row for row in eyes.rows() if text in row), "")

        await palette(eyes, "Wiggle test")
        await eyes.see("rings for every drop-out", "last 20 s")
        assert "Intensity: 2" in row("lighting.int2")
        await eyes.until(lambda: "▅▅" in row("lighting.sw_app"), "a contact that is made")
        assert "made" in row("lighting.sw_app")
        assert " %, " in row("power.volts") or "power.volts" not in eyes.text()
        await eyes.press("escape")
        await palette(eyes, "Soak")
        await eyes.see("For how long?")
        await eyes.press("enter")
        await eyes.see("supply, last 5 min", "Lighting desk")
        await eyes.until(lambda: "▆" in row("Lighting desk  "), "the supply as a curve")
        await eyes.press("e")
        await eyes.see("All is off.")
        await eyes.press("escape")
