"""A tap's own pings: between the program's lines, answers kept from it, and dark no later than it says."""

from __future__ import annotations

import os
import select
import time
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from link.boards import QUICK, PeerProcess, Watched, did, turning

from benchcon.link.tap import Tap
from benchcon.link.tap_pings import AFTER_US, EACH_US, HOLD_US, Pings
from benchcon.state import BenchState
from benchcon.timing.timing import Timing
from benchcon.wire import codec
from benchcon.wire.records import LINE_DOWN, LINE_UP, Batch

LONG_S = 20.0


def line(direction: str, tag: int, *words: str) -> bytes:
    return (codec.request if direction == "down" else codec.answer)(tag, list(words)) + b"\n"


def alive(flags: str) -> bytes:
    return codec.notification(1, 1000, ["alive", "0007", *["0000"] * 5, flags]) + b"\n"


def known(buffer: str = "0080", flags: str = "00") -> Pings:
    """Pings of a tap that has seen a program ask who is there, a second ago."""
    pings = Pings()
    pings.down(line("down", 1, "hello"), 0)
    pings.up(line("up", 1, "hello", "01", "02", buffer, "0007", "desk"), 1_000)
    pings.up(alive(flags), 2_000)
    return pings


def test_a_ping_goes_when_the_line_is_idle_and_its_answer_is_kept_from_the_program() -> None:
    pings = known()
    ping = pings.due(1_000_000, 0x12345678)
    asked = codec.parse(ping.rstrip(b"\n"))
    assert asked.words == ("ping", "12345678", "00000000")
    assert asked.tag != 1
    assert pings.due(1_000_100, 0) == b""
    answer, notification = line("up", asked.tag, "ping", "00000001", "00000002"), alive("00")
    assert pings.up(notification + answer[:5], 1_001_000) == notification
    assert pings.up(answer[5:] + notification, 1_002_000) == notification
    assert pings.due(1_000_000 + EACH_US + 1, 0)


def test_no_ping_before_the_board_has_said_how_much_it_can_take_nor_in_the_middle_of_a_line() -> None:
    assert Pings().due(10_000_000, 0) == b""
    pings = known()
    pings.down(b">02 se", 100_000)
    assert pings.due(10_000_000, 0) == b""
    pings.down(b"t l1=000 #0000\n", 10_000_000)  # a bad line is never answered, so nothing waits
    assert pings.due(10_100_000, 0)


def test_no_ping_while_the_program_waits_for_an_answer() -> None:
    pings = known()
    pings.down(line("down", 2, "set", "l1=1F4"), 1_000_000)
    assert pings.due(1_100_000, 0) == b""
    pings.up(line("up", 2, "set", "00001000"), 1_110_000)
    assert pings.due(1_120_000, 0)


def test_an_armed_dead_man_is_fed_for_a_quarter_of_a_second_after_the_program_at_most() -> None:
    pings = known(flags="02")
    pings.down(line("down", 2, "set", "l1=1F4"), 1_000_000)
    pings.up(line("up", 2, "set", "00001000"), 1_001_000)
    assert pings.due(1_000_000 + AFTER_US + 1, 0) == b""
    assert pings.due(1_000_000 + AFTER_US - 1, 0)
    # Not known to be off is as good as armed.
    fresh = Pings()
    fresh.down(line("down", 1, "hello"), 0)
    fresh.up(line("up", 1, "hello", "01", "02", "0080", "0007", "desk"), 1_000)
    assert fresh.due(1_000_000, 0) == b""


def test_what_the_buffer_does_not_hold_beside_a_ping_waits_but_dark_never() -> None:
    pings = known("0040")  # 64 bytes: 16 stay free for dark, 33 are the ping's
    ping = pings.due(1_000_000, 0)
    assert len(ping) == 33
    many = line("down", 2, "set", "l1=1F4") + line("down", 3, "set", "l2=1F4")
    now = pings.down(many, 1_000_100)
    assert len(now) == 64 - 16 - 33
    dark = line("down", 4, "dark")
    assert now + pings.down(dark, 1_000_200) == many + dark
    pings = known("0040")
    ping = pings.due(1_000_000, 0)
    now = pings.down(many, 1_000_100)
    pings.up(line("up", codec.parse(ping.strip()).tag, "ping", "00000001", "00000002"), 1_003_000)
    assert now + pings.tick(1_003_000)[1] == many
    pings = known("0040")
    pings.due(1_000_000, 0)
    now = pings.down(many, 1_000_100)
    assert now + pings.tick(1_000_000 + HOLD_US)[1] == many, "a board that does not answer holds nothing up for long"


_STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("down"), st.sampled_from([b"x", b"\n", b">02 set l1=1F4 #", line("down", 2, "read", "all")])),
        st.tuples(st.just("up"), st.sampled_from([b"<", b"<FF ", b"\n", b"!", alive("00"), alive("02"), b"\r\n"])),
        st.tuples(st.just("answer"), st.integers(0, 40)),
        st.tuples(st.just("wait"), st.integers(1, 700_000)),
    ),
    max_size=60,
)


@given(_STEPS)
def test_nothing_of_either_side_is_lost_added_or_put_out_of_order(steps: list[tuple[str, object]]) -> None:
    pings = known()
    sent, arrived, said, shown, answer = b"", b"", b"", b"", b""
    now_us = 1_000_000
    for what, value in steps:
        now_us += 1
        if what == "down":
            assert isinstance(value, bytes)
            sent += value
            arrived += pings.down(value, now_us)
        elif what == "up" and not answer:
            assert isinstance(value, bytes)
            said += value
            shown += pings.up(value, now_us)
        elif what == "answer" and answer and said.endswith((b"\n", b"\r")):
            # The answer comes in two pieces, as a line does over USB.
            assert isinstance(value, int)
            shown += pings.up(answer[:value], now_us)
            shown += pings.up(answer[value:], now_us + 100)
            answer = b""
        elif what == "wait":
            assert isinstance(value, int)
            now_us += value
        up, down = pings.tick(now_us)
        shown, arrived = shown + up, arrived + down
        if arrived == sent and (ping := pings.due(now_us, now_us)):
            assert not arrived or arrived.endswith((b"\n", b"\r")), "in the middle of a line"
            answer = line("up", codec.parse(ping.strip()).tag, "ping", "00000001", "00000002")
    up, down = pings.tick(now_us + 10_000_000)
    assert arrived + down == sent
    assert shown + up == said


# --- real boards ------------------------------------------------------------------------------------------------------


@pytest.fixture
def board() -> Iterator[PeerProcess]:
    peer = PeerProcess()
    yield peer
    peer.close()


def test_pings_make_the_clock_known_both_ways_and_the_program_never_hears_of_them(board: PeerProcess) -> None:
    batches: list[Batch] = []
    with Tap(board.port, batches.extend, ping=True) as tap, turning(tap):
        program = Watched(tap.name, pace=QUICK)
        try:
            program.stands(tap.name, "live")
            end = time.monotonic() + LONG_S
            while sum(b" ping " in body for batch in batches if batch.kind == LINE_UP for body in batch.bodies) < 6:
                # A program that works: between its requests there is room.
                did(program.bench.set_lamp(1, "l1", 500))
                did(program.bench.set_lamp(1, "l1", 400))
                assert time.monotonic() < end
            asked = {body[:3] for batch in program.batches if batch.kind == LINE_DOWN for body in batch.bodies}
            told = [body for batch in program.batches if batch.kind == LINE_UP for body in batch.bodies]
            assert all(body[:1] != b"<" or b">" + body[1:3] in asked for body in told)
            assert program.state.observer.counters(1).bad == 0
        finally:
            program.bench.close()
    ours = [body for batch in batches if batch.kind == LINE_DOWN for body in batch.bodies if b" 00000000 #" in body]
    assert ours, "the capture has them"
    timing = Timing(BenchState())
    for batch in batches:
        timing.feed(batch)
    found = timing.clocks.epoch(1).map()
    assert found is not None
    assert not found.one_way


def test_without_the_option_not_a_byte_is_added(board: PeerProcess) -> None:
    with Tap(board.port) as tap, turning(tap):
        program = os.open(tap.name, os.O_RDWR | os.O_NOCTTY)
        sent = line("down", 1, "hello") + line("down", 2, "deadman", "0000")
        os.write(program, sent)
        board.until("heard", lambda heard: sent.decode() in heard)
        time.sleep(1.2)  # more than two pings would take
        assert board.say("heard") == sent.decode()
        os.close(program)


@pytest.mark.slow
def test_a_program_that_hangs_leaves_the_board_dark_as_soon_as_promised(board: PeerProcess) -> None:
    with Tap(board.port, ping=True) as tap, turning(tap):
        program = os.open(tap.name, os.O_RDWR | os.O_NOCTTY)
        os.write(program, line("down", 1, "hello") + line("down", 2, "deadman", "0258"))  # 600 ms
        assert select.select([program], [], [], LONG_S)[0]
        last = time.monotonic()
        for number in range(20):
            os.write(program, line("down", 3 + number, "set", "l1=1F4"))
            last = time.monotonic()
            select.select([program], [], [], 0.1)
            os.read(program, 4096)
            time.sleep(0.1)
        assert " ping " in board.say("heard")
        board.until("state", lambda state: state["dark"])
        assert time.monotonic() - last < 0.6 + AFTER_US / 1e6 + 0.6  # and what this computer takes to notice
        os.close(program)
