"""What the bench looks like, worked out from records."""

from __future__ import annotations

import json

from hypothesis import given, settings
from hypothesis import strategies as st
from state.one_board import Bench

from benchcon.link.numbers import Numbers
from benchcon.state import BenchState
from benchcon.wire.codec import Splitter, answer, notification, request
from benchcon.wire.records import BENCH, BYTES_UP, KEYFRAME, LINE_DOWN, LINE_UP, LINK, NOTE, Batch


def test_bring_up_tells_who_the_board_is_and_how_it_stands() -> None:
    bench = Bench()
    board = bench.state.boards[1]
    assert (board.ident, board.name, board.model, board.port) == (
        "lighting",
        "Lighting desk",
        "test board",
        "/dev/ttyUSB0",
    )
    assert board.liveness(bench.now_us) == "live"
    assert list(board.channels) == ["sw1", "e1", "p1", "l1", "d1"]
    assert board.known
    assert board.value_now("sw1", bench.now_us) == 0
    assert bench.state.board_named("lighting") is board
    assert bench.state.board_named("Lighting desk") is board
    assert bench.state.board_named("met") is None


@given(st.lists(st.sampled_from(["lighting", "met", "power"]), min_size=1, max_size=8))
def test_a_number_means_one_board_whatever_is_plugged_in_where_that_was(plugged: list[str]) -> None:
    """One port, boards that come and go, and the records of the link as `benchcon.link.hub` writes them."""
    state, numbers, owned = BenchState(), Numbers(), {}
    heard_as = numbers.lend()
    for turn, ident in enumerate(plugged):

        def link(source: int, text: str, state: BenchState = state, at_us: int = turn * 1000) -> None:
            state.feed(Batch(at_us, source, LINK, [text.encode()]))

        link(heard_as, "opened port=/dev/ttyUSB0")
        state.feed(Batch(turn * 1000, heard_as, LINE_DOWN, [request(1, ["hello"])]))
        words = ["hello", "01", "03", "0040", f"{turn:04X}", ident]
        state.feed(Batch(turn * 1000, heard_as, LINE_UP, [answer(1, words)]))
        known = dict(owned)
        assert {number: state.boards[number].ident for number in known} == known, "before the link has said who it is"
        was_a_board = numbers.belongs_to_a_board(heard_as)
        number = numbers.give(ident, heard_as, ()).number
        if number != heard_as:
            link(heard_as, "lost why=another%20board%20is%20there" if was_a_board else f"moved to={number}")
        link(number, f"ident ident={ident} port=/dev/ttyUSB0")
        owned[number] = ident
        assert {number: board.ident for number, board in state.boards.items()} == owned
        assert state.board_named(ident) is state.boards[number]
        link(number, "lost port=/dev/ttyUSB0")
        heard_as = number
        # And the same from a keyframe on.
        again = BenchState()
        again.feed(Batch(state.at_us, BENCH, KEYFRAME, [state.keyframe()]))
        state = again


def test_without_a_link_a_board_is_who_it_says_it_is() -> None:
    """A tap writes no `ident`: there whoever answers `hello` is there."""
    state = BenchState()
    state.feed(Batch(0, 1, LINK, [b"opened port=/dev/ttyUSB0 by=tap ident=met"]))
    for at_us, ident in enumerate(("met", "power")):
        state.feed(Batch(at_us, 1, LINE_DOWN, [request(1, ["hello"])]))
        state.feed(Batch(at_us, 1, LINE_UP, [answer(1, ["hello", "01", "03", "0040", "0001", ident])]))
        assert state.boards[1].ident == ident


def test_an_input_moves_and_an_encoder_counts_below_zero() -> None:
    bench = Bench()
    bench.board.change({"sw1": 1, "e1": 0xFFFE}, bench.now_us)
    bench.run(2)
    channels = bench.state.boards[1].channels
    assert channels["sw1"].value == 1
    assert channels["sw1"].level == 0  # inverted: made is low at the pin
    assert channels["e1"].signed == -2
    assert (channels["e1"].least, channels["e1"].greatest) == (-2, 0)


