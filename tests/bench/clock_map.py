"""How well the clock map knows simulated boards whose true clock is known, and how honest its bound is.

Run: ``python tests/bench/clock_map.py [RUNS]``. 60 s of pings at 4 Hz; error is taken at 600 moments of each run.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from timing.simulated_clocks import Clock, exchanges

from benchcon.timing.clock_map import ClockMap


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    print(f"{'board':34}{'p50 ms':>9}{'p99 ms':>9}{'worst':>9}{'bound/p99':>11}{'bound holds':>13}{'rate err ppm':>14}")
    for name, ppm, swing, held in (
        ("crystal", 80, 0, False),
        ("crystal, bytes held", 80, 0, True),
        ("resonator, drifting", 5000, 60, False),
        ("resonator, drifting, bytes held", 5000, 60, True),
    ):
        errors, bounds, kept, rates = [], [], 0, []
        for seed in range(runs):
            rng = random.Random(1000 + seed)
            sign = rng.choice((-1, 1))
            clock = Clock(sign * ppm * rng.uniform(0.2, 1), swing, rng.uniform(100, 300), rng.uniform(0, 6))
            found = ClockMap.fit(exchanges(clock, seed, held))
            assert found is not None
            rates.append(abs(found.rate_ppm - clock.ppm))
            for _ in range(600):
                moment = rng.uniform(0, 60e6)
                placed = found.bench_us(clock.at(moment))
                error = abs(placed.at_us - moment)
                errors.append(error)
                bounds.append(placed.error_us)
                kept += error <= placed.error_us
        errors.sort()
        p99 = errors[int(0.99 * len(errors))]
        mean_bound = sum(bounds) / len(bounds)
        rate = f"{max(rates):.2f}" if not swing else "drifts"
        print(
            f"{name:34}{errors[len(errors) // 2] / 1000:9.3f}{p99 / 1000:9.3f}{errors[-1] / 1000:9.3f}"
            f"{mean_bound / p99:11.2f}{100 * kept / len(errors):12.2f}%{rate:>14}"
        )


if __name__ == "__main__":
    main()
