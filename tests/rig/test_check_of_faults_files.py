"""``benchcon check`` on faults files: what can be checked is, and what cannot is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchcon.cli.main import main
from benchcon.demo import panel_path
from benchcon.errors import Trouble
from benchcon.panel import file as panels
from benchcon.rig.faults_file import loads

FAULT = '[[faults]]\nkind = "dead"\nchannel = "met.{}"\n'
OWN = '[panel]\ntitle = "Own"\n[boards.met]\n[displays.speed]\ndigits = 2\nchannel = "met.d_speed"\n'


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "own.toml").write_text(OWN)
    (tmp_path / "f.toml").write_text(FAULT.format("d_speed"))
    (tmp_path / "demo.toml").write_text(FAULT.format("d_spd"))
    return tmp_path


def test_what_the_demo_has_not_is_said_and_the_demo_is_not_advised(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "f.toml"]) == 0
    first, last = capsys.readouterr().out.splitlines()
    assert first.startswith("f.toml:3: ")
    assert "the demo's panel does not fit: board 'met' has no channel 'd_speed'; did you mean 'd_spd'?" in first
    assert last == (
        "f.toml: a good faults file: 1 fault; boards and channels were not checked: "
        "name their panel file with --panel FILE"
    )


def test_what_fits_the_demo_is_for_the_demo(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "demo.toml"]) == 0
    assert capsys.readouterr().out == (
        "demo.toml: a good faults file: 1 fault; next: benchcon demo --faults demo.toml\n"
    )


def test_a_panel_file_that_is_named_is_what_counts(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "f.toml", "--panel", "own.toml"]) == 0
    assert capsys.readouterr().out == (
        "f.toml: a good faults file: 1 fault, and own.toml has their boards and channels\n"
    )
    assert main(["check", "f.toml", "--panel", str(panel_path())]) == 1
    assert "has no channel 'd_speed'" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        ("[[faults]]\nkind = 'stuck'\n".encode("utf-16"), "is UTF-16; save it as UTF-8"),
        (b"\xef\xbb\xbf[[faults]\n", "is not TOML here"),
        (b"%PDF-1.7 [[faults]]", "is a PDF, not a faults file"),
        (b"[[faults]]\n" + b"a." * 500_000 + b"b = 1\n", "is larger than"),
        (b"[[faults]]\n" + b"a." * 9_000 + b"b = 1\n", "than any line of a faults file"),
    ],
)
def test_what_is_no_faults_file_is_said_as_of_any_other_file(raw: bytes, says: str) -> None:
    with pytest.raises(Trouble) as told:
        loads(raw, "my.toml")
    assert says in str(told.value)
    assert str(told.value).startswith("my.toml:")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (FAULT.format("speed"), "3: board 'met' has no channel 'speed'; that is a part, on 'met.d_speed'"),
        (FAULT.format("d_speed").replace("[[faults]]", "[faults]"), "1: faults must be tables, each under its "),
        (FAULT.format("d_speed").replace("[[faults]]", "[[fault]]"), "1: unknown key 'fault'; a faults file"),
        (
            FAULT.format("d_speed").replace('"dead"', '"segment_dead"\nsegment = "g"'),
            '3: \'segment\' must be one of P, A, B, C, D, E, F, G, not "g"; did you mean "G"?',
        ),
    ],
)
def test_slips_in_a_faults_file_are_answered_with_what_was_meant(
    text: str, says: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (here / "slip.toml").write_text(text)
    assert main(["check", "slip.toml", "--panel", "own.toml"]) == 1
    assert capsys.readouterr().out.startswith(f"slip.toml:{says}")


TWO_BOARDS = """
[boards.one]
[boards.two]
[lamps.l]
channel = "one.l"
[controls.k]
kind = "button"
channel = { id = "two.k", pin = "keys.r0c0" }
[matrices.keys]
board = "two"
rows = ["D4"]
columns = ["D5"]
"""


def test_a_fault_of_one_board_that_names_none_is_told_which() -> None:
    panel = panels.loads(TWO_BOARDS)
    text = '[[faults]]\nkind = "matrix_line_off"\nmatrix = "keys"\nline = "row"\n'
    with pytest.raises(Trouble) as trouble:
        loads(text, "f.toml", panel)
    assert str(trouble.value) == (
        "f.toml:3: board 'one' has no matrix 'keys'; a fault of one board names it: board = \"two\""
    )
    assert loads(text + 'board = "two"\n', "f.toml", panel).faults
    with pytest.raises(Trouble, match=r"board 'one' has no matrix 'kyes'$"):
        loads(text.replace('"keys"', '"kyes"'), "f.toml", panel)
