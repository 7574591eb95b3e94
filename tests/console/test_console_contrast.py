"""Every text and mark on the rendered screen can be read: 4.5 : 1 or more (WCAG 2.x, success criterion 1.4.3).

Read from the screen itself, worked out here by the formula of the definition of contrast ratio. Left out: rules and
frames (pure decoration, as the criterion has it), a scroll bar, and what lies dimmed behind a question (inactive).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from console.contrast import Cell, cells, glass, hard_to_read, luminance, ratio
from console.looking import Eyes, console
from console.on_boards import OnBoards

from benchcon.console.face import Face
from benchcon.console.preferences import Preferences, preferred, remember
from benchcon.panel.segments import encode


def test_the_formula_gives_what_is_known_of_it() -> None:
    # WCAG 2.x, note to contrast ratio: from 1 to 21. #767676 is the lightest grey that passes on white (well known).
    assert ratio((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
    assert ratio((0x76, 0x76, 0x76), (255, 255, 255)) >= 4.5 > ratio((0x77, 0x77, 0x77), (255, 255, 255))


def stir(session: OnBoards) -> None:
    """Lamps at every level, displays, controls that have moved."""
    for number, lamp in enumerate(session.panel.lamps):
        level = (1000, 50, 450, 0, 700)[number % 5]
        session.bench.set_lamp(session.source(lamp.channel.board), lamp.channel.id, level)
    for name in ("d_dir", "d_spd", "d_qnh"):
        session.bench.set_display(session.source("met"), name, encode("12", {"d_dir": 3, "d_spd": 2, "d_qnh": 5}[name]))
    session.moved("power", sw_batt=1, volts=460)
    session.moved("met", enc_qnh=12, unit=1)
    session.moved("lighting", int1=0, int3=1, sw_app=1)
    session.bench.note("trigger", "a trigger")


@pytest.fixture
def looks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for what is remembered."""
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path))
    return tmp_path


VIEWS: dict[str, tuple[str, ...]] = {
    "face": ("f2",),
    "a display chosen": ("tab", "3", "2"),
    "raw": ("f3", "down"),
    "events": ("f4",),
    "links": ("f5",),
    "time line": ("f6", "left", "tab", "left", "left"),
    "timing": ("f7",),
    "back": ("f2",),
    "help": ("f1",),
    "help closed": ("escape",),
    "all commands": ("ctrl+p",),
    "a command": ("s",),
    "commands closed": ("escape",),
    "a mark": ("m",),
    "mark closed": ("escape",),
    "a filter": ("f4", "slash", "z"),
    "filter closed": ("escape", "f2"),
    "which part": ("n",),
    "which closed": ("escape",),
    "evenly bright": ("v",),
    "even closed": ("escape",),
    "record into": ("r",),
    "nothing typed": ("ctrl+u", "enter"),
    "record closed": ("escape",),
    "ports": ("f5", "o"),
    "another port": ("a",),
    "no such address": ("x", "enter"),
    "help on the ports": ("escape", "f1"),
    "ports closed": ("escape", "escape", "f2"),
    "its label": ("n", "enter"),
    "labels closed": ("escape", "escape"),
    "large letters are one row": ("z",),
    "no large letters": ("z",),
    "large letters": ("z",),
    "dark": ("f9",),
}


@pytest.mark.parametrize(
    ("theme", "size"),
    [
        ("light", (80, 24)),  # turned colours; larger sizes have more to look at, and take longer
        pytest.param("dark", (80, 24), marks=pytest.mark.slow),
        pytest.param("light", (140, 45), marks=pytest.mark.slow),
        pytest.param("dark", (140, 45), marks=pytest.mark.slow),
    ],
    ids=str,
)
async def test_every_text_and_mark_can_be_read(theme: str, size: tuple[int, int], looks: Path) -> None:
    remember(Preferences(theme))
    session = OnBoards()
    async with console(session, size) as eyes:
        stir(session)
        session.bench.blink(session.source("power"), "l_batt", True)
        await eyes.until(lambda: "45 %" in eyes.text(), "the lamps")
        wrong = {}
        for name, keys in VIEWS.items():
            await eyes.press(*keys)
            await eyes.pilot.pause(0.3)
            if found := hard_to_read(eyes):
                wrong[name] = found[:6]
        assert not wrong
        await eyes.press("f12")
        session.stop("met")
        await eyes.press("f9")
        session.wait(0.6)
        await eyes.see("PULL")
        for name in ("dark not confirmed", "help on it"):
            if found := hard_to_read(eyes):
                wrong[name] = found[:6]
            await eyes.press("f1")
            await eyes.pilot.pause(0.2)
        await eyes.press("escape", "escape")
        assert not wrong
        session.stop("lighting", "power")
        session.wait(30.0)  # all fall silent: nothing is known any more
        await eyes.see("silent")
        if found := hard_to_read(eyes):
            wrong["silent"] = found[:6]
        assert not wrong


