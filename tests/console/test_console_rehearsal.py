"""`benchcon rehearse` on a real terminal: values with sliders, what follows, what was expected, the face beside."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.contrast import hard_to_read_in
from console.in_terminal import Terminal
from few import few_of

from benchcon import demo
from benchcon.demo.desks import Demo, start

PANELS = Path(demo.__file__).parent / "panels"
STEPS = """
[scenario]
behaviour = "level-alert-behaviour.toml"
lasts = "600 s"

[[steps]]
set = { level = "8000 ft" }

[[steps]]
at = "1 s"
turn = { level_set = 20 }

[[steps]]
at = "2.5 s"
expect = { selected_level = "12.000" }

[[expect]]
name = "near is on"
show = { level_alert = "on" }
when = { level = "from 11010 ft to 11690 ft", level_set = "20" }

[[expect]]
name = "no such level is ever off"
show = { level_alert = "on" }
when = { level = "above 40000 ft" }
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for path in PANELS.glob("level*"):
        shutil.copy(path, tmp_path)
    (tmp_path / "near.toml").write_text(STEPS)
    return tmp_path


def said(terminal: Terminal, text: str) -> None:
    """Wait until this stands on the screen, however its lines are broken."""
    terminal.until(lambda: text in " ".join(terminal.text().split()), repr(text))


def rehearse(folder: Path, *words: str, columns: int = 100, rows: int = 30) -> Terminal:
    return Terminal("-m", "benchcon", "rehearse", *words, columns=columns, rows=rows, cwd=folder)


@pytest.mark.slow
def test_a_value_is_dialled_swept_held_and_given_back(folder: Path) -> None:
    with rehearse(folder, "near.toml") as terminal:
        terminal.see("F8 Rehearsal", "Level ", "8000 ft", "├", "LEVEL ALERT", "✓ selected_level")
        # Dialled: the lamp follows, and what is expected of it is kept.
        terminal.press(*"11500", "enter")
        terminal.see("11500 ft", "◆", "is held by", "✓ near is on", "▟██▙ on")
        # Never outside its range quietly.
        terminal.press(*"99999", "enter")
        said(terminal, "99999 ft is outside 0 to 50000 ft.")
        terminal.see("11500 ft")
        terminal.press("right")
        terminal.see("12000 ft")  # the next whole step
        terminal.press("x")
        terminal.see("no data: level is not")
        terminal.press("s")
        said(terminal, "goes up and down its range")
        terminal.until(lambda: "✗ no such level is ever off" in terminal.text(), "the sweep to come above 40 000 ft")
        terminal.press("h", "h")
        said(terminal, "follows the scenario")
        terminal.see("8000 ft")
        terminal.press("q")
        assert terminal.ended() == 1
        told = terminal.raw.decode("utf-8", "replace")
    assert "NOT MET" in told
    assert "no such level is ever off" in told
    assert "2 of 3 expectations met" in told
    assert "before it was over" in told


def test_a_rule_error_stands_at_its_lamp_with_its_line_and_goes_with_the_mistake(folder: Path) -> None:
    rules = folder / "level_alert_rules.py"
    good = rules.read_text()
    line = good[: good.index("    return 300 <")].count("\n") + 1
    with rehearse(folder, "level-alert-behaviour.toml", columns=140, rows=45) as terminal:
        terminal.see("Selected level", "10.000", "nothing: no scenario is played")
        rules.write_text(good.replace("    return 300 <", "    return 1 / 0 <"))
        terminal.see(f"level_alert_rules.py:{line}: ZeroDivisionError", f"line {line} ", "10.000")
        rules.write_text(good.replace("def level_alert(", "def level_alert(:"))
        terminal.see("the rules stay as they were")
        rules.write_text(good + "\n")
        terminal.until(lambda: "ZeroDivisionError" not in terminal.text(), "the mistake to go")
        terminal.press("q")
        assert terminal.ended() == 1, "a rule went wrong"


@pytest.mark.slow
def test_the_panel_beside_is_worked_and_the_scenario_keeps_off(folder: Path) -> None:
    with rehearse(folder, "near.toml") as terminal:
        terminal.see("12.000")
        terminal.press("tab")
        terminal.see("More")
        terminal.see("+20")
        terminal.press("+")
        terminal.see("the controls are yours", "12.100")
        terminal.press("F8", "p")
        terminal.until(lambda: "the controls are yours" not in terminal.text(), "the scenario to have them again")
        terminal.press("q")
        terminal.ended()


@pytest.fixture(scope="module")
def board() -> Iterator[Demo]:
    with start(panel=PANELS / "level-alert.toml", separate=True) as running:
        yield running


