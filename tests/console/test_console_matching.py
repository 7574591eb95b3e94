"""Lamps made to look alike by eye, on real simulated boards: what is lit is what the hand sees, not what is said."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.fed_by_hand import OSTREY
from console.in_terminal import Terminal

from benchcon.demo import Demo, start
from benchcon.panel.file import load

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
