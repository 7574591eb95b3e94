"""The bench on real pseudo-terminals, with boards in other processes."""

from __future__ import annotations

import threading
from collections.abc import Callable

from link.boards import PeerProcess, Watched, did

from benchcon.wire import events as ev

Boards = Callable[..., PeerProcess]
Benches = Callable[..., Watched]


def test_a_board_is_brought_up_and_driven(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    info = here.stands(desk.port, "live")
    assert (info.ident, info.rate) == ("lighting", 115200)
    assert did(here.bench.set_lamp(info.source, "l1", 500)).answer is not None
    assert did(here.bench.set_digits(info.source, "d1", bytes([0x7E, 0x30])))
    assert desk.say("values")["l1"] == 500
    assert desk.say("values")["d1"] == 0x7E30
    desk.say("change sw1 1")
    here.wait(lambda: any(isinstance(event, ev.Moved) for event in here.events))
    state = here.state.board_named("lighting")
    assert state is not None
    assert state.channels["l1"].value == 500
    assert state.channels["sw1"].value == 1
    stamps = [batch.at_us for batch in here.batches]
    assert stamps == sorted(stamps)
    assert here.threads == {here.bench._thread.ident}  # type: ignore[union-attr]
    assert threading.get_ident() not in here.threads
