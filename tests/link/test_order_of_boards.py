"""Boards without a panel file stand on the screen as their ports were named, not as they happen to answer."""

from __future__ import annotations

from collections.abc import Callable

from link.boards import PeerProcess, Watched

from benchcon.panel.model import Panel
from benchcon.state.described import completed


def test_a_board_that_answers_late_keeps_its_place(
    board: Callable[..., PeerProcess], bench: Callable[..., Watched]
) -> None:
    late, early = board(ident="wing"), board(ident="tail")
    late.say("stall 1")
    here = bench(late.port, early.port)
    here.stands(early.port, "live")
    late.say("stall 0")
    here.stands(late.port, "live")
    with here.changed:
        panel = completed(Panel(), here.state)
    assert [each.name for each in panel.boards] == ["wing", "tail"]
