"""``benchcon draft`` on boards that are there: simulated ones, each a process with a serial line of its own."""

from __future__ import annotations

import os
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchcon import demo
from benchcon.cli.main import main
from benchcon.panel.file import load, loads
from benchcon.panel.model import Panel

pytestmark = pytest.mark.usefixtures("own_locks")


@pytest.fixture(scope="module")
def desks() -> Iterator[demo.Demo]:
    with demo.start() as running:
        yield running


def channels(panel: Panel) -> set[tuple[str, str, str]]:
    return {(channel.board, channel.id, channel.wire.pin) for part in panel.parts for channel in part.channels}


def test_the_demos_desks_are_drafted_whole(
    desks: demo.Demo, ostrey: Panel, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "desk.toml"
    assert main(["draft", *(desk.port for desk in desks.boards), "-o", str(out)]) == 0
    told = capsys.readouterr().out
    assert told.count("\n") == 1
    assert f"{out}: written: 3 boards (lighting, met, power)" in told
    assert (
        "the pins that no board reported (3: chain 165 of lighting, chain 595 of lighting, chain 7219 of met)" in told
    )
    assert told.endswith(f"benchcon check {out}\n")
    panel = load(out)
    assert channels(panel) == channels(ostrey)
    assert [board.label for board in panel.boards] == [board.label for board in ostrey.boards]
    assert main(["check", str(out)]) == 0


def test_without_a_file_it_goes_to_standard_output(desks: demo.Demo, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["draft", desks.boards[2].port]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert [board.name for board in loads(out).boards] == ["power"]


def test_a_file_that_is_there_is_kept(desks: demo.Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "desk.toml"
    out.write_text("mine")
    assert main(["draft", desks.boards[0].port, "-o", str(out)]) == 2
    assert out.read_text() == "mine"
    assert "overwrite it with --force" in capsys.readouterr().err
    assert main(["draft", desks.boards[0].port, "-o", str(out), "--force"]) == 0
    assert load(out).boards[0].name == "lighting"


def test_a_port_that_cannot_be_had_is_one_line_and_no_file(
    desks: demo.Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "desk.toml"
    assert main(["draft", desks.boards[0].port, str(tmp_path / "none"), "-o", str(out)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert str(tmp_path / "none") in line
    assert not out.exists()


def test_a_port_where_nobody_answers_is_one_line_and_no_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    port, out = os.ttyname(theirs), tmp_path / "desk.toml"
    try:
        assert main(["draft", port, "-o", str(out), "--seconds", "0.5"]) == 2
    finally:
        os.close(ours)
        os.close(theirs)
    err = capsys.readouterr().err
    assert err.startswith(f"benchcon: {port}: nobody answered within 0.5 s; is that the right port?")
    assert err.endswith("(nothing was written)\n")
    assert err.count("\n") == 1
    assert not out.exists()
