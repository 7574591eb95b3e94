"""Two boards with one ident: the one that is linked stays what stands under that name, the other is what it is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from link.boards import PeerProcess, Watched, did

from benchcon.panel.model import Panel
from benchcon.state.described import completed

Boards = Callable[..., PeerProcess]
Benches = Callable[..., Watched]


@pytest.mark.parametrize("loser_is_named_first", [False, True])
def test_the_linked_one_stands_under_the_name(board: Boards, bench: Benches, loser_is_named_first: bool) -> None:
    healthy = board(ident="lighting")
    if loser_is_named_first:
        twin = board(ident="lighting")  # its number is the lower one, and it answers later
        twin.say("stall 1")
        here = bench(twin.port, healthy.port)
    else:
        here = bench(healthy.port)
    source = here.stands(healthy.port, "live").source
    if loser_is_named_first:
        twin.say("stall 0")
    else:
        twin = board(ident="lighting")
        here.bench.add_port(twin.port)
    lost = here.stands(twin.port, "duplicate").source
    assert (lost < source) == loser_is_named_first
    here.wait(lambda: here.state.boards[lost].duplicate)
    found = here.state.board_named("lighting")
    assert found is not None
    assert (found.source, found.liveness(here.bench.now_us())) == (source, "live")
    did(here.bench.set_lamp(source, "l1", 500))
    healthy.until("values", lambda values: values["l1"] == 500)
    assert found.channels["l1"].value == 500
    with here.changed:
        panel = completed(Panel(), here.state)
    assert [each.name for each in panel.boards] == ["lighting"]
    assert sorted(lamp.channel.id for lamp in panel.lamps) == ["l1", "l2"]
    # With an ident of its own it is a board like any other.
    did(here.bench.ident(lost, "lighting_2"))
    here.stands(twin.port, "live")
    here.wait(lambda: (other := here.state.board_named("lighting_2")) is not None and other.source == lost)
    assert here.state.board_named("lighting") is found


def test_the_console_shows_the_healthy_one_and_says_what_the_other_is(board: Boards, tmp_path: Path) -> None:
    twin, healthy = board(ident="desk"), board(ident="desk")
    twin.say("stall 1")
    env = {"BENCHCON_HOME": str(tmp_path), "BENCHCON_LOCKS": str(tmp_path)}
    ports = (twin.port, healthy.port)
    with Terminal("-m", "benchcon", "console", *ports, env=env, columns=140, rows=45) as terminal:
        terminal.see("● desk", "open")
        twin.say("stall 0")
        terminal.see("● desk", "another board with the ident")
        healthy.say("change sw1 1")
        terminal.see("made")
        assert "● desk" in terminal.text()
        terminal.press("F5")
        terminal.see("! ident taken", "● live")
        terminal.press("q")
        assert terminal.ended() == 0, terminal.raw[-600:]