def test_outputs_stand_as_set_and_dark_puts_all_out() -> None:
    bench = Bench()
    bench.host.ask(("set", "l1=1F4", "d1=7E306D"), bench.now_us)
    bench.run(4)
    board = bench.state.boards[1]
    assert board.channels["l1"].value == 500
    assert board.channels["d1"].value == 0x7E306D
    bench.host.dark(bench.now_us)
    bench.run(4)
    assert board.dark
    assert board.channels["l1"].value == board.channels["d1"].value == 0
    bench.host.ask(("set", "l1=1F4"), bench.now_us)
    bench.run(4)
    assert board.channels["l1"].value == 0
    assert board.refused == 1
    bench.host.ask(("light",), bench.now_us)
    bench.run(4)
    assert not board.dark


def test_a_board_silent_for_three_signs_of_life_shows_nothing_as_current() -> None:
    bench = Bench()
    board = bench.state.boards[1]
    heard_us = board.last_heard_us
    assert heard_us is not None
    assert board.liveness(heard_us + 3_000_000) == "live"
    assert board.liveness(heard_us + 3_000_001) == "silent"
    assert board.value_now("sw1", heard_us + 3_000_001) is None
    assert board.channels["sw1"].value == 0  # kept for whoever wants to know what it was


def test_after_a_gap_inputs_are_not_known_until_they_are_read_again() -> None:
    bench = Bench()
    bench.lose = lambda line: b" is sw1=1" in line
    bench.board.change({"sw1": 1}, bench.now_us)
    bench.run(1)
    bench.lose = lambda line: False
    board = bench.state.boards[1]
    assert board.channels["sw1"].value == 0  # nobody can know yet
    bench.board.change({"p1": 100}, bench.now_us)
    for kind, bodies in Splitter("up").feed(bench.board.take()):
        assert kind == LINE_UP
        events = bench.record(Batch(bench.now_us, 1, kind, bodies))
        assert not board.known
        assert board.value_now("sw1", bench.now_us) is None
        bench.host.heard(events, bench.now_us)
    bench.run(4)
    assert board.known
    assert board.value_now("sw1", bench.now_us) == 1
    assert bench.state.observer.counters(1).missing == 1


def test_a_reset_puts_outputs_out_and_forgets_inputs() -> None:
    bench = Bench()
    bench.host.ask(("set", "l1=3E8"), bench.now_us)
    bench.run(4)
    bench.board.reset(bench.now_us, "watchdog")
    for kind, bodies in Splitter("up").feed(bench.board.take()):
        bench.record(Batch(bench.now_us, 1, kind, bodies))
    board = bench.state.boards[1]
    assert board.cause == "watchdog"
    assert board.channels["l1"].value == 0
    assert board.channels["sw1"].value is None
    assert board.boots == 2


def test_raw_levels_and_readings_are_kept_beside_the_settled_value() -> None:
    state = BenchState()
    lines = [
        notification(0, 100, ("is", "sw1=1")),
        notification(1, 200, ("edge", "sw1=0", "0010", "0010")),
        notification(2, 300, ("raw", "p1=03F0")),
        notification(3, 300, ("skip", "e1=0007")),
        notification(4, 300, ("ghost", "sw4")),
        notification(5, 300, ("lost", "0012")),
    ]
    state.feed(Batch(1, 1, LINE_UP, lines))
    board = state.boards[1]
    assert (board.channels["sw1"].value, board.channels["sw1"].raw_level, board.channels["sw1"].edges) == (1, 0, 3)
    assert board.channels["p1"].raw_level == 0x3F0
    assert board.channels["e1"].invalid == 7
    assert board.channels["sw4"].ghost
    assert board.lost_notifications == 0x12


