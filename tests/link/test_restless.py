"""Boards that would keep their host busy for ever: it asks less often, says so, and stays alive."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from link.boards import PeerProcess, Watched, did

from benchcon.capture import Writer
from benchcon.link.numbers import MOST_BOARDS
from benchcon.session import ReplaySession
from benchcon.state import BenchState
from benchcon.state import bench as bench_state
from benchcon.wire.asking import AGAIN_AT_ONCE, Patience
from benchcon.wire.codec import notification
from benchcon.wire.records import LINE_UP, Batch

LOOK_S = 3.0
SENSIBLE = {"pages": 900, "resets": 100, "jumps": 100, "idents": 100}
"""Requests a second that are still sensible. `pages`: once a second up to 256 are asked for; unbounded it was 9000."""


class Hostile:
    def __init__(self, how: str) -> None:
        script = str(Path(__file__).with_name("hostile.py"))
        self.process = subprocess.Popen(
            [sys.executable, script, how], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        self.port = self.process.stdout.readline().strip()

    def count(self) -> int:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        print(file=self.process.stdin, flush=True)
        return int(self.process.stdout.readline())

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def hostile() -> Iterator[Callable[[str], Hostile]]:
    started: list[Hostile] = []

    def start(how: str) -> Hostile:
        started.append(Hostile(how))
        return started[-1]

    yield start
    for each in started:
        each.close()


@pytest.mark.slow
@pytest.mark.parametrize("how", sorted(SENSIBLE))
def test_the_host_asks_less_often_says_so_and_the_other_boards_go_on(
    hostile: Callable[[str], Hostile],
    board: Callable[..., PeerProcess],
    bench: Callable[..., Watched],
    how: str,
) -> None:
    worst, other = hostile(how), board()
    here = bench(worst.port, other.port)
    quiet = here.stands(other.port, "live").source
    why = {"jumps": "gaps", "idents": "resets"}.get(how, how)
    here.wait(lambda: here.linked(f"restless why={why}"))
    before, begun = worst.count(), time.monotonic()
    here.wait(lambda: time.monotonic() - begun > LOOK_S)  # the other board's heartbeat wakes it
    assert (worst.count() - before) / (time.monotonic() - begun) < SENSIBLE[how]
    did(here.bench.set_lamp(quiet, "l1", 500))
    info = next(info for info in here.bench.ports() if info.port == worst.port)
    assert info.text
    assert here.bench.dark().result().confirmed


def test_a_board_with_a_new_ident_at_each_start_does_not_fill_the_bench(
    board: Callable[..., PeerProcess], bench: Callable[..., Watched], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchcon.link.numbers.MOST_BOARDS", 5)
    peer = board()
    here = bench(peer.port)
    source = here.stands(peer.port, "live").source
    for number in range(9):
        ident = f"desk{number}"
        # Not asked for by this program: another one gave it the new ident.
        peer.say(f"ident {ident}")
        here.wait(lambda ident=ident: any(board.ident == ident for board in here.state.boards.values()))
        source = here.stands(peer.port, "live").source
    assert len(here.state.boards) <= 5
    assert here.linked("forgotten ident=desk why=too%20many%20boards")
    did(here.bench.set_lamp(source, "l1", 500))
    assert MOST_BOARDS >= 16  # more than anybody plugs in


def test_a_capture_of_twenty_thousand_boards_is_read_in_bounded_memory(tmp_path: Path) -> None:
    path = tmp_path / "many.capture"
    state = BenchState()
    writer = Writer(path, datetime(2026, 3, 1, tzinfo=UTC), state.keyframe)
    for source in range(1, 20_001):
        batch = Batch(source, source, LINE_UP, [notification(0, source, ("is", "sw1=1"))])
        state.feed(batch)
        writer.write([batch])
    writer.close()
    session = ReplaySession(path)
    session.jump(session.last_us)
    assert len(session.state.boards) == bench_state.MOST_BOARDS
    assert session.state.left_out > 0
    assert len(session.state.keyframe()) < 1_000_000
    session.close()


@given(st.lists(st.integers(0, 3_000_000), max_size=100))
def test_patience_lets_ten_through_at_once_and_one_a_second(pauses: list[int]) -> None:
    patience, now_us = Patience(), 0
    done: list[int] = []
    for pause_us in pauses:
        now_us = max(now_us + pause_us, done[-1] if done else 0)
        done.append(patience.due_us(now_us))
        assert done[-1] >= now_us
        within = [at_us for at_us in done if at_us > done[-1] - 10_000_000]
        assert len(within) <= AGAIN_AT_ONCE + 10
    if pauses and min(pauses[1:], default=1_000_000) >= 1_000_000:
        assert done[-1] == now_us  # never late where it is asked for once a second
