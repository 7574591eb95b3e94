"""A lit push button is one part on the face: one label, one shape, what the contact says and what the lamp does."""

from __future__ import annotations

from dataclasses import replace

import pytest
from console.looking import Eyes, console
from console.on_boards import OSTREY, OnBoards

from benchcon.console.face import Face
from benchcon.panel.file import load, loads

PANEL = """
[panel]
title = "Lit"
width = "200 mm"
height = "100 mm"
[boards.desk]
[controls.route]
label = "Route"
kind = "button"
at = ["40 mm", "35 mm"]
channel = { id = "b1", pin = "D4" }
lit = { colour = "green", channel = { id = "l1", pin = "D5" } }
[controls.arm]
label = "Arm"
kind = "button"
at = ["100 mm", "35 mm"]
channel = { id = "b2", pin = "D6" }
lit = [{ colour = "red", channel = "r1" }, { colour = "green", channel = "g1" }]
[controls.test]
label = "Test"
kind = "button"
at = ["160 mm", "35 mm"]
channel = { id = "b3", pin = "D7" }
"""


def art(eyes: Eyes, name: str) -> str:
    face = eyes.app.screen.query_one(Face)
    tile = face.layout_now.tile_of(name)
    assert tile is not None
    rows = range(tile.y + 1, tile.y + tile.height)
    return "\n".join(face._sheet.text(y)[tile.x :][: tile.width].rstrip() for y in rows)


@pytest.mark.parametrize("size", [(60, 14), (80, 24), (140, 45)], ids=str)
async def test_contact_and_lamp_stand_in_one_tile_and_tell_their_states(size: tuple[int, int]) -> None:
    session = OnBoards(loads(PANEL))
    async with console(session, size) as eyes:
        face = eyes.app.screen.query_one(Face)
        await eyes.until(lambda: "released" in art(eyes, "route"))
        assert [tile.part.name for tile in face.layout_now.tiles] == ["route", "arm", "test"]
        assert eyes.text().count("ROUTE") == 1
        unlit, plain = art(eyes, "route"), art(eyes, "test")
        assert unlit != plain  # its window shows that there is a lamp
        session.moved("desk", b1=1)
        await eyes.until(lambda: "pressed" in art(eyes, "route"))
        pressed = art(eyes, "route")
        session.bench.set_lamp(1, "l1", 1000)
        await eyes.until(lambda: art(eyes, "route") != pressed)
        assert "pressed" in art(eyes, "route")
        session.moved("desk", b1=0)
        await eyes.until(lambda: "released" in art(eyes, "route"))
        assert art(eyes, "route") != unlit  # lit, and not pressed


async def test_of_two_colours_each_is_told_by_its_word_and_its_half_of_the_window() -> None:
    session = OnBoards(loads(PANEL))
    async with console(session, (140, 45)) as eyes:
        seen = set()
        for red, green, word in ((0, 0, "off"), (1000, 0, "red"), (0, 1000, "green"), (1000, 450, "red green 45 %")):
            session.bench.set_lamp(1, "r1", red)
            session.bench.set_lamp(1, "g1", green)
            await eyes.until(lambda word=word: art(eyes, "arm").split("\n")[-1].strip() == word, word)
            seen.add(art(eyes, "arm"))
        assert len(seen) == 4


async def test_keys_go_from_the_button_to_its_lamps_and_work_each() -> None:
    session = OnBoards(loads(PANEL))
    async with console(session) as eyes:
        face = eyes.app.screen.query_one(Face)
        face.select("route")
        for key, name in (
            ("right", "route_lit"),
            ("right", "arm"),
            ("tab", "arm_lit_1"),
            ("left", "arm"),
            ("left", "route"),
        ):
            await eyes.press(key)
            assert face.selected == name
        await eyes.press("enter")  # the simulated hand presses and releases
        await eyes.until(lambda: session.state.boards[1].channels["b1"].changes >= 2)
        await eyes.press("right", "space")
        assert session.bench.asked[-1] == (1, ("set", "l1=3E8"))


