"""How often the diagnosis is right: python tests/bench/walk_diagnosis.py [--panels N] [--healthy N] [--show]

Random panels of 8 to 64 channels, walked by a simulated person on a simulated rig (`tests/walk/rig.py`, which shares
no code with the diagnosis). Every run gives the same numbers: the seeds are below. The diagnosis sees panel and
evidence only.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from walk.person import Person
from walk.random_panels import random_bad, random_panel
from walk.rig import Bad
from walk.scoring import named

from benchcon.diagnosis.diagnose import diagnose

ONE_SEED, TWO_SEED, HEALTHY_SEED = 40_000, 50_000, 60_000


def trial(seed: int, faults: int, clumsy: float = 0.04):
    """Return panel, faults, findings and how long the diagnosis took, s."""
    rng = random.Random(seed)
    panel = random_panel(rng)
    bads: list[Bad] = []
    while len(bads) < faults:
        bad = random_bad(panel, rng)
        if bad is not None and not any(hides(bad, other) for other in bads):
            bads.append(bad)
    evidence = Person(panel, bads, rng, clumsy).go()
    began = time.perf_counter()
    findings = diagnose(panel, evidence)
    return panel, bads, findings, time.perf_counter() - began


def hides(a: Bad, b: Bad) -> bool:
    """Two faults at the same spot of which one can hide the other: nobody could name both."""
    if a.kind == b.kind == "ghost":
        return True
    shared = set(a.channels) & set(b.channels)
    if not shared:
        return False
    many = [len(x.channels) > 1 for x in (a, b)]
    return not any(many) or all(many)


def run(name: str, seed: int, count: int, faults: int, show: bool) -> float:
    good, slowest, missed = 0, 0.0, Counter()
    began = time.perf_counter()
    for n in range(count):
        panel, bads, findings, took = trial(seed + n, faults)
        slowest = max(slowest, took)
        if named(findings, bads, panel):
            good += 1
        else:
            missed.update(b.kind for b in bads)
            if show:
                print(f"  seed {seed + n}: {[(b.kind, b.channels, b.detail, b.how) for b in bads]}")
                for finding in findings:
                    print(f"      {finding.line()[:220]}")
    share = good / count
    print(
        f"{name}: {good} of {count} = {share:.1%} (slowest diagnosis {slowest * 1000:.0f} ms, "
        f"{time.perf_counter() - began:.0f} s in all){' missed: ' + str(dict(missed)) if missed else ''}",
        flush=True,
    )
    return share


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=1000)
    parser.add_argument("--healthy", type=int, default=2000)
    parser.add_argument("--show", action="store_true", help="show what was not named")
    args = parser.parse_args()
    one = run("one fault, named exactly", ONE_SEED, args.panels, 1, args.show)
    two = run("two faults, both named", TWO_SEED, args.panels, 2, args.show)
    healthy = run("healthy, nothing found", HEALTHY_SEED, args.healthy, 0, args.show)
    return 0 if one >= 0.98 and two >= 0.92 and healthy >= 0.998 else 1


if __name__ == "__main__":
    sys.exit(main())
