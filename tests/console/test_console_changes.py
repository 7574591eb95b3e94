"""What the screen makes of changes: nothing stays wrong on it, however long it stood still."""

from __future__ import annotations

import pytest
from console.on_boards import OnBoards

from benchcon.view import event_feed
from benchcon.view.history import UNKNOWN
from benchcon.view.model import ViewModel


@pytest.fixture
def session() -> OnBoards:
    return OnBoards()


@pytest.fixture
def model(session: OnBoards) -> ViewModel:
    model = ViewModel(session, lambda *told: None)
    model.look()
    return model


def test_after_a_standstill_the_time_line_ends_where_the_switches_stand(
    session: OnBoards, model: ViewModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(event_feed, "MOST_WAITING", 8)
    key = (session.source("lighting"), "sw_app")
    session.moved("lighting", sw_app=1)
    for turn in range(20):  # so many that the switch's own change is dropped
        session.wait(0.001)
        session.moved("power", volts=100 + turn)
    model.look()
    model.look()
    assert model.history.value_at(key, session.at_us) == 1
    assert model.feed.events_dropped > 0


def test_a_part_is_moved_when_its_board_says_so_and_not_when_it_is_only_read(
    session: OnBoards, model: ViewModel
) -> None:
    source = session.source("lighting")
    with session.unheard("lighting"):
        session.moved("lighting", sw_app=1)
    session.bench.ask(source, ("read", "sw_app"))
    model.look()
    assert model.history.value_at((source, "sw_app"), session.at_us) == 1
    assert model.feed.touched is None
    session.wait(0.001)
    session.moved("lighting", sw_app=0)
    model.look()
    assert model.feed.touched is not None
    assert any(channel.id == "sw_app" for channel in model.feed.touched.control.channels)


def test_of_a_silent_board_the_time_line_knows_nothing_until_it_is_heard_again(
    session: OnBoards, model: ViewModel
) -> None:
    source = session.source("lighting")
    key = (source, "sw_app")
    session.moved("lighting", sw_app=1)
    heard_us = session.state.boards[source].last_heard_us
    session.stop("lighting")
    session.wait(5.0)
    session.tick()
    model.look()
    # Three heartbeats of a second each are missing (line protocol, alive-time).
    assert model.history.value_at(key, heard_us + 2_999_999) == 1
    assert model.history.value_at(key, heard_us + 3_000_001) == UNKNOWN
    session.resume("lighting")
    session.wait(1.1)
    model.look()
    assert model.history.value_at(key, session.at_us) == 1
    assert model.feed.touched is not None
    assert model.feed.touched.at_us <= heard_us
