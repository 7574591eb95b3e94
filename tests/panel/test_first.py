"""A first panel file by a few questions: it is good, fits on its plate, and can be tried at once."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from benchcon.cli.main import main
from benchcon.drawing.fits import inspect_fits
from benchcon.errors import Trouble
from benchcon.panel.file import inspect, loads
from benchcon.panel.first import KINDS, first_file
from benchcon.panel.places import edges_mm

COUNTS = st.dictionaries(st.sampled_from(sorted(KINDS)), st.integers(0, 20))


@given(st.text(max_size=70), st.integers(60, 600), st.integers(60, 600), COUNTS)
def test_whatever_is_asked_for_stands_on_the_plate_side_by_side(
    title: str, width: int, height: int, counts: dict[str, int]
) -> None:
    try:
        text = first_file(title, width, height, counts)
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


def test_too_much_for_the_plate_is_said_with_what_it_needs() -> None:
    with pytest.raises(Trouble, match=r"need a plate \d+ mm high at this width, and it has 60 mm"):
        first_file("Desk", 100, 60, {"switches": 8})
    with pytest.raises(Trouble, match="at least one part"):
        first_file("Desk", 100, 60, {})


ANSWERS = "Winch house\n15\n150 mm\n4 in\n1\n2\n3\n0\n3\n0\n1\n"


def test_questions_make_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "desk.toml"
    monkeypatch.setattr("sys.stdin", io.StringIO(ANSWERS.replace("4 in", "8 in")))
    assert main(["draft", "-o", str(path)]) == 0
    said = capsys.readouterr().out
    assert '"15" lacks its unit' in said  # asked again
    assert f"Next: benchcon try {path}" in said
    panel = loads(path.read_text("utf-8"))
    assert (panel.title, panel.width_mm, panel.height_mm) == ("Winch house", 150, 203.2)
    assert [part.label for part in panel.digits] == ["Display 1"]
    assert [control.label for control in panel.controls if control.kind == "switch"] == [f"Switch {n}" for n in "123"]
    assert [lamp.inside for lamp in panel.lamps if lamp.inside] == ["lit_button_1", "lit_button_2", "lit_button_3"]
    assert main(["draft", "-o", str(path)]) == 2
    assert "is there already" in capsys.readouterr().err


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
        ):
            terminal.see(question)
            terminal.press(*answer, "enter")
        terminal.see("Try it now? (y)")
        assert len(loads((tmp_path / "desk.toml").read_text("utf-8")).parts) == 5
        terminal.press("enter")
        terminal.see("DISPLAY 1", "LAMP 2", "BUTTON 2", "SIMULATED")
        terminal.press("q")
        assert terminal.ended() == 0