async def test_f7_has_the_row_of_views_and_a_click_leads_on() -> None:
    async with console(OnBoards()) as eyes:
        await eyes.press("f7")
        await eyes.see("F2 Face", "F7 Timing", "control → output", "q Quit")
        await eyes.click("Raw")
        await eyes.see("channel", "pin")
        await eyes.click("F7")
        await eyes.see("control → output")


@pytest.mark.parametrize(
    ("size", "off", "on", "up", "down"),
    [
        ((80, 24), ["[▄] off"], ["[▀] on"], ["[□] released"], ["[■] pressed"]),
        (
            (140, 45),
            ["┊╭──╮┊", "┊▐██▌┊ off"],
            ["┊▐██▌┊ on", "┊╰──╯┊"],
            ["┊┌──┐┊ released", "┊└──┘┊"],
            ["┊▄▄▄▄┊", "┊████┊ pressed"],
        ),
        (
            (200, 60),
            ["┊╭────╮┊", "┊│    │┊", "┊▐████▌┊", "   off"],
            ["┊▐████▌┊", "┊│    │┊", "┊╰────╯┊", "    on"],
            ["┊┌────┐┊", "┊│    │┊", "┊└────┘┊", "released"],
            ["┊▄▄▄▄▄▄┊", "┊██████┊", "┊██████┊", "pressed"],
        ),
    ],
    ids=str,
)
async def test_a_guard_is_a_frame_about_what_is_under_it(
    size: tuple[int, int], off: list[str], on: list[str], up: list[str], down: list[str]
) -> None:
    panel = load(OSTREY)
    panel = replace(
        panel,
        controls=tuple(replace(each, guard=each.name in ("battery", "lamp_test")) for each in panel.controls),
    )
    session = OnBoards(panel)
    async with console(session, size) as eyes:
        await eyes.see("SIMULATED")

        def stands(name: str, rows: list[str]) -> bool:
            face = eyes.app.screen.query_one(Face)
            tile = face.layout_now.tile_of(name)
            assert tile is not None
            drawn = [face._sheet.text(y)[tile.x :] for y in range(tile.y + 1, tile.y + 1 + len(rows))]
            return all(text.strip().startswith(row.strip()) for text, row in zip(drawn, rows, strict=True))

        await eyes.until(lambda: stands("battery", off) and stands("lamp_test", up), "at rest")
        session.moved("power", sw_batt=1)
        session.moved("lighting", test=1)
        await eyes.until(lambda: stands("battery", on) and stands("lamp_test", down), "worked")
        assert "┊" not in eyes.text() or "[" not in eyes.text().replace("[ ] Page", "")
        await eyes.press("f1")
        assert "a guard, a cover that flips up" in " ".join(eyes.app.screen._text().plain.split())  # type: ignore[attr-defined]


HOUSING = """
[panel]
width = "200 mm"
height = "100 mm"
[boards.desk]
[lamps.level]
label = "Level"
at = ["100 mm", "35 mm"]
colours = [{ colour = "red", channel = "r" }, { colour = "amber", channel = "g" }]
[lamps.trip]
label = "Trip"
at = ["160 mm", "35 mm"]
channel = "t"
"""


@pytest.mark.parametrize("size", [(60, 14), (80, 24), (140, 45)], ids=str)
async def test_a_housing_of_two_colours_has_its_own_label_and_says_which_colour_the_keys_work(
    size: tuple[int, int],
) -> None:
    session = OnBoards(loads(HOUSING))
    async with console(session, size) as eyes:
        face = eyes.app.screen.query_one(Face)
        await eyes.until(lambda: "off" in art(eyes, "level_red"))
        assert "LEVEL RED" not in eyes.text()
        assert "LEVEL" in eyes.text()
        face.select("level_red")
        await eyes.until(lambda: "red off" in art(eyes, "level_red"))
        await eyes.press("right")
        await eyes.until(lambda: "amber off" in art(eyes, "level_red"))
        await eyes.press("space")
        assert session.bench.asked[-1] == (1, ("set", "g=3E8"))
        await eyes.until(lambda: "amber" in art(eyes, "level_red") and "amber off" not in art(eyes, "level_red"))
        session.bench.set_lamp(1, "r", 100)
        await eyes.press("left")
        await eyes.until(lambda: "red 10 %" in art(eyes, "level_red"))
