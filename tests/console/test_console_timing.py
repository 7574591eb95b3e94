"""Timing in the console: figures, plots and the last delay in large letters, from a capture that is played."""

from __future__ import annotations

from pathlib import Path

import pytest
from console.looking import console
from replay.story import write
from timing.known_delays import PANEL, KnownDelays
from timing.simulated_links import SimulatedLinks

from benchcon.console import glyphs
from benchcon.console.timing_screen import TimingScreen
from benchcon.console.touched import LargeText, Touched
from benchcon.session import ReplaySession


def evening(tmp_path: Path) -> ReplaySession:
    told = KnownDelays()
    for number in range(12):
        at = 1e6 + number * 600_000
        told.move(at, "b1=1")
        told.move(at + 90_000, "b1=0")
        told.set(at + (140_000 if number == 5 else 42_000), f"l1={500 * (number % 2 == 0):03X}")
    panel = PANEL.replace('channel = "right.l1"\nanswers = "hdg_button"\nwithin = "100 ms"', 'channel = "right.l1"')
    session = ReplaySession(told.write(tmp_path / "evening.capture", panel))
    session.speed = 8
    return session


async def test_figures_plots_and_the_last_delay_stand_there(tmp_path: Path) -> None:
    session = evening(tmp_path)
    async with console(session, size=(140, 45)) as eyes:
        await eyes.press("f7")
        await eyes.see("Hdg button → Hdg lit", "hdg_button → hdg_lit")
        session.playing = True
        await eyes.see("Hdg button → Hdg lit: 12 movements, 12 answered", "1 over", "140.0 ms", "42.0 ms")
        await eyes.see("on average: ░ debounce 10.0 ms", "by the board's own clock")
        text = eyes.text()
        assert "█" in text
        assert "•" in text
        assert "┊" in text, "the limit"
        screen = eyes.app.screen
        assert isinstance(screen, TimingScreen)
        last = screen.stopwatch.last()
        assert last is not None
        # The last figure can be read from afar: its digits are drawn.
        big = LargeText("Hdg button → Hdg lit", "42.0 ms")
        await eyes.until(lambda: screen.query_one(Touched).big == big)
        drawn = [glyphs.drawn("42.0 ms", face) for face in glyphs.FACES]
        assert any(all(row.strip() in eyes.text() for row in rows) for rows in drawn)
        await eyes.press("escape")
        await eyes.see("Face")


async def test_labels_stand_there_and_the_names_beside_them_only_where_there_is_room(tmp_path: Path) -> None:
    session = evening(tmp_path)
    async with console(session) as eyes:
        await eyes.press("f7")
        await eyes.see("Hdg button → Hdg lit", "100 ms")
        session.playing = True
        await eyes.see("answered")
        assert "hdg_" not in eyes.text()


async def test_the_pair_that_answered_last_is_looked_at_until_the_user_selects_one(tmp_path: Path) -> None:
    told = KnownDelays()
    told.move(1e6, "e1=0001")
    told.set(1e6 + 40_000, "d1=060606", source=2)
    session = ReplaySession(told.write(tmp_path / "course.capture", PANEL))
    async with console(session, size=(140, 45)) as eyes:
        await eyes.press("f7")
        await eyes.see("Hdg button → Hdg lit: not moved")
        with session.lock:
            session.jump(session.last_us)
        await eyes.see("Course → Course shown: 1 movement, 1 answered")
        await eyes.press("up")
        await eyes.see("Hdg button → Hdg far: not moved")


@pytest.mark.parametrize("size", [(80, 24), (60, 24), (100, 30)])
async def test_all_that_is_explained_is_seen_and_nothing_leaves_the_screen(
    tmp_path: Path, size: tuple[int, int]
) -> None:
    session = evening(tmp_path)
    async with console(session, size=size) as eyes:
        with session.lock:
            session.jump(session.last_us)
        await eyes.press("f7")
        await eyes.see("12 movements, 12 answered", "on average")
        screen = eyes.app.screen
        touched, explained = screen.query_one(Touched), screen.query_one("#explained")
        await eyes.until(lambda: touched.region.bottom == size[1] - 1, "the last delay right above the keys")
        assert "F1 Help" in eyes.rows()[-1]
        assert explained.region.bottom <= touched.region.y
        assert screen.max_scroll_y == 0


async def test_all_of_a_recording_until_where_it_stands_counts_however_one_got_there(tmp_path: Path) -> None:
    session = evening(tmp_path)
    async with console(session, size=(140, 45)) as eyes:
        with session.lock:
            session.jump(session.last_us)
        await eyes.press("f7")
        await eyes.see("12 movements, 12 answered", "in this capture up to here")
        with session.lock:
            session.jump(session.first_us + 4_300_000)
        await eyes.see("6 movements, 6 answered")


async def test_nothing_is_measured_in_a_recording_of_virtual_time(tmp_path: Path) -> None:
    real = evening(tmp_path).path
    path = tmp_path / "rehearsed.capture"
    header, rest = real.read_bytes().split(b"\n", 1)
    path.write_bytes(header + b" time=virtual\n" + rest)
    session = ReplaySession(path)
    session.jump(session.last_us)
    async with console(session, size=(140, 45)) as eyes:
        await eyes.press("f7")
        await eyes.see("a rehearsal in virtual time")
        assert "answered" not in eyes.text()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("trouble", "word", "sentence"),
    [
        ("down", "bad line to it", "Its line to the board (RX)"),
        ("timer", "waits 16 ms", "latency timer"),
        ("supply", "weak supply", "gives way under load"),
        ("", "", ""),
    ],
)
async def test_every_view_says_what_is_wrong_with_a_link(
    tmp_path: Path, trouble: str, word: str, sentence: str
) -> None:
    path = write(
        tmp_path / "link.capture", SimulatedLinks(trouble, 4).stream(), panel="[boards.desk]\n[boards.other]\n"
    )
    session = ReplaySession(path)
    session.jump(session.last_us)
    async with console(session, size=(140, 45)) as eyes:
        if not trouble:
            await eyes.until(lambda: eyes.app.model.stopwatch.span.startswith("in this"), "the recording to be read")
            await eyes.see("● desk", "● other")
            return
        await eyes.see("◍ desk", "● other", f"◍ {word}")
        for key in ("f3", "f4", "f6"):
            await eyes.press(key)
            await eyes.see("◍ desk", "● other")
        await eyes.press("f5")
        await eyes.see(f"◍ {word}", sentence, "round trip", "heartbeats", "bad lines")
        assert any(bar in eyes.text() for bar in "▂▃▄▅▆▇"), "a curve"


async def test_a_recording_that_jumps_back_is_measured_again(tmp_path: Path) -> None:
    session = evening(tmp_path)
    async with console(session, size=(100, 30)) as eyes:
        await eyes.press("f7")
        session.playing = True
        await eyes.see("12 movements, 12 answered")
        with session.lock:
            session.jump(session.first_us)
        session.playing = True
        await eyes.see("12 movements, 12 answered")
