"""The clock map against RFC 5905, numpy's least squares, and clocks whose truth is known."""

from __future__ import annotations

import random

import numpy
import pytest
from hypothesis import given
from hypothesis import strategies as st
from timing.simulated_clocks import Clock, exchanges
from timing.walked_clocks import errors

from benchcon.state import BenchState
from benchcon.timing.clock_map import ClockMap, Exchange, Heard, least_delay, offset_and_delay, robust_rate
from benchcon.timing.clocks import Clocks
from benchcon.wire.codec import seal
from benchcon.wire.records import LINE_DOWN, LINE_UP, LINK, Batch


def line(text: str) -> bytes:
    """A whole line without its end, from one written as the documents write them."""
    return seal(text.removesuffix(" #C08E")).rstrip(b"\r\n")


def test_offset_and_delay_are_those_of_the_standard() -> None:
    # RFC 5905, section 8: theta = ((T2-T1)+(T3-T4))/2, delta = (T4-T1)-(T3-T2). A board 1000 ahead, 30 each way.
    assert offset_and_delay(100, 1130, 1140, 170) == (1000, 60)


@given(st.floats(-1e9, 1e9), st.floats(0, 1e5), st.floats(0, 1e5), st.floats(0, 1e4))
def test_the_error_of_one_exchange_is_at_most_half_its_delay(
    offset: float, out: float, back: float, busy: float
) -> None:
    # RFC 5905, section 8 and appendix: the offset is wrong by half the difference of the two ways.
    t1 = 5e6
    t2 = t1 + out + offset
    t3 = t2 + busy
    t4 = t1 + out + busy + back
    found, delay = offset_and_delay(t1, t2, t3, t4)
    assert abs(found - offset) <= delay / 2 + 1e-3


def test_the_rate_is_that_of_least_squares_on_clean_data() -> None:
    # numpy's least squares on data without noise: both are the line itself.
    points = [(x, 17.5 + 8.3e-5 * x) for x in numpy.linspace(0, 60e6, 60)]
    fitted = numpy.polyfit(*zip(*points, strict=True), 1)
    assert robust_rate(points) == pytest.approx(fitted[0], rel=1e-9)


def test_a_quarter_of_wild_points_does_not_move_the_rate() -> None:
    rng = random.Random(5)
    points = [(x, 8.3e-5 * x) for x in numpy.linspace(0, 60e6, 60)]
    wild = [(x, y + rng.uniform(0, 5e4)) if i % 4 == 0 else (x, y) for i, (x, y) in enumerate(points)]
    assert robust_rate(wild) == pytest.approx(8.3e-5, rel=1e-6)


def test_a_clean_clock_is_known_to_its_tick() -> None:
    clock = Clock(80, tick_us=1)
    asked = [Exchange(t, clock.at(t + 50), clock.at(t + 60), t + 110) for t in numpy.arange(0, 60e6, 250e3)]
    found = ClockMap.fit(asked, tick_us=1)
    assert found is not None
    assert found.rate_ppm == pytest.approx(80, abs=found.rate_error_ppm + 0.1)
    moment = 31_234_567.0
    placed = found.bench_us(clock.at(moment))
    assert abs(placed.at_us - moment) <= placed.error_us < 100


@pytest.mark.parametrize(("ppm", "swing"), [(80, 0), (-43, 0), (5000, 60), (-4200, 60)])
@pytest.mark.parametrize("held", [False, True])
def test_the_bound_holds(ppm: float, swing: float, held: bool) -> None:
    rng = random.Random(ppm + held)
    clock = Clock(ppm, swing, 150)
    found = ClockMap.fit(exchanges(clock, seed=7, held=held))
    assert found is not None
    for _ in range(300):
        moment = rng.uniform(0, 60e6)
        placed = found.bench_us(clock.at(moment))
        assert abs(placed.at_us - moment) <= placed.error_us
        assert not placed.one_way


def test_a_rate_that_means_nothing_is_not_believed() -> None:
    # A native USB port takes any baud rate and has none: bytes come sooner than the rate allows.
    clock = Clock(20)
    asked = [
        Exchange(t, clock.shown(t + 100), clock.shown(t + 200), t + 400, 2900, 2900)
        for t in range(0, 30_000_000, 250_000)
    ]
    found = ClockMap.fit(asked)
    assert found is not None
    placed = found.bench_us(clock.at(10e6))
    assert abs(placed.at_us - 10e6) <= placed.error_us < 1000


def test_least_delay_takes_the_quickest_of_each_stretch() -> None:
    asked = [Exchange(t, t, t, t + (10 if t % 5 == 0 else 900)) for t in range(100)]
    assert all(one.delay_us == 10 for one in least_delay(asked, 10))
    assert least_delay([]) == []


