"""Captures written from the console: what the screen says of them, what is in them, and what is told on leaving."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.looking import console
from console.on_boards import OSTREY, OnBoards

from benchcon.demo import start

NEARLY_ALL = r"(1:00|0:[45]\d) to go"
"""What is left of the minute soon after it began: each frame that is drawn meanwhile takes a little of it."""


def records_in(path: Path) -> int:
    """Records of the bench, that is without what the file puts in by itself: keyframes and signs of time."""
    return sum(1 for line in path.read_text().splitlines() if line[:1].isdigit() and line.split()[2] not in "=#")


async def test_record_on_and_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.capture").write_text("mine")
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.see("○ not recording", "history ")
        await eyes.press("r")
        await eyes.see("Record into")
        await eyes.press("ctrl+u", *"there.capture", "enter")
        await eyes.see("there.capture")
        assert (tmp_path / "there.capture").read_text() == "mine"  # never over another file
        await eyes.press("ctrl+u", *"night.capture", "enter")
        await eyes.see("● REC night.capture", "r Stop rec")
        session.wait(0.5)
        session.moved("power", sw_batt=1)
        await eyes.press("m", *"flicker", "enter", "r")
        await eyes.see("○ not recording", "closed night.capture: ")
        await eyes.until(lambda: "word 1: flicker" in (tmp_path / "night.capture").read_text())
    text = (tmp_path / "night.capture").read_text()
    (closed,) = session.captures
    assert closed.figures.bytes == len(text.encode())  # what is told is the size of the file
    assert closed.figures.records == records_in(tmp_path / "night.capture")
    assert " is sw_batt=1 #" in text
    assert text.index("* mark 1") < text.index("* word 1: flicker")


async def test_a_name_typed_without_its_suffix_gets_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.capture").write_text("mine")
    session = OnBoards()
    async with console(session, (140, 45)) as eyes:
        await eyes.press("r", "ctrl+u", *"there", "enter")
        await eyes.see("there.capture")
        assert (tmp_path / "there.capture").read_text() == "mine"
        await eyes.press("ctrl+u", *"night", "enter")
        await eyes.notified("recording into night.capture")
        await eyes.see("● REC night.capture")
        await eyes.press("r")
        await eyes.see("○ not recording")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["night.capture", "there.capture"]


async def test_one_key_keeps_the_last_minutes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    session = OnBoards()
    session.moved("power", sw_batt=1)
    async with console(session, (140, 45)) as eyes:
        session.wait(5.0)
        await eyes.press("k")
        await eyes.see("the last 0:0", "and the next 60 s")
        # The head says that it is being written, into which file and for how long yet; then no more.
        await eyes.until(lambda: re.search(rf"● SAVING bench\.\d+T12000[5-9]Z {NEARLY_ALL}", eyes.text()) is not None)
        assert "not recording" not in eyes.text()
        session.wait(20.0)
        await eyes.until(lambda: re.search(r"0:(40|[23]\d) to go", eyes.text()) is not None, "40 s to go")
        session.wait(41.0)
        await eyes.gone("● SAVING")
        await eyes.see("○ not recording")
        session.keeper.end()
        (kept,) = tmp_path.glob("*.capture*")
        assert " is sw_batt=1 #" in kept.read_text()


@pytest.mark.slow
async def test_at_80_columns_the_head_tells_of_both(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    session = OnBoards()
    async with console(session) as eyes:
        session.wait(5.0)
        await eyes.see("F7 Timing")
        await eyes.press("k")
        # The tabs leave the file's name no room.
        await eyes.until(lambda: "● SAVING" in eyes.rows()[0] and re.search(NEARLY_ALL, eyes.rows()[0]) is not None)
        await eyes.press("r", "ctrl+u", *"night.capture", "enter")
        await eyes.until(lambda: re.search(f"● REC .*● SAVING {NEARLY_ALL}", eyes.rows()[0]) is not None)
        assert "F2 Face  F3  F4  F5  F6" in eyes.rows()[0], "the tabs that are not shown keep their keys"
        await eyes.press("k")
        await eyes.notified("the next 60 s are saved in bench.20260301T12000")


@pytest.mark.slow
def test_on_leaving_each_file_that_was_written_is_named_with_its_size(tmp_path: Path) -> None:
    with start(separate=True) as demo:
        ports = [desk.port for desk in demo.boards]
        words = ("-m", "benchcon", "console", *ports, "--panel", str(OSTREY))
        with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}, columns=140, rows=45, cwd=tmp_path) as terminal:
            terminal.until(lambda: terminal.text().count("supply 5.00 V") == 3, "three live boards")
            terminal.press("k")
            terminal.see("● SAVING bench")
            terminal.press("r")
            terminal.see("Record into", "Enter OK")
            terminal.press("enter")
            terminal.see("● REC bench")
            terminal.press("q")
            assert terminal.ended() == 0
    left = terminal.raw.decode().rpartition("\x1b[?1049l")[2]
    told = re.findall(r"benchcon: wrote (\S+): (\d+) records, \d+ kB \((\d+) B\), \d:\d\d\r\n", left)
    assert len(told) == 2, left
    for name, records, size in told:
        assert (tmp_path / name).stat().st_size == int(size)
        assert int(records) == records_in(tmp_path / name)
