"""What is called live, and for how long: one rule everywhere, and no praise for a link that has trouble."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from link.boards import PeerProcess, Watched, did

from benchcon.state.changes import OF_BOARDS, Changes
from benchcon.view.board_status import status_of
from benchcon.view.palette import GOOD
from benchcon.wire.silence import silent_after_us

Boards = Callable[..., PeerProcess]
Benches = Callable[..., Watched]


def test_a_link_without_trouble_is_live_in_green(board: Boards, bench: Benches) -> None:
    peer = board()
    here = bench(peer.port)
    source = here.stands(peer.port, "live").source
    here.wait(lambda: here.state.boards[source].weakness(here.bench.now_us()) == "")
    look = status_of(here.state.boards[source], here.bench.now_us())
    assert (look.shape, look.colour, look.word) == ("●", GOOD, "live")


@pytest.mark.parametrize(
    ("options", "word", "advice"),
    [
        ({"damage": True}, "bad lines", "cable"),
        ({"deaf": True}, "repeats", "receiver"),
        ({"late_s": 0.016}, "slow", "adapter"),
    ],
)
def test_a_link_that_has_trouble_is_not_shown_as_a_good_one(
    board: Boards, bench: Benches, options: dict[str, object], word: str, advice: str
) -> None:
    peer = board(**options)
    here = bench(peer.port, deadman_ms=5000)
    source = here.stands(peer.port, "live").source
    here.wait(lambda: here.state.boards[source].weakness(here.bench.now_us()) == word)
    with here.changed:
        look = status_of(here.state.boards[source], here.state.at_us)
    assert look.word.startswith(word)
    assert (look.shape, look.colour) != ("●", GOOD)
    assert advice in look.advice
    # What it says stands all the same.
    assert here.state.boards[source].liveness(here.state.at_us) == "live"


def test_lines_that_are_lost_are_trouble_for_ten_seconds(board: Boards, bench: Benches) -> None:
    peer = board()
    here = bench(peer.port)
    source = here.stands(peer.port, "live").source
    found = here.state.boards[source]
    peer.say("skip")
    peer.say("change sw1 1")
    here.wait(lambda: found.trouble == "lines lost")
    assert found.weakness(found.trouble_us + 9_000_000) == "lines lost"
    assert found.weakness(found.trouble_us + 10_000_000) == ""


def test_silence_is_judged_by_the_boards_own_period_everywhere(board: Boards, bench: Benches) -> None:
    peer = board()
    here = bench(peer.port, deadman_ms=None)
    source = here.stands(peer.port, "live").source
    found = here.state.boards[source]
    did(here.bench.ask(source, ("alive", "0064")))
    here.wait(lambda: found.silent_after_us == silent_after_us(100_000) == 300_000)
    peer.say("stall 1")
    heard_us = found.last_heard_us or 0
    # The link's word for the port, the state's for the board and the time line's follow one clock.
    here.stands(peer.port, "silent")
    now_us = here.bench.now_us()
    assert 300_000 < now_us - (found.last_heard_us or 0) < 2_900_000 + (found.last_heard_us or 0) - heard_us
    assert found.liveness(now_us) == "silent"
    changes = Changes(here.state, shown=True)
    changes.begin(found.last_heard_us or 0)
    gone = changes.tick(now_us)
    assert {change.channel for change in gone} - {*OF_BOARDS} == set(found.channels)
    assert {change[:2] for change in gone} == {((found.last_heard_us or 0) + 300_000, source)}
    assert {change.value for change in gone} == {None}