def test_without_questions_the_bound_is_one_way() -> None:
    clock = Clock(80)
    rng = random.Random(3)
    told = [Heard(t + rng.uniform(300, 5000), clock.shown(t)) for t in range(0, 60_000_000, 500_000)]
    found = ClockMap.fit([], told)
    assert found is not None
    placed = found.bench_us(clock.at(20e6))
    assert placed.one_way
    assert placed.at_us >= 20e6 - placed.error_us  # it may have been earlier, never later
    assert found.rate_ppm == pytest.approx(80, abs=20)


def _ping(clocks: Clocks, state: BenchState, source: int, at: int, clock: int, tag: int) -> None:
    for batch in (
        Batch(at, source, LINE_DOWN, [line(f">{tag:02X} ping 00000000 00000000")]),
        Batch(
            at + 400,
            source,
            LINE_UP,
            [line(f"<{tag:02X} ping {(clock + 150) % 2**32:08X} {(clock + 250) % 2**32:08X}")],
        ),
    ):
        clocks.feed(state.feed(batch))


def test_a_wrap_is_no_step_and_a_reset_begins_anew() -> None:
    state = BenchState()
    clocks = Clocks(state)
    start = 2**32 - 5_000_000  # the clock wraps after five seconds: 71.6 minutes are over
    number = 0
    for at in range(0, 10_000_000, 250_000):
        clock = start + at
        if at % 1_000_000 == 0:
            text = f"!{number:04X} {clock % 2**32:08X} alive 0007 {clock >> 32:04X} 0000 0000 01F4 1388 00"
            clocks.feed(state.feed(Batch(at + 100, 1, LINE_UP, [line(text)])))
            number += 1
        _ping(clocks, state, 1, at + 1000, clock + 1000, 1 + at // 250_000 % 200)
    clocks.feed(state.feed(Batch(10_500_000, 1, LINE_UP, [line("!0000 00000310 boot 0008 reset 01")])))
    for at in range(11_000_000, 16_000_000, 250_000):
        _ping(clocks, state, 1, at, at - 10_400_000, 1 + at // 250_000 % 200)
    before, after = clocks.epochs[1][0], clocks.epochs[1][-1]
    assert (before.number, after.number) == (0, 1)
    for moment in (1e6, 4.9e6, 5.1e6, 9e6):
        placed, own = before.place(start + moment, 0)
        assert own
        assert abs(placed.at_us - moment) <= placed.error_us < 400
    placed, own = after.place(3_000_000, 0)
    assert own
    assert abs(placed.at_us - 13.4e6) <= placed.error_us < 400


def test_two_boards_come_onto_one_axis() -> None:
    state = BenchState()
    clocks = Clocks(state)
    for source, ahead in ((1, 1_000_000), (2, 77_000_000)):
        for at in range(0, 10_000_000, 250_000):
            _ping(clocks, state, source, at + source, at + ahead + source, 1 + at // 250_000)
    one, _ = clocks.epoch(1).place(6_000_000, 0)
    two, _ = clocks.epoch(2).place(82_000_000, 0)
    assert abs(one.at_us - two.at_us) <= one.error_us + two.error_us


def test_a_board_whose_clock_stands_still_has_none() -> None:
    state = BenchState()
    clocks = Clocks(state)
    for number in range(5):
        clocks.feed(state.feed(Batch(number * 1000, 1, LINE_UP, [line(f"!{number:04X} 00000000 is sw1={number % 2}")])))
    placed, own = clocks.epoch(1).place(0, 3000)
    assert not own
    assert placed.one_way
    assert placed.at_us == 3000


def test_the_baud_rate_counts_for_the_time_on_the_wire() -> None:
    state = BenchState()
    clocks = Clocks(state)
    clocks.feed(state.feed(Batch(0, 1, LINK, [b"opened port=/dev/ttyUSB0 rate=115200"])))
    _ping(clocks, state, 1, 1000, 5000, 1)
    # 33 bytes of ten bits at 115 200 baud.
    assert clocks.epoch(1).exchanges[0].wire_out_us == pytest.approx(
        len(">01 ping 00000000 00000000 #C08E\n") * 86.8, rel=0.01
    )


@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize(("resonator", "near"), [(False, False), (True, False), (True, True)])
def test_the_bound_holds_in_a_world_made_otherwise(resonator: bool, near: bool, held: bool) -> None:
    """A resonator that happens to be near its rate was once taken for a crystal, and its drift left out."""
    rows = [row for seed in range(6) for row in errors(seed, resonator, held, 60.0, near)]
    assert all(wrong <= bound for wrong, bound in rows)
    if not resonator and not held:
        assert sorted(wrong for wrong, _ in rows)[int(0.99 * len(rows))] <= 400.0
