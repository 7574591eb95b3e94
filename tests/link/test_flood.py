"""A board that says far more than anybody can use: the others, the screen and dark go on, and nothing is lost."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from hypothesis import given
from hypothesis import strategies as st
from link.boards import LONG_S, Flooder, PeerProcess, Watched, did

from benchcon.link.share import BURST_S, MOST, REST_MOST_S, Share

DARK_S = 0.5
"""The screen says that dark is not confirmed after so long: no flood may be the reason for that."""


@pytest.fixture
def flooder() -> Iterator[Flooder]:
    flooder = Flooder()
    yield flooder
    flooder.close()


@pytest.mark.slow
@pytest.mark.parametrize("watched", [False, True])
def test_dark_and_the_other_boards_go_past_a_flood_of_which_nothing_is_lost(
    flooder: Flooder,
    board: Callable[..., PeerProcess],
    bench: Callable[..., Watched],
    watched: bool,
) -> None:
    other = board()
    here = bench(flooder.port, other.port)

    def looks() -> bool:
        if watched:
            here.bench.beat()
        return True

    looks()
    source = here.stands(flooder.port, "live").source
    quiet = here.stands(other.port, "live").source
    did(here.bench.set_lamp(source, "l1", 1000))
    flooder.until("sent", lambda sent: looks() and sent > 100_000)
    did(here.bench.set_lamp(quiet, "l1", 500))
    assert flooder.say("lit") == {"l1": 1000}  # and its dead-man has not fired
    asked_ns = time.monotonic_ns()
    told = here.bench.dark().result(LONG_S)
    assert set(told.confirmed) == {source, quiet}
    assert flooder.say("dark") - asked_ns < DARK_S * 1e9
    assert flooder.say("lit") == {"l1": 0}
    with here.changed:
        counters = here.state.observer.counters(source)
        assert (counters.gaps, counters.bad) == (0, 0)


@pytest.mark.slow
def test_dark_and_help_at_the_console_under_a_flood(flooder: Flooder, tmp_path: Path) -> None:
    env = {"BENCHCON_HOME": str(tmp_path), "BENCHCON_LOCKS": str(tmp_path)}
    with Terminal("-m", "benchcon", "console", flooder.port, env=env, columns=140, rows=45) as terminal:
        terminal.see("● flood")
        begun = time.monotonic()
        # Longer than the dead-man's two seconds: the screen's loop turns often enough to feed it.
        terminal.until(lambda: time.monotonic() - begun > 4, "some seconds of it")
        assert flooder.say("sent") > 20_000
        assert flooder.say("dark") == 0
        pressed_ns = time.monotonic_ns()
        terminal.press("F9")
        terminal.see("Dark, confirmed by every board")
        assert 0 < flooder.say("dark") - pressed_ns < DARK_S * 1e9
        terminal.press("F1")
        terminal.see("Everywhere")
        terminal.press("F1")
        terminal.press("q")
        assert terminal.ended() == 0


@given(st.lists(st.tuples(st.floats(0, 0.01), st.floats(0, 0.1)), max_size=200))
def test_the_share_is_kept_however_reads_come(reads: list[tuple[float, float]]) -> None:
    share, now_s, used_s = Share(), 0.0, 0.0
    for costs_s, pause_s in reads:
        now_s += pause_s + costs_s
        used_s += costs_s
        rest_s = share.rest(costs_s, now_s)
        assert 0 <= rest_s <= REST_MOST_S
        now_s += rest_s
    # One read cannot be undone, and a rest is cut short where somebody would notice it.
    if all(costs_s * (1 / MOST - 1) <= REST_MOST_S / 2 for costs_s, _ in reads):
        assert used_s <= now_s * MOST + BURST_S + 0.01