def test_link_words_tell_a_boards_liveness() -> None:
    state = BenchState()
    for word, liveness in [
        (b"opened port=/dev/ttyACM0", "asking"),
        (b"foreign rate=9600", "foreign"),
        (b"released", "released"),
        (b"taken", "asking"),
        (b"lost why=unplugged", "lost"),
        (b"something new", "lost"),
    ]:
        state.feed(Batch(1, 1, LINK, [word]))
        assert state.boards[1].liveness(1) == liveness
    assert state.boards[1].port == "/dev/ttyACM0"
    assert state.boards[1].link_detail == "unplugged"


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_state_from_a_stream_cut_at_a_keyframe_equals_the_whole(data: st.DataObject) -> None:
    bench = Bench()
    bench.live_through(data)
    cut = data.draw(st.integers(0, len(bench.stream)))
    before = BenchState()
    for batch in bench.stream[:cut]:
        before.feed(batch)
    after = BenchState()
    at_us = bench.stream[cut - 1].at_us if cut else 0
    after.feed(Batch(at_us, BENCH, KEYFRAME, [before.keyframe()]))
    for batch in bench.stream[cut:]:
        after.feed(batch)
    assert after.as_json(bench.now_us) == bench.state.as_json(bench.now_us)
    # And it goes through JSON unharmed: it is written into captures.
    assert json.loads(json.dumps(after.as_json(0))) == after.as_json(0)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([LINE_UP, LINE_DOWN, BYTES_UP, LINK, NOTE, KEYFRAME]),
            st.one_of(
                st.binary(max_size=80),
                st.sampled_from(
                    [
                        notification(7, 9, ("alive", "0001", "0000", "0000", "0000", "0000", "0000", "00")),
                        notification(0, 9, ("alive", "zzz")),
                        notification(3, 9, ("is", "a=1", "b")),
                        notification(3, 9, ("edge",)),
                        notification(3, 9, ("boot", "0001")),
                        answer(3, ("hello", "x")),
                        answer(3, ("item", "00")),
                        answer(3, ("read",)),
                        answer(3, ("set",)),
                        answer(3, ("raw", "x")),
                        answer(3, ("deadman", "zz")),
                        request(3, ("hello",)),
                        request(3, ("set", "l1")),
                        request(3, ("raw",)),
                        b'{"form":1}',
                        b'{"form":1,"boards":[1],"observer":{},"panel":{}}',
                        b"[" * 100_000,
                    ]
                ),
            ),
        ),
        max_size=12,
    )
)
@settings(deadline=None)
def test_whatever_a_stranger_recorded_does_no_harm(records: list[tuple[str, bytes]]) -> None:
    state = BenchState()
    splitters = {LINE_UP: Splitter("up"), LINE_DOWN: Splitter("down", by_hand=True)}
    for kind, body in records:
        if kind in splitters:
            # As a reader gives them: what is not a good line is bytes.
            for sort, bodies in splitters[kind].feed(body.replace(b"\n", b" ") + b"\n"):
                state.feed(Batch(1, 1, sort, bodies))
        else:
            state.feed(Batch(1, 1, kind, [body]))
    json.dumps(state.as_json(10))
    state.keyframe()


def test_records_missing_from_a_file_are_made_up_for_by_the_keyframe_behind_them() -> None:
    whole = BenchState()
    for number in range(4):
        whole.feed(Batch(number, 1, LINE_UP, [notification(number, number, ("is", f"sw1={number % 2}"))]))
    reader = BenchState()
    reader.feed(Batch(0, 1, LINE_UP, [notification(0, 0, ("is", "sw1=0"))]))
    reader.feed(Batch(3, BENCH, LINK, [b"missed records=3 from=1 why=slow"]))
    reader.feed(Batch(3, BENCH, KEYFRAME, [whole.keyframe()]))
    assert reader.boards[1].channels["sw1"].value == 1
    assert reader.records == whole.records
