"""Exchanges with clocks that are integrated step by step: resonators that warm, crystals on a random walk.

A second world beside `simulated_clocks`, made otherwise on purpose: USB frames have a phase, a chip's timer runs from
packet to packet, the way out takes its time too (up to 0.4 ms, which nothing tells the map), and answers are late on
either way now and then.
"""

from __future__ import annotations

import bisect
import math
import random
from dataclasses import dataclass

from benchcon.timing.clock_map import ClockMap, Exchange

WIRE_US = 33 * 10e6 / 115_200
STEP_US = 10_000.0


@dataclass
class WalkedClock:
    """What a board's clock shows, at each step and in a straight line between."""

    times: list[float]
    shows: list[float]

    def at(self, at_us: float) -> float:
        number = min(max(bisect.bisect_right(self.times, at_us) - 1, 0), len(self.times) - 2)
        span = self.times[number + 1] - self.times[number]
        share = (at_us - self.times[number]) / span
        return self.shows[number] + (self.shows[number + 1] - self.shows[number]) * share


def walked(rng: random.Random, resonator: bool, seconds: float, near: bool = False) -> WalkedClock:
    """A clock; `near`: a resonator that happens to be as near its rate as a crystal is."""
    first = rng.uniform(-150, 150) if near else rng.uniform(-5000, 5000) if resonator else rng.uniform(-80, 80)
    rate = first * 1e-6
    warmer, soon = rng.uniform(-300, 300) * 1e-6, rng.uniform(20e6, 90e6)
    swing, phase, period = rng.uniform(0, 30) * 1e-6, rng.uniform(0, 6), rng.uniform(12e6, 40e6)
    times, shows = [0.0], [rng.uniform(0, 4e9)]
    while times[-1] < seconds * 1e6 + 2e6:
        at = times[-1]
        if resonator:
            now = rate + warmer * (1 - math.exp(-at / soon)) + swing * math.sin(2 * math.pi * at / period + phase)
        else:
            rate += rng.gauss(0, 0.002e-6)
            now = rate
        times.append(at + STEP_US)
        shows.append(shows[-1] + STEP_US * (1 + now))
    return WalkedClock(times, shows)


def asked(clock: WalkedClock, rng: random.Random, held: bool, seconds: float, hz: float = 4.0) -> list[Exchange]:
    """Pings and their answers."""
    frame, packet, found = rng.uniform(0, 1000), 0.0, []
    at = rng.uniform(0, 3e5)
    while at < seconds * 1e6:
        sent = at
        at += 1e6 / hz * rng.uniform(0.9, 1.1)
        if rng.random() < 0.01:
            continue
        received = sent + rng.uniform(15, 400) + (rng.uniform(0, 50e3) if rng.random() < 0.025 else 0) + WIRE_US
        answered = received + rng.choice((rng.uniform(40, 500), rng.uniform(40, 3000)))
        done = answered + WIRE_US
        if held:
            packet += 16e3 * max(math.ceil((done - packet) / 16e3), 1)
            done = packet
        heard = done + (frame - done) % 1000 + rng.expovariate(1 / 60)
        heard += rng.uniform(0, 50e3) if rng.random() < 0.025 else 0
        stamps = [int(clock.at(each)) // 4 * 4 for each in (received, answered)]
        found.append(Exchange(sent, stamps[0], stamps[1], heard, WIRE_US, WIRE_US))
    return found


def errors(seed: int, resonator: bool, held: bool, seconds: float, near: bool = False) -> list[tuple[float, float]]:
    """Of moments all over the time: how wrong the map is, and how wrong it says it may be, in microseconds."""
    rng = random.Random(f"{seed} {resonator} {held} {seconds} {near}")
    clock = walked(rng, resonator, seconds, near)
    exchanges = asked(clock, rng, held, seconds)
    found = ClockMap.fit(exchanges, [], 4.0)
    assert found is not None
    rows = []
    for _ in range(200):
        at = rng.uniform(exchanges[0].sent_us, exchanges[-1].heard_us)
        placed = found.bench_us(clock.at(at) // 4 * 4)
        rows.append((abs(placed.at_us - at), placed.error_us))
    return rows
