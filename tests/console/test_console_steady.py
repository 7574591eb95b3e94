"""The screen itself does not flash, whatever a contact does.

Source: WCAG 2.x, success criterion 2.3.1: no more than three flashes in any one second, a flash being a pair of
opposing changes. The screen is held to half of that: three changes.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.on_boards import OSTREY
from hypothesis import example, given
from hypothesis import strategies as st

from benchcon.demo import Demo, start
from benchcon.view.steady import QUIET_US, Steady, SteadyPace

SECOND = 1_000_000
FRAME_US = 50_000


def most_in_a_second(times: list[int], late_us: int = 0) -> int:
    """`late_us`: how much later than another a change may be seen than it was drawn."""
    return max((sum(0 <= each - first < SECOND - late_us for each in times) for first in times), default=0)


class Tile:
    """A part looked at once a frame, as the face does it."""

    def __init__(self, swing: int = 1) -> None:
        self.steady = Steady(swing)
        self.now_us = 0
        self.shown: int | None = None
        self.changes: list[int] = []
        self.counts: list[int] = []
        self.moves = 0

    def look(self, state: int, moves: int = 0) -> None:
        self.now_us += FRAME_US
        self.moves += moves
        count = self.steady.take(state, self.now_us, self.moves)
        self.counts.append(count)
        if not count:
            if self.shown is not None and state != self.shown:
                self.changes.append(self.now_us)
            self.shown = state


@given(st.lists(st.tuples(st.integers(0, 1), st.integers(1, 12)), min_size=1, max_size=80))
@example([(0, 1), (1, 1), (0, 3), (1, 6), (0, 12), (1, 1), (0, 11), (1, 1)])  # what came to rest moves again at once
def test_two_states_are_shown_no_more_than_three_changes_a_second_and_the_last_one_in_the_end(
    worked: list[tuple[int, int]],
) -> None:
    tile = Tile()
    for state, frames in worked:
        for _ in range(frames):
            tile.look(state)
    for _ in range(2 * SECOND // FRAME_US):
        tile.look(worked[-1][0])
    assert most_in_a_second(tile.changes) <= 3
    assert tile.shown == worked[-1][0]
    assert tile.counts[-1] == 0


def test_every_change_is_counted_while_it_chatters_and_a_hand_that_taps_does_not_chatter() -> None:
    tile = Tile()
    for frame in range(40):
        tile.look(frame % 2, moves=3)
    assert tile.steady.chatters
    assert tile.counts[-1] > 100  # what happened between the looks as well
    assert len(tile.changes) == 3
    for _ in range(QUIET_US // FRAME_US + 1):
        tile.look(1)
    assert tile.counts[-1] == 0
    tapping = Tile()
    for state in (1, 0, 1, 0):  # two taps within half a second
        for _ in range(3):
            tapping.look(state)
    assert not tapping.steady.chatters


def test_what_moves_on_is_shown_as_it_moves() -> None:
    selector = Tile()
    for position in range(12):
        selector.look(position)
    assert not any(selector.counts)
    dimmed = Tile(swing=100)
    for level in [*range(0, 1001, 50), *range(1000, -1, -50)]:
        dimmed.look(level)
    assert not any(dimmed.counts)


@given(st.lists(st.integers(0, 900_000), min_size=1, max_size=60))
def test_the_pace_lets_three_pass_in_any_second_and_the_first_two_at_once(gaps: list[int]) -> None:
    pace = SteadyPace()
    passed: list[int] = []
    for now_us in itertools.accumulate(gaps):
        if not pace.wait_us(now_us):
            pace.go(now_us)
            passed.append(now_us)
    assert most_in_a_second(passed) <= 3
    assert SteadyPace().wait_us(0) == 0
    pace = SteadyPace()
    pace.go(0)
    assert pace.wait_us(1) == 0


@pytest.fixture
def demo() -> Iterator[Demo]:
    with start(separate=True) as demo:
        yield demo


@pytest.mark.slow
def test_a_chattering_contact_does_not_make_a_real_screen_flash(demo: Demo, tmp_path: Path) -> None:
    """A contact of a simulated board tells 40 changes a second; what a terminal shows of it is looked at for 4 s."""
    words = ["-m", "benchcon", "console", *(desk.port for desk in demo.boards), "--panel", str(OSTREY)]
    with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path)}) as terminal:
        terminal.until(lambda: terminal.text().count("● live") == 3, "three live boards")
        demo.hands["power"].ask("fault", "storm", "sw_batt", "rate=40Hz")
        terminal.see("×")
        tiles: list[tuple[int, str]] = []
        large: list[tuple[int, str]] = []
        end = time.monotonic() + 4.0  # so long it is looked at: there is nothing to wait for
        while time.monotonic() < end:
            terminal.read(0.005)
            now_us = time.monotonic_ns() // 1000
            rows = terminal.text().splitlines()
            name = next(number for number, row in enumerate(rows) if "BATTERY  " in row)
            state = rows[name + 1][rows[name].index("BATTERY  ") :][:1]
            for kept, seen in ((tiles, state), (large, "\n".join(rows[18:23]))):
                if kept and now_us - kept[-1][0] < FRAME_US // 2:
                    kept[-1] = kept[-1][0], seen  # the rest of a picture that was read in two halves
                elif not kept or kept[-1][1] != seen:
                    kept.append((now_us, seen))
        for kept in (tiles, large):
            times = [at_us for at_us, _ in kept[1:]]
            # The console limits what it draws; a busy machine brings a picture to the terminal two frames late.
            assert most_in_a_second(times, 2 * FRAME_US) <= 3, times
        assert len(large) >= 5  # the count goes on
        demo.hands["power"].clear()
        terminal.until(lambda: "×" not in terminal.text(), "the state as it is")
        terminal.press("q")
        assert terminal.ended() == 0
