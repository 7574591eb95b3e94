"""Lamps made to look alike by eye, on real simulated boards: what is lit is what the hand sees, not what is said."""

from __future__ import annotations

import difflib
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.looking import console
from console.on_boards import OSTREY, OnBoards

from benchcon.demo import Demo, start
from benchcon.panel.file import load
from benchcon.panel.lightness import duty_of, lightness_of
from benchcon.rig.boards import start as start_boards
from benchcon.rig.hand import Hand

PAIR = {"l_xwind": 1000, "l_app": 1000}


@pytest.fixture
def demo() -> Iterator[Demo]:
    with start(separate=True) as demo:
        yield demo


def lit(demo: Demo) -> dict[str, int]:
    """The lamps that are lit, on all desks."""
    return {id_: level for hand in demo.hands.values() for id_, level in hand.lit().items() if level}


def test_two_lamps_side_by_side_until_they_look_alike(demo: Demo, tmp_path: Path) -> None:
    panel = tmp_path / "tower.toml"
    panel.write_bytes(Path(OSTREY).read_bytes())
    before = panel.read_bytes()
    words = ["-m", "benchcon", "console", *(desk.port for desk in demo.boards), "--panel", str(panel)]
    with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:

        def are_lit(wanted: dict[str, int]) -> None:
            terminal.until(lambda: lit(demo) == wanted, f"{wanted}, and no other lamp, to be lit")

        terminal.until(lambda: terminal.text().count("● live") == 3, "three live boards")
        terminal.press("v")
        terminal.see("REFERENCE", "LAMP 1 OF 8", "0 of 8 written")
        are_lit(PAIR)
        terminal.press(*"--------------------")
        terminal.see("trim; the file has 100 %")
        # A trim of 80 % of lightness on a lamp that is told to be fully light is a level of 80 % (panel-file.md, 6).
        are_lit(PAIR | {"l_app": 800})
        terminal.press("\x1b")
        are_lit({})
        assert panel.read_bytes() == before, "Esc writes nothing"

        terminal.press("v")
        terminal.see("trim, as in the file")
        are_lit(PAIR)
        terminal.press(*"--------------------")
        are_lit(PAIR | {"l_app": 800})
        terminal.press("enter")
        terminal.see("LAMP 2 OF 8", "1 of 8 written", "✓ Approach lit")
        are_lit({"l_xwind": 1000, "l_rwy": 1000})
        changes = list(difflib.ndiff(before.decode().splitlines(), panel.read_text().splitlines()))
        assert [line for line in changes if line[0] != " "] == ['+ trim = "80 %"'], "every comment stands where it did"
        lamp = load(panel).part("approach_lit")
        assert getattr(lamp, "trim_permille", 0) == 800

        terminal.press("F9")
        are_lit({})
        terminal.see("Dark: ")
        terminal.press("-")
        terminal.see("It is dark: F12 ends that first.")
        assert lit(demo) == {}
        terminal.press("F12")
        terminal.see("Both lamps are out: Space lights them.")
        assert lit(demo) == {}, "the end of dark lights nothing"
        terminal.press(" ")
        are_lit({"l_xwind": 1000, "l_rwy": 1000})
        terminal.press("q")
        assert terminal.ended() == 0
    assert lit(demo) == {}


SHELF = """\
[panel]
night = "50 %"
[boards.desk]
[lamps.row]
channel = "l1"
repeat = { columns = 3 }
[displays.depth]
digits = 2
channel = "d1"
"""


@pytest.mark.parametrize("writes_more", [False, True], ids=["to look", "to match another"])
async def test_what_was_written_stays_ticked_while_a_display_is_compared_with(
    tmp_path: Path, writes_more: bool
) -> None:
    panel = tmp_path / "tower.toml"
    panel.write_bytes(Path(OSTREY).read_bytes())
    session = OnBoards(load(panel))
    async with console(session, (120, 40)) as eyes:
        await eyes.press("v")
        await eyes.see("LAMP 1 OF 8")
        await eyes.press("s", "-", "enter", "minus", "minus", "enter")  # the second lamp of the panel is the reference
        await eyes.see("2 of 8 written", "LAMP 3 OF 8")
        ticked = re.findall("✓[^%]+%", eyes.text())
        assert len(ticked) == 2
        await eyes.press("d")
        await eyes.see("0 of 9 written", "A pale ✓: written", *ticked)
        if writes_more:
            await eyes.press("minus", "enter")
            await eyes.see("1 of 9 written")
        while "a display has one brightness" in eyes.text():
            await eyes.press("d")
        await eyes.see("2 of 8 written", *ticked)
        assert ("A pale ✓" in eyes.text()) == writes_more


