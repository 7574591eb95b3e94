"""What does not fit is said before the plate is drilled: in ``check`` and with the sheet."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchcon.cli.main import main

HEAD = '[panel]\nwidth = "200 mm"\nheight = "100 mm"\ndepth = "40 mm"\n[boards.b]\n'
ONE = '[controls.one]\nkind = "{}"\nat = ["{} mm", "50 mm"]\nchannel = "c1"\n'
OTHER = '[controls.other]\nkind = "{}"\nat = ["{} mm", "50 mm"]\nchannel = "c2"\n'


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        # Two 12.2 mm holes 13.7 mm apart: 1.5 mm of metal between them.
        (ONE.format("button", 50) + OTHER.format("button", 63.7), "leave 1.5 mm of the plate between them"),
        # A hole of 12.2 mm 8 mm from the edge: 1.9 mm are left.
        (ONE.format("button", 8), "leaves 1.9 mm to the edge"),
        (ONE.format("button", 50) + 'hole = "16.2 mm"\n', "less than its hole (Ø 16.2 mm)"),
        (ONE.format("pot", 50) + OTHER.format("pot", 65), "collide behind the plate by 2 mm"),
        (ONE.format("button", 50) + 'depth = "45 mm"\n', "reaches 45 mm behind the plate; the panel has 40 mm there"),
        (ONE.format("encoder", 50) + OTHER.format("encoder", 78), "leave 8 mm between them for fingers"),
        (ONE.format("button", 50) + f'label = "{"W" * 60}"\n', "room for only this much of its label"),
    ],
)
def test_it_is_said_with_file_and_line(
    parts: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "desk.toml"
    head = HEAD.replace("200 mm", "90 mm") if "WWW" in parts else HEAD
    path.write_text(head + parts, "utf-8")
    assert main(["check", str(path)]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if said in line]
    assert len(lines) == 1
    assert lines[0].startswith(f"{path}:")
    assert ": advice: controls." in lines[0]
    assert main(["sheet", str(path), "-o", str(tmp_path / "desk.dxf")]) == 0
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("at", ['["5 mm", "50 mm"]', '["50 mm", "98 mm"]', '["193.9 mm", "50 mm"]'])
def test_a_hole_over_the_edge_cannot_be_drilled(at: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "desk.toml"
    path.write_text(f'{HEAD}[controls.one]\nkind = "button"\nat = {at}\nchannel = "c1"\n', "utf-8")
    assert main(["check", str(path)]) == 1
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "its hole" in line]
    assert line.startswith(f"{path}:6: controls.one: its hole (Ø 12.2 mm) reaches over the edge of the plate")


def test_where_all_fits_nothing_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "desk.toml"
    path.write_text(HEAD + ONE.format("button", 50) + OTHER.format("encoder", 100), "utf-8")
    assert main(["check", str(path)]) == 0
    assert "advice" not in capsys.readouterr().out


def test_a_plate_that_cannot_be_drilled_is_not_good(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "desk.toml"
    # Holes of 12.2 mm: 10 mm apart, and ten of them 8 mm apart, which is one cause and one line.
    path.write_text(HEAD + ONE.format("button", 50) + OTHER.format("button", 60), "utf-8")
    assert main(["check", str(path)]) == 1
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "hole" in line]
    assert "run into each other; move one" in line
    assert "advice" not in line
    repeat = 'repeat = { columns = 10, pitch = "8 mm" }\n'
    path.write_text(HEAD + ONE.format("button", 50) + 'size = ["7 mm", "7 mm"]\nhole = "12.2 mm"\n' + repeat, "utf-8")
    assert main(["check", str(path)]) == 1
    told = capsys.readouterr().out.splitlines()
    assert len([line for line in told if "run into each other" in line]) == 1, told
    assert "give the repeat a larger pitch (and so do 8 more such pairs)" in "".join(told)
    assert "a good panel file" not in "".join(told)
