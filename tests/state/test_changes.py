"""Changes: what is told of a stream, and of silence, adds up to what the state says."""

from __future__ import annotations

from collections.abc import Iterable

from hypothesis import given, settings
from hypothesis import strategies as st
from state.one_board import Bench

from benchcon.state import BenchState, BoardState
from benchcon.state.changes import DARK, OF_BOARDS, REFUSED, RESETS, Changes, ValueChange
from benchcon.wire.codec import Splitter, notification
from benchcon.wire.records import KEYFRAME, LINE_UP, LINK, Batch

INPUTS = ("sw1", "e1", "p1")


class Notification:
    """A picture made of changes alone."""

    def __init__(self) -> None:
        self.values: dict[str, int | None] = {}
        self.at_us = 0

    def take(self, changes: Iterable[ValueChange]) -> None:
        for change in changes:
            assert self.values.get(change.channel) != change.value, "it was so already"
            assert change.at_us >= self.at_us
            self.at_us = change.at_us
            self.values[change.channel] = change.value

    @property
    def channels(self) -> dict[str, int]:
        return {name: value for name, value in self.values.items() if value is not None and name not in OF_BOARDS}


def known(board: BoardState) -> dict[str, int]:
    return {channel.id: channel.signed for channel in board.channels.values() if channel.signed is not None}


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_what_is_told_adds_up_to_what_the_state_says(data: st.DataObject) -> None:
    bench = Bench()
    bench.live_through(data)
    told, shown = Notification(), Notification()
    as_told, to_show = Changes(), Changes(shown=True)
    for number, batch in enumerate(bench.stream):
        told.take(as_told.feed(batch))
        shown.take(to_show.feed(batch))
        board = to_show.state.boards[1]
        assert told.channels == known(board)
        if board.liveness(batch.at_us) != "live":
            assert shown.channels == {}
        elif board.known:
            assert shown.channels == known(board)
        else:  # what is from before it was lost is not shown
            assert shown.channels.items() <= known(board).items()
        next_us = bench.stream[number + 1].at_us if number + 1 < len(bench.stream) else batch.at_us + 10_000_000
        if next_us > batch.at_us:
            shown.take(to_show.tick(next_us - 1))
            assert not shown.channels or board.liveness(next_us - 1) == "live"
    assert told.values[DARK] in (None, int(board.dark))


@given(st.data())
@settings(max_examples=30, deadline=None)
def test_who_comes_later_is_shown_the_same(data: st.DataObject) -> None:
    bench = Bench()
    bench.live_through(data)
    cut = data.draw(st.integers(1, len(bench.stream)))
    early, late = Notification(), Notification()
    changes = Changes(shown=True)
    for batch in bench.stream[:cut]:
        early.take(changes.feed(batch))
    late.take(changes.known_values(bench.stream[cut - 1].at_us))
    for batch in bench.stream[cut:]:
        found = changes.feed(batch)
        early.take(found)
        late.take(found)
    assert {name: value for name, value in early.values.items() if value is not None} == {
        name: value for name, value in late.values.items() if value is not None
    }


def test_a_board_that_falls_silent_and_speaks_again_stands_as_before() -> None:
    bench = Bench()
    bench.board.change({"sw1": 1}, bench.now_us)
    bench.run(4)
    changes = Changes(bench.state, shown=True)
    shown = Notification()
    shown.take(changes.begin(bench.now_us))
    heard_us = bench.state.boards[1].last_heard_us or 0
    assert changes.tick(heard_us + 3_000_000) == []
    gone = changes.tick(heard_us + 9_000_000)
    # Stamped with when the third heartbeat was due (line protocol, alive-time), not with when it was looked for.
    assert {change.at_us for change in gone} == {heard_us + 3_000_000}
    shown.take(gone)
    assert shown.channels == {}
    assert changes.tick(heard_us + 20_000_000) == []
    bench.now_us = heard_us + 21_000_000
    bench.board.change({"e1": 4}, bench.now_us)
    for kind, bodies in Splitter("up").feed(bench.board.take()):
        shown.take(changes.feed(Batch(bench.now_us, 1, kind, bodies)))
    assert shown.channels["sw1"] == 1
    assert shown.channels["e1"] == 4


def test_after_it_was_lost_nothing_is_shown_that_the_board_has_not_reported_again() -> None:
    """What was under the hand meanwhile may stand otherwise: a value from before the loss is not a value."""
    bench = Bench()
    bench.board.change({"sw1": 1}, bench.now_us)
    bench.run(4)
    changes, shown = Changes(bench.state, shown=True), Notification()
    shown.take(changes.begin(bench.now_us))

    def hear(*lines: bytes, kind: str = LINE_UP) -> None:
        bench.now_us += 1000
        shown.take(changes.feed(Batch(bench.now_us, 1, kind, list(lines))))

    hear(b"lost why=unplugged", kind=LINK)
    assert shown.channels == {}
    hear(b"opened port=/dev/ttyUSB0", kind=LINK)
    hear(notification(900, 1, ("alive", "0001", "0000", "0000", "0000", "0000", "0000", "00")))
    assert changes.state.boards[1].liveness(bench.now_us) == "live"
    assert shown.channels == {}
    hear(notification(901, 2, ("is", "e1=0004")))
    assert shown.channels == {"e1": 4}
    bench.host.bring_up(bench.now_us)
    told = bench.record
    bench.record = lambda batch: (told(batch), shown.take(changes.begin(batch.at_us)))[0]  # type: ignore[method-assign]
    bench.run(60)
    assert set(shown.channels) == {"sw1", "e1", "p1", "l1", "d1"}


def test_the_first_reset_after_opening_is_no_reset_and_refusals_count_from_where_one_begins() -> None:
    changes = Changes()
    told = Notification()
    boot = notification(0, 10, ("boot", "0005", "power", "01"))
    again = notification(0, 10, ("boot", "0006", "watchdog", "01"))
    told.take(changes.feed(Batch(1, 1, LINK, [b"opened port=/dev/ttyUSB0"])))
    told.take(changes.feed(Batch(2, 1, LINE_UP, [boot])))
    assert told.values[RESETS] == 0
    told.take(changes.feed(Batch(3, 1, LINE_UP, [again])))
    assert told.values[RESETS] == 1
    assert told.values[REFUSED] == 0


def test_changes_of_a_state_from_a_keyframe_go_on_from_it() -> None:
    bench = Bench()
    bench.board.change({"sw1": 1}, bench.now_us)
    bench.run(4)
    changes, told = Changes(), Notification()
    told.take(changes.feed(Batch(bench.now_us, 0, KEYFRAME, [bench.state.keyframe()])))
    assert told.channels == known(bench.state.boards[1])
    assert BenchState().boards == {}
