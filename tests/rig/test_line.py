"""The serial line with its faults."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.rig.faults import fault_of_words
from benchcon.rig.line import Way, misread
from benchcon.rig.timeline import Timeline

LINE = b"!0A3F 0012ABCD is sw3=1 #C08E\n"


class Wire:
    """One direction, with what has arrived and when."""

    def __init__(self, *texts: str, direction: str = "up", seed: int = 1) -> None:
        self.timeline = Timeline()
        self.arrived: list[tuple[int, bytes]] = []
        chance = random.Random(seed)
        self.way = Way(direction, self.timeline, chance, lambda at_us, data: self.arrived.append((at_us, data)))
        self.way.faults = [fault_of_words(text.split()) for text in texts]

    def send(self, data: bytes, at_us: int = 0) -> None:
        self.timeline.run(at_us)
        self.way.send(at_us, data)

    def all(self) -> bytes:
        self.timeline.run(10**9)
        return b"".join(data for _, data in self.arrived)


def test_a_healthy_line_passes_all_on_at_once() -> None:
    wire = Wire()
    wire.send(LINE, 5)
    assert wire.arrived == [(5, LINE)]


def test_flipped_bits_are_one_bit_each() -> None:
    wire = Wire("flip share=10%")
    wire.send(bytes(5000))
    hit = [byte for byte in wire.all() if byte]
    assert len(wire.all()) == 5000
    assert all(bin(byte).count("1") == 1 for byte in hit)
    assert 400 < len(hit) < 600


def test_lost_and_doubled_bytes() -> None:
    text = bytes(range(250)) * 20
    lost = Wire("lose share=10%")
    lost.send(text)
    assert 4300 < len(lost.all()) < 4700
    doubled = Wire("double share=10%")
    doubled.send(text)
    assert 5300 < len(doubled.all()) < 5700


@pytest.mark.parametrize("piece", [1, 7, 1000])
def test_lines_are_lost_whole_however_they_are_cut(piece: int) -> None:
    wire = Wire("lose_line share=30%")
    text = b"".join(b"line %03d\n" % number for number in range(300))
    for start in range(0, len(text), piece):
        wire.send(text[start : start + piece])
    lines = wire.all().splitlines(keepends=True)
    assert set(lines) < set(text.splitlines(keepends=True))
    assert 150 < len(lines) < 270
    assert lines == sorted(lines)


def test_a_fault_of_one_way_leaves_the_other_alone() -> None:
    down = Wire("lose share=100% way=up", direction="down")
    down.send(LINE)
    assert down.all() == LINE
    up = Wire("lose share=100% way=up")
    up.send(LINE)
    assert up.all() == b""


@given(st.lists(st.tuples(st.integers(0, 30_000), st.binary(min_size=1, max_size=9)), max_size=30))
def test_what_comes_late_comes_in_order_and_none_too_early(sent: list[tuple[int, bytes]]) -> None:
    wire, at_us = Wire("delay by=5ms jitter=20ms"), 0
    for pause, data in sent:
        at_us += pause
        wire.send(data, at_us)
    assert wire.all() == b"".join(data for _, data in sent)
    at_us, times = 0, [at for at, _ in wire.arrived]
    assert times == sorted(times)
    for (pause, _), came in zip(sent, times, strict=True):
        at_us += pause
        assert came >= at_us + 5000


def test_bytes_are_held_back_until_the_time_is_up_or_a_packet_is_full() -> None:
    wire = Wire("hold up_to=16ms")
    wire.send(LINE, 1000)
    wire.send(LINE, 5000)
    wire.timeline.run(10_000)
    assert wire.arrived == []
    wire.timeline.run(17_000)
    assert wire.arrived == [(17_000, LINE + LINE)]
    wire.send(LINE * 3, 20_000)
    assert [len(data) for _, data in wire.arrived[1:]] == [62]
    wire.timeline.run(36_000)
    assert wire.arrived[2:] == [(36_000, (LINE * 3)[62:])]


def test_what_is_under_way_when_the_cable_is_pulled_is_lost() -> None:
    wire = Wire("delay by=5ms")
    wire.send(LINE)
    wire.way.cut()
    wire.send(b"after\n", 1000)
    assert wire.all() == b"after\n"


def test_a_receiver_at_a_rate_that_is_near_enough_reads_all() -> None:
    # An 8N1 frame is sampled within half a bit up to its 9.5th: 0.5 / 9.5 is 5 %. Any handbook.
    assert misread(LINE, 115_200, 115_200) == LINE
    assert misread(LINE, 118_000, 115_200) == LINE
    assert misread(LINE, 112_000, 115_200) == LINE
    assert misread(LINE, 124_000, 115_200) != LINE


@given(st.binary(max_size=200), st.sampled_from([300, 9600, 57_600, 250_000, 1_000_000]))
def test_a_wrong_rate_makes_bounded_junk(data: bytes, rate: int) -> None:
    for sent, read in ((rate, 115_200), (115_200, rate)):
        assert len(misread(data, sent, read)) <= 5 * len(data)


def test_twice_the_rate_turns_a_byte_into_what_paper_says() -> None:
    # By hand: 55h is on the wire 0 10101010 1 (start, lowest bit first, stop), at half the rate each bit twice:
    # 00 11 00 11 00 11 00 11 00 11. The receiver takes the first for its start, then reads 01100110 and a low stop: a
    # framing error, 0. It restarts at the next fall, reads 01100111 and a high stop: E6h.
    assert misread(b"\x55", 57_600, 115_200) == b"\x00\xe6"


def test_a_port_at_the_boards_own_rate_understands_it() -> None:
    wire = Wire("wrong_baud rate=57600")
    wire.send(LINE)
    assert wire.all() != LINE
    right = Wire("wrong_baud rate=57600")
    right.way.port_rate = 57_600
    right.send(LINE)
    assert right.all() == LINE
