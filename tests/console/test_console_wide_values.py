"""Values that fill all 64 bits, as a display of eight digits with its leftmost point lit does, break nothing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.looking import console
from console.on_boards import OnBoards
from hypothesis import given
from hypothesis import strategies as st

from benchcon.console.timeline import TimeLine
from benchcon.demo import Demo, start
from benchcon.panel.file import load
from benchcon.replay.tracks import tracks_of
from benchcon.session import ReplaySession
from benchcon.view.history import UNKNOWN, HistoryTrack

PANEL = """\
[boards.counter]
chip = "atmega328p"

[displays.total]
label = "Total"
digits = 8
channel = "counter.d_total"

[controls.count]
label = "Count"
kind = "button"
channel = "counter.sw1"
"""
ALL_LIT = bytes([0xFF] * 8)
"""Segments of ``8.8.8.8.8.8.8.8.``: every bit of 64."""
LEFT_POINT = bytes([0x80, *bytes(7)])
"""The leftmost point alone: 2^63, where signed numbers of 64 bits turn over."""


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("panel") / "counter.toml"
    path.write_text(PANEL)
    return path


@pytest.fixture(scope="module")
def board(panel: Path) -> Iterator[Demo]:
    with start(panel=panel, separate=True) as board:
        yield board


def test_a_point_behind_each_of_eight_digits_typed_on_a_real_board(board: Demo, panel: Path, tmp_path: Path) -> None:
    words = ("-m", "benchcon", "console", board.boards[0].port, "--panel", str(panel))
    with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
        terminal.see("TOTAL", "COUNTER")
        terminal.see("● live")
        terminal.press("right", *"8.8.8.8.8.8.8.8.")
        terminal.until(lambda: board.hands["counter"].shown("d_total") == ALL_LIT, "all segments lit")
        terminal.press("F6")
        terminal.see("8.8.8.8.8")  # the time line's last column, as much of it as has room
        terminal.press("F2")
        board.hands["counter"].press("sw1")
        terminal.see("████ pressed")
        terminal.press("\r", "q")
        assert terminal.ended() == 0, terminal.text()


async def test_sixteen_digits_of_hex_in_a_notification_harm_nothing() -> None:
    session = OnBoards()
    source = session.source("power")

    def stands(channel: str) -> int:
        return eyes.app.model.past.value_at((source, channel), 1 << 60)

    async with console(session, (140, 45)) as eyes:
        await eyes.press("f6")
        session.wait(1)
        session.says("power", "is", "sw_main=" + 16 * "F")
        session.says("power", "is", "volts=8000000000000000")
        await eyes.until(lambda: (stands("sw_main"), stands("volts")) == ((1 << 64) - 1, 1 << 63))
        session.wait(1)
        session.moved("power", sw_main=0)
        await eyes.until(lambda: stands("sw_main") == 0, "the console to go on")


@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, (1 << 64) - 1)), max_size=30))
def test_the_time_line_keeps_any_value_of_64_bits_as_it_is(changes: list[tuple[int, int]]) -> None:
    track = HistoryTrack()
    for at_us, value in sorted(changes, key=lambda pair: pair[0]):
        track.add(at_us, value)
    assert UNKNOWN not in track.values
    if changes:
        last = sorted(changes, key=lambda pair: pair[0])[-1]
        assert track.value_at(10_000) == last[1]
        assert track.stretches(0, 20_000, 1)[0].value == last[1]


def recorded(path: Path) -> None:
    """All segments lit, then the leftmost point alone, with a keyframe between them and one after."""
    session = OnBoards(load(path.with_name("counter.toml")), simulated=False)
    source = session.source("counter")
    session.start_recording(path)
    for segments in (ALL_LIT, LEFT_POINT):
        session.wait(1)
        session.bench.set_display(source, "d_total", segments)
        for _ in range(40):  # the writer's own pace brings a keyframe
            session.wait(1)
    session.stop_recording()


async def test_such_values_are_drawn_from_a_capture_and_its_keyframes(tmp_path: Path) -> None:
    (tmp_path / "counter.toml").write_text(PANEL)
    path = tmp_path / "wide.capture"
    recorded(path)
    replay = ReplaySession(path)
    async with console(replay, (140, 45)) as eyes:
        await eyes.press("f6")
        past = eyes.app.model.past
        line = eyes.app.screen.query_one(TimeLine)
        await eyes.until(lambda: "Total" in eyes.text() and "┃" in eyes.text(), "the display's row with its changes")
        line.put(replay.last_us)
        key = (1, "d_total")
        await eyes.until(lambda: past.value_at(key, replay.last_us) == 1 << 63, "the leftmost point")
        await eyes.until(lambda: past.reach(key)[1] == (1 << 64) - 1, "the stretch before it to be read as well")
        assert not past.trouble  # type: ignore[attr-defined]


def test_such_a_capture_through_the_commands(tmp_path: Path) -> None:
    (tmp_path / "counter.toml").write_text(PANEL)
    path = tmp_path / "wide.capture"
    recorded(path)
    track = next(track for track in tracks_of(path).tracks.values() if track.channel == "d_total")
    shown = [track.shown(value) for value in track.values]
    assert shown[1] == "'8.8.8.8.8.8.8.8.'"
    assert shown[2] != "not known", "the leftmost point alone is a value like any other"
    for words in (
        ["replay", path.name, "--headless"],
        ["compare", path.name, path.name, "--html", "o.html"],
        ["export", path.name, "-o", "o.vcd"],
        ["export", path.name, "-o", "o.csv"],
        ["replay", path.name, "--against", "state"],
    ):
        done = subprocess.run(
            [sys.executable, "-m", "benchcon", *words],
            cwd=tmp_path,
            env=os.environ | {"BENCHCON_TRACEBACK": "1"},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, (words, done.stderr)
