"""What the link makes of outputs by itself is in the stream: a lamp that is off for good is never one that blinks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from link.boards import PeerProcess, Watched, did

from benchcon.state import BenchState, ChannelState
from benchcon.wire import events as ev
from benchcon.wire.records import BENCH, KEYFRAME, Batch

Boards = Callable[..., PeerProcess]
Benches = Callable[..., Watched]


def lamp(here: Watched, source: int) -> ChannelState:
    return here.state.boards[source].channels["l1"]


@pytest.mark.slow
@pytest.mark.parametrize("ends", ["reset", "unplug", "deadman", "dark", "level", "end", "release"])
def test_a_lamp_blinks_as_long_as_it_is_said_to_blink(board: Boards, bench: Benches, ends: str) -> None:
    peer = board()
    here = bench(peer.port, deadman_ms=1000)
    source = here.stands(peer.port, "live").source
    here.bench.blink(source, "l1", True)
    here.wait(lambda: lamp(here, source).blinking)
    peer.until("shown", lambda shown: len([1 for _, channel, value in shown if channel == "l1" and value]) >= 2)
    assert here.wait(lambda: lamp(here, source).blinking)
    off = 0
    if ends in ("reset", "unplug"):
        peer.say(ends)
    elif ends == "deadman":
        here.bench.beat()  # and never again: the screen stands still, and nothing is sent after a second
    elif ends == "dark":
        here.bench.dark().result()
    elif ends == "level":
        did(here.bench.set_lamp(source, "l1", off := 700))
    elif ends == "end":
        here.bench.blink(source, "l1", False)
    else:
        here.bench.release(peer.port).result()
    here.wait(lambda: not lamp(here, source).blinking)
    if ends == "unplug":
        return
    peer.until("values", lambda values: values["l1"] == off)
    shown = len(peer.say("shown"))
    if ends != "release":
        # Two heartbeats, a second apart: the blinking would have shown itself by then.
        heard = sum(isinstance(event, ev.Alive) for event in here.events)
        here.wait(lambda: sum(isinstance(event, ev.Alive) for event in here.events) >= heard + 2)
    assert len(peer.say("shown")) == shown
    assert not lamp(here, source).blinking


def test_a_board_that_comes_back_does_not_go_on_blinking(board: Boards, bench: Benches) -> None:
    peer = board()
    here = bench(peer.port)
    source = here.stands(peer.port, "live").source
    here.bench.blink(source, "l1", True)
    here.wait(lambda: lamp(here, source).blinking)
    boots = here.state.boards[source].boots
    peer.say("reset")
    here.wait(lambda: here.state.boards[source].boots > boots and here.state.boards[source].known)
    assert not lamp(here, source).blinking
    # What was on its way when it was reset is not said again, or is undone.
    peer.until("values", lambda values: values["l1"] == 0)
    here.wait(lambda: lamp(here, source).value == 0)


def test_what_waits_is_known_with_its_reason_until_it_goes(board: Boards, bench: Benches) -> None:
    peer = board()
    here = bench(peer.port)
    source = here.stands(peer.port, "live").source
    for level in [1000, 0] * 4:  # a fourth flash within a second has to wait
        here.bench.set_lamp(source, "l1", level)
        here.wait(lambda level=level: lamp(here, source).value == level or lamp(here, source).held)
        if lamp(here, source).held:
            break
    assert (lamp(here, source).held, lamp(here, source).wanted) == ("flash", 1000)
    here.wait(lambda: not lamp(here, source).held)
    assert lamp(here, source).wanted is None
    here.wait(lambda: lamp(here, source).value == 1000)


def test_a_capture_that_begins_in_the_middle_knows_what_blinks(board: Boards, bench: Benches) -> None:
    peer = board()
    here = bench(peer.port)
    source = here.stands(peer.port, "live").source
    here.bench.blink(source, "l1", True)
    here.wait(lambda: lamp(here, source).blinking)
    with here.changed:
        keyframe = here.state.keyframe()
        since = len(here.batches)
    here.bench.blink(source, "l1", False)
    here.wait(lambda: not lamp(here, source).blinking)
    later = BenchState()
    later.feed(Batch(0, BENCH, KEYFRAME, [keyframe]))
    assert later.boards[source].channels["l1"].blinking
    with here.changed:
        for batch in here.batches[since:]:
            later.feed(batch)
        assert later.as_json(0) == here.state.as_json(0)


def test_the_console_shows_a_lamp_blinking_only_while_it_does(board: Boards, tmp_path: Path) -> None:
    peer = board()
    env = {"BENCHCON_HOME": str(tmp_path), "BENCHCON_LOCKS": str(tmp_path)}
    with Terminal("-m", "benchcon", "console", peer.port, env=env, columns=140, rows=45) as terminal:
        terminal.see("● desk", "L1", "off")
        terminal.press("right", "right", "b")
        terminal.see("blink")
        peer.until("values", lambda values: values["l1"] == 1000)
        peer.say("reset")
        terminal.see("l1 stops blinking")
        terminal.until(lambda: "● blink" not in terminal.text(), "a lamp that is off")
        terminal.press("q")
        assert terminal.ended() == 0