@pytest.mark.slow
def test_on_a_board_without_a_hand_the_person_is_asked(board: Demo, folder: Path) -> None:
    with rehearse(folder, "near.toml", board.boards[0].port) as terminal:
        terminal.see("Please turn Level set", "stands still", "Done")
        board.hands["alert"].turn("level_set", 20)
        terminal.press("enter")
        terminal.see("✓ selected_level", "12.000")
        terminal.press("q")
        assert terminal.ended() == 0
    assert set(board.hands["alert"].lit().values()) == {0}, "dark when it is left"


def test_without_a_terminal_or_headless_it_is_played_and_told(folder: Path) -> None:
    (folder / "near.toml").write_text(STEPS.replace("600 s", "5 s"))
    with rehearse(folder, "near.toml", "--headless") as terminal:
        assert terminal.ended() == 0
        assert "times faster than real time" in terminal.text().replace("\n", "")


@pytest.mark.parametrize("size", few_of([(80, 24), (140, 45), (200, 60)]))
def test_it_fits(folder: Path, size: tuple[int, int]) -> None:
    with rehearse(folder, "near.toml", columns=size[0], rows=size[1]) as terminal:
        terminal.see("VALUES", "WHAT FOLLOWS", "EXPECTED", "8000 ft", "12.000", "F9 DARK")
        rows = terminal.screen.display
        assert all(len(row.rstrip()) <= size[0] for row in rows)
        assert any("LEVEL SET" in row for row in rows), "the face stands beside it"
        terminal.press("q")
        assert terminal.ended() == 0


@pytest.mark.slow
def test_a_rule_that_sleeps_holds_nobody_up(folder: Path) -> None:
    rules = folder / "level_alert_rules.py"
    slow = rules.read_text().replace("    return 300 <", "    time.sleep(level / 1000)\n    return 300 <")
    rules.write_text("import time\n" + slow)
    with rehearse(folder, "level-alert-behaviour.toml") as terminal:
        terminal.see("10.000", "LEVEL SET")
        terminal.press(*"6000", "enter")
        # The rule sleeps for six seconds now. Dark is confirmed meanwhile, and the link answers.
        terminal.press("F9")
        terminal.see("Dark, confirmed")
        said(terminal, "takes too long and is suspended")
        terminal.press("q")
        terminal.ended()


@pytest.mark.slow
@pytest.mark.parametrize("theme", ["dark", "light"])
def test_every_text_of_a_rehearsal_can_be_read(folder: Path, tmp_path: Path, theme: str) -> None:
    """4.5 : 1 or more: WCAG 2.x, success criterion 1.4.3."""
    home = tmp_path / "home"
    home.mkdir()
    (home / "looks.json").write_text(f'{{"theme": "{theme}", "letters": "large"}}')
    env = {"BENCHCON_HOME": str(home), "COLORTERM": "truecolor"}
    with Terminal(*("-m", "benchcon", "rehearse", "near.toml"), columns=100, rows=30, cwd=folder, env=env) as terminal:
        for keys, seen in (
            ("", "✓ selected_level"),
            (("1", "1", "5", "0", "0", "enter"), "is held by"),
            (("9", "9", "9", "9", "9", "enter"), "99999 ft is outside 0 to 50000 ft."),
            (("x",), "no data"),
            (("F6",), "Level [ft]"),
        ):
            terminal.press(*keys)
            said(terminal, seen)
            assert not hard_to_read_in(terminal), terminal.text()


@pytest.mark.slow
def test_where_the_face_has_no_room_the_rehearsal_has_all_of_the_width(tmp_path: Path) -> None:
    with Terminal("-m", "benchcon", "demo", columns=80, rows=24, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
        terminal.see(" SIMULATED  F2 Face ", "F8 Rehearsal")  # no view loses its word to it
        terminal.see("WEATHER DESK")
        terminal.press("F8")
        terminal.see("WHAT FOLLOWS", "Runway edge lit ")
        assert "WEATHER DESK" not in terminal.text()
        terminal.press("F2")
        terminal.until(lambda: "WHAT FOLLOWS" not in terminal.text() and "WEATHER DESK" in terminal.text(), "the face")
        terminal.press("F8")
        terminal.see("WHAT FOLLOWS")
        terminal.press("tab")
        terminal.see("WEATHER DESK")
        terminal.press("F6")
        terminal.see("Wind speed [kt]", "Pressure [hPa]")
        terminal.press("q")
        assert terminal.ended() == 0


def test_the_end_of_dark_says_that_rules_set_their_outputs_again(folder: Path) -> None:
    with rehearse(folder, "near.toml", columns=140) as terminal:
        terminal.see("F8 Rehearsal", "8000 ft")
        terminal.press("F9")
        terminal.see("◐ DARK", "F12 End dark")
        terminal.press("F12")
        terminal.see("Dark has ended. The rules set their outputs again; all others stay off until they are set.")
        terminal.press("q")
        assert terminal.ended() in (0, 1)