def grounds(eyes: Eyes) -> float:
    """The luminance of what most of the screen stands on."""
    seen: dict[tuple[int, ...], int] = {}
    for strip in eyes.app.screen._compositor.render_strips():
        for text, style, _ in strip:
            assert style is not None
            assert style.bgcolor is not None
            back = tuple(style.bgcolor.get_truecolor(foreground=False))
            seen[back] = seen.get(back, 0) + len(text)
    red, green, blue = max(seen, key=lambda back: seen[back])
    return luminance((red, green, blue))


async def test_a_key_changes_the_theme_and_it_is_remembered(looks: Path) -> None:
    async with console(OnBoards()) as eyes:
        assert grounds(eyes) < 0.03
        await eyes.press("ctrl+t")
        await eyes.until(lambda: grounds(eyes) > 0.7, "a light ground")
    async with console(OnBoards()) as eyes:
        assert grounds(eyes) > 0.7
        await eyes.press("ctrl+t")
        await eyes.until(lambda: grounds(eyes) < 0.03, "a dark ground")
    assert preferred().theme == "dark"


async def test_what_lies_in_glass_looks_the_same_in_both_themes(looks: Path) -> None:
    session = OnBoards()
    async with console(session) as eyes:
        stir(session)
        await eyes.until(lambda: "45 %" in eyes.text(), "the lamps")

        def displays() -> list[Cell]:
            areas = glass(eyes)
            return [
                each for each in cells(eyes) if any(x <= each[0] < x1 and y <= each[1] < y1 for x, y, x1, y1 in areas)
            ]

        dark = displays()
        await eyes.press("ctrl+t")
        await eyes.until(lambda: grounds(eyes) > 0.7, "a light ground")
        assert displays() == dark != []


async def test_large_letters_become_a_row_and_then_go_and_it_is_remembered(looks: Path) -> None:
    session = OnBoards()
    async with console(session) as eyes:
        face = eyes.app.screen.query_one(Face)
        session.moved("power", sw_batt=1)
        await eyes.until(lambda: "█" in eyes.rows()[20], "large letters")
        large = face.size.height
        await eyes.press("z")
        await eyes.until(lambda: eyes.rows()[22].split() == ["Battery", "on"], "one row of letters")
        assert face.size.height == large + 5
        await eyes.press("z")
        await eyes.until(lambda: face.size.height == large + 6, "no letters")
        assert "Battery  on" not in eyes.text()
    assert preferred().letters == "off"
    async with console(OnBoards()) as eyes:
        assert eyes.app.screen.query_one(Face).size.height == large + 6
        await eyes.press("z")
        await eyes.see("Move a control")


@pytest.mark.parametrize("told", [b"", b"[]", b'{"theme": 3, "letters": "huge"}', b"\xff\x00", b"[" * 100_000])
def test_looks_that_cannot_be_read_are_those_one_begins_with(told: bytes, looks: Path) -> None:
    (looks / "looks.json").write_bytes(told)
    assert preferred() == Preferences()


def test_looks_that_cannot_be_kept_are_no_error(looks: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (looks / "file").write_text("")
    monkeypatch.setenv("BENCHCON_HOME", str(looks / "file"))  # no folder: nothing can be written there
    remember(Preferences("light"))
    assert preferred() == Preferences()