def test_an_editor_takes_a_lamp_out_of_the_file_meanwhile(tmp_path: Path) -> None:
    panel = tmp_path / "shelf.toml"
    first, second = '[boards.desk]\n[lamps.stays]\nchannel = "l1"\n', '[lamps.goes]\nchannel = "l2"\n'
    panel.write_text(first + second, "utf-8")
    with start_boards(panel) as boards:
        hand = boards.hands["desk"]
        words = ["-m", "benchcon", "console", boards.boards[0].port, "--panel", str(panel)]
        with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
            terminal.see("● live")
            terminal.press("v")
            terminal.see("LAMP 1 OF 1")
            terminal.press("s", "-")
            terminal.until(lambda: hand.lit() == {"l1": 990, "l2": 1000}, "both to be lit")
            panel.write_text(first + "# l2 is on another panel now\n", "utf-8")
            terminal.press("enter")
            terminal.see("a part is gone", "F2 Face")
            terminal.until(lambda: not any(hand.lit().values()), "both to be off again")
            assert panel.read_text("utf-8") == first + 'trim = "99 %"\n# l2 is on another panel now\n'
            terminal.press("q")
            assert terminal.ended() == 0


def test_the_first_part_of_a_file_is_placed_by_hand(tmp_path: Path) -> None:
    panel = tmp_path / "shelf.toml"
    panel.write_text('[boards.desk]\n[lamps.only]\nchannel = "l1"\n', "utf-8")
    with start_boards(panel) as boards:
        words = ["-m", "benchcon", "console", boards.boards[0].port, "--panel", str(panel)]
        with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
            terminal.see("● live")
            terminal.press("n", "enter")
            terminal.see("What is it called?")
            terminal.press("enter")
            terminal.see("Where does", "panel 400 × 150 mm")
            terminal.press("enter")
            terminal.see("is in")
            place = load(panel).parts[0].place
            assert place is not None
            assert (place.x_mm, place.y_mm) == (200, 75)
            terminal.press("q")
            assert terminal.ended() == 0


@pytest.mark.slow
def test_lamps_of_a_repeat_beside_a_display_and_then_the_night(tmp_path: Path) -> None:
    panel = tmp_path / "shelf.toml"
    panel.write_text(SHELF, "utf-8")
    with start_boards(panel) as boards:
        hand = boards.hands["desk"]
        words = ["-m", "benchcon", "console", boards.boards[0].port, "--panel", str(panel)]
        with Terminal(*words, columns=120, rows=40, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:

            def are(lamps: dict[str, int], shown: bytes) -> None:
                terminal.until(
                    lambda: ({k: v for k, v in hand.lit().items() if v}, hand.shown("d1")) == (lamps, shown),
                    f"{lamps} and {shown!r}",
                )

            terminal.see("● live", "ROW 3")
            terminal.press("v")
            terminal.see("REFERENCE", "LAMP 1 OF 2")
            are({"l1": 1000, "l2": 1000}, b"\0\0")
            terminal.press("d")
            terminal.see("a display has one brightness", "LAMP 2 OF 3")
            are({"l2": 1000}, b"\x7f\x7f")
            terminal.press("s")
            terminal.see("match the lamps to it")
            terminal.press("-", "enter")
            terminal.see("LAMP 3 OF 3", "✓ Row 2", "1 of 3 written")
            are({"l3": 1000}, b"\x7f\x7f")
            assert 'trims = ["100 %", "99 %", "100 %"]' in panel.read_text("utf-8")
            terminal.press("\x1b")
            are({}, b"\0\0")
            hand_lit = hand.lit
            # Night: CIE 1976, half the lightness on the wire for a lamp at full light.
            terminal.press(" ")
            terminal.until(lambda: sum(map(bool, hand_lit().values())) == 1, "one lamp to be lit")
            (id_,) = [k for k, v in hand_lit().items() if v]
            full = hand_lit()[id_]
            terminal.press("N")
            terminal.see("Night level: all lamps at 50 % of their light")
            night = round(lightness_of(duty_of(full) * duty_of(500)))
            terminal.until(lambda: hand_lit()[id_] == night, "the night level")
            terminal.press("N")
            terminal.until(lambda: abs(hand_lit()[id_] - full) <= 3, "the day level")
            terminal.press("q")
            assert terminal.ended() == 0


@pytest.mark.slow
def test_rules_go_on_at_the_night_level() -> None:
    """Full light at a night level of 40 %: CIE 1976, a lightness of 40 % on the wire; rules light nothing lighter."""
    with (
        tempfile.TemporaryDirectory(prefix="n") as folder,
        Terminal(
            "-m", "benchcon", "demo", columns=120, rows=40, env={"BENCHCON_HOME": folder, "TMPDIR": folder}
        ) as terminal,
    ):
        terminal.until(lambda: len(list(Path(folder).glob("benchcon-*/*.hand"))) == 3, "three desks")
        hands = [Hand(f"unix:{path}") for path in Path(folder).glob("benchcon-*/*.hand")]

        def levels() -> dict[str, int]:
            return {id_: level for hand in hands for id_, level in hand.lit().items() if level}

        terminal.until(lambda: max(levels().values(), default=0) > 0, "a rule to light a lamp")
        terminal.press("N")
        terminal.see("Night level: all lamps at 40 % of their light")
        terminal.until(lambda: 0 < max(levels().values(), default=0) <= 400, "what is lit to be at its night level")
        before = set(levels())
        terminal.until(lambda: set(levels()) != before, "the rules to light another lamp, or fewer")
        assert max(levels().values(), default=0) <= 400
        terminal.press("N")
        terminal.until(lambda: max(levels().values(), default=0) > 400, "the day")
        terminal.press("q")
        assert terminal.ended() == 0
        for hand in hands:
            hand.close()
