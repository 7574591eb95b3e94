"""A first panel file by a few questions: it is good, fits on its plate, and can be tried at once."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from firmware.virtual import needs_compiler
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from benchcon.cli.main import main
from benchcon.drawing.fits import inspect_fits
from benchcon.errors import Trouble
from benchcon.panel.file import inspect, loads
from benchcon.panel.first import BOARDS, KINDS, TooSmall, first_file
from benchcon.panel.places import edges_mm

COUNTS = st.dictionaries(st.sampled_from(sorted(KINDS)), st.integers(0, 20))


@settings(deadline=None)
@given(st.text(max_size=70), st.integers(60, 600), st.integers(60, 600), COUNTS, st.sampled_from(sorted(BOARDS)))
def test_whatever_is_asked_for_stands_on_the_plate_side_by_side(
    title: str, width: int, height: int, counts: dict[str, int], board: str
) -> None:
    try:
        text = first_file(title, width, height, counts, board)
    except Trouble:
        return
    panel, findings = inspect(text)
    assert panel is not None
    assert not [finding for finding in findings if finding.grave]
    lit = counts.get("lit buttons", 0)
    assert len(panel.parts) == sum(counts.values()) + lit
    apart = [part for part in panel.parts if not getattr(part, "inside", "")]
    areas = [box(*edges_mm(part, part.place)) for part in apart if part.place]
    assert len(areas) == sum(counts.values())
    plate = box(0, 0, width, height)
    assert all(plate.contains(area) for area in areas)
    assert not [(a, b) for n, a in enumerate(areas) for b in areas[:n] if a.intersection(b).area > 0]
    assert not [found for found in inspect_fits(panel) if "label" not in found.text], text
    # A scriber and a steel rule: whole millimetres.
    assert all(mm == int(mm) for part in apart if part.place for mm in part.place), text


@settings(deadline=None)
@given(st.integers(40, 600), st.integers(40, 600), COUNTS)
def test_the_plate_that_is_proposed_has_room(width: int, height: int, counts: dict[str, int]) -> None:
    counts = {kind: min(count, 16) for kind, count in counts.items()}
    if not sum(counts.values()):
        return
    plate = (float(width), float(height))
    try:
        first_file("Desk", *plate, counts)
    except TooSmall as small:
        proposed = small.plate
    else:
        return
    assert proposed[0] >= width
    assert proposed[1] >= height
    assert proposed != plate
    first_file("Desk", *proposed, counts)


def test_one_of_each_kind_fits_on_the_usual_plate_and_the_guides_parts_on_theirs() -> None:
    assert len(loads(first_file("Desk", 200, 150, dict.fromkeys(KINDS, 1), "uno")).parts) == 8
    winch = {"displays": 1, "lamps": 3, "lit buttons": 3, "switches": 3, "potentiometers": 1}
    assert len(loads(first_file("Winch", 150, 100, winch, "uno")).parts) == 14


@needs_compiler
@pytest.mark.parametrize("board", ["uno", "mega"])
def test_firmware_is_made_for_what_was_asked_for(board: str, tmp_path: Path) -> None:
    path = tmp_path / "desk.toml"
    counts = {"displays": 1, "lamps": 9, "lit buttons": 4, "buttons": 5, "switches": 3, "encoders": 2}
    path.write_text(first_file("Desk", 400, 300, {**counts, "potentiometers": 2}, board), "utf-8")
    assert main(["firmware", str(path), "-o", str(tmp_path / "build")]) == 0
    assert (tmp_path / "build" / "wiring.txt").exists()


def draft(path: Path, monkeypatch: pytest.MonkeyPatch, *answers: str) -> int:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{answer}\n" for answer in answers)))
    return main(["draft", "-o", str(path)])


Captured = pytest.CaptureFixture[str]


def test_questions_make_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    path = tmp_path / "desk.toml"
    counts = ("1", "2", "3", "0", "3", "0", "1")
    assert draft(path, monkeypatch, "Winch house", "15", "150", "8 in", *counts, "Nano") == 0
    said = capsys.readouterr().out
    assert '"15" is 15 mm; from 40 mm to 2 m is allowed, with its unit if that is not mm' in said  # asked again
    assert f"Next: benchcon try {path}" in said
    panel = loads(path.read_text("utf-8"))
    assert (panel.title, panel.width_mm, panel.height_mm) == ("Winch house", 150, 203.2)
    assert [part.label for part in panel.displays] == ["Display 1"]
    assert [control.label for control in panel.controls if control.kind == "switch"] == [f"Switch {n}" for n in "123"]
    assert [lamp.inside for lamp in panel.lamps if lamp.inside] == ["lit_button_1", "lit_button_2", "lit_button_3"]
    assert [board.chip for board in panel.boards] == ["atmega328p"]
    assert main(["draft", "-o", str(path)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_answers_that_do_not_go_together_are_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    path = tmp_path / "desk.toml"
    nothing = ("",) * 7
    assert draft(path, monkeypatch, "", "100", "60", *nothing, *("",) * 4, "8", "", "", "", "", "") == 0
    said = capsys.readouterr().out
    assert "A panel has at least one part on it" in said
    assert "do not fit on a plate of 100 × 60 mm; they do on one of " in said
    assert len(loads(path.read_text("utf-8")).controls) == 8


@pytest.mark.parametrize(
    ("answers", "question"),
    [
        ((), "What is the panel called? (Panel)"),
        (("Desk", "100"), "How high? (150 mm)"),
        (("",) * 10, "How many displays? (0)"),  # no part at all: asked again, once
        (("", "", "", "1", *("",) * 6), "Board? (uno)"),
    ],
)
def test_at_the_end_of_input_the_questions_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured, answers: tuple[str, ...], question: str
) -> None:
    """`benchcon draft -o FILE </dev/null` asked everything eight times over."""
    assert draft(tmp_path / "desk.toml", monkeypatch, *answers) == 2
    said = capsys.readouterr()
    assert said.err == f'benchcon: the input ended at the question "{question}"; nothing was written\n'
    assert said.out.endswith(f"{question} \n"), "the message does not stand behind the question"
    assert said.out.count("?") == len(answers) + 1 + ("Board" in question)  # no question after the input's end
    assert list(tmp_path.iterdir()) == []


def test_plain_benchcon_with_nothing_plugged_in_leads_to_a_panel_of_ones_own(tmp_path: Path) -> None:
    env = {"BENCHCON_HOME": str(tmp_path / "home"), "TMPDIR": str(tmp_path)}
    with Terminal("-m", "benchcon", columns=100, rows=40, env=env, cwd=tmp_path) as terminal:
        terminal.see("Nothing is plugged in over USB", "look at the demo", "1 to 5, or q:")
        terminal.press("4", "enter")
        terminal.see("cable that carries data")
        terminal.press("3", "enter")
        terminal.see("Where should it be written? (desk.toml)")
        terminal.press("enter")
        for question, answer in (
            ("called?", "Desk"),
            ("wide", ""),
            ("high", ""),
            ("How many displays?", "1"),
            ("How many lamps?", "2"),
            ("How many lit buttons?", ""),
            ("How many buttons?", "2"),
            ("How many switches?", ""),
            ("How many encoders?", ""),
            ("How many potentiometers?", ""),
            ("Board? (uno)", ""),
        ):
            terminal.see(question)
            terminal.press(*answer, "enter")
        terminal.see("Try it now? (y)")
        assert len(loads((tmp_path / "desk.toml").read_text("utf-8")).parts) == 5
        terminal.press("enter")
        terminal.see("DISPLAY 1", "LAMP 2", "BUTTON 2", "SIMULATED")
        terminal.press("q")
        assert terminal.ended() == 0
