"""Exchanges with boards whose true clock is known: the judge of the clock map, in virtual time."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from benchcon.timing.clock_map import Exchange

BYTE_US = 10 * 1e6 / 115_200
LINE_BYTES = 33


@dataclass
class Clock:
    """A board's clock: `ppm` off, going back and forth by `swing_ppm` in `period_s`."""

    ppm: float
    swing_ppm: float = 0.0
    period_s: float = 60.0
    phase: float = 0.0
    start_us: float = 123_456.0
    tick_us: int = 4

    def at(self, bench_us: float) -> float:
        """What it shows, before it is cut to its tick."""
        turn = 2 * math.pi / (self.period_s * 1e6)
        swing = self.swing_ppm * 1e-6 / turn * (math.cos(self.phase) - math.cos(turn * bench_us + self.phase))
        return self.start_us + bench_us * (1 + self.ppm * 1e-6) + swing

    def shown(self, bench_us: float) -> float:
        return self.at(bench_us) // self.tick_us * self.tick_us


def exchanges(clock: Clock, seed: int, held: bool, seconds: float = 60.0, hz: float = 4.0) -> list[Exchange]:
    """Pings as the issue has them: USB polled each millisecond one way, bytes held up to 16 ms on some boards, one in
    twenty delayed by up to 50 ms (half of those on the way out)."""
    rng = random.Random(seed)
    wire = LINE_BYTES * BYTE_US
    found = []
    for number in range(int(seconds * hz)):
        sent = (number + rng.random() * 0.1) * 1e6 / hz
        out = wire + rng.uniform(20, 60)
        board = rng.uniform(50, 400)
        back = wire + rng.uniform(20, 60) + rng.uniform(0, 1000)
        if held:
            back += rng.uniform(0, 16_000)
        if rng.random() < 0.05:
            if rng.random() < 0.5:
                out += rng.uniform(0, 50_000)
            else:
                back += rng.uniform(0, 50_000)
        received = sent + out
        answered = received + board
        found.append(Exchange(sent, clock.shown(received), clock.shown(answered), answered + back, wire, wire))
    return found
