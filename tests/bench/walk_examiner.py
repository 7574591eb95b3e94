"""The diagnosis in bulk against a second generator of panels, `tests/walk/examiner.py`, made from the documents.

Reach: one fault named exactly (channel and kind or its documented class) ≥ 98 %, two faults both named ≥ 92 %, healthy
panels falsely accused ≤ 0.2 %. The seeds are 0 to N - 1 from FIRST on; what was missed is printed with its seed.

    python tests/bench/walk_examiner.py [N] [FIRST]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from walk.examiner import CARELESS, ORDINARY, case, named


def main(count: int, first: int) -> int:
    good = True
    for faults, share, habits, what in (
        (1, 98.0, ORDINARY, "one fault, named"),
        (2, 92.0, ORDINARY, "two faults, both named"),
        (4, 0.0, ORDINARY, "four faults, all named (no reach)"),
        (0, 99.8, ORDINARY, "healthy, not accused"),
        (0, 0.0, CARELESS, "healthy, a careless hand, not accused (no reach)"),
    ):
        right = besides = 0
        longest_s = 0.0
        seeds = range(first, first + count * (2 if not faults else 1))
        for seed in seeds:
            made = case(seed, faults, habits)
            began = time.perf_counter()
            findings = made.findings()
            longest_s = max(longest_s, time.perf_counter() - began)
            all_named = all(any(named(fault, finding, made.panel) for finding in findings) for fault in made.faults)
            ok = all_named if faults else not findings
            right += ok
            besides += ok and not made.right(findings)
            if not ok:
                print(f"  seed {seed}: {[(f.kind, f.channels, dict(f.detail)) for f in made.faults]}")
                for finding in findings:
                    print("    " + finding.line()[:200])
        percent = 100 * right / len(seeds)
        good &= percent >= share
        print(f"{what}: {right} of {len(seeds)}, {percent:.2f} %, reach {share} %; longest diagnosis {longest_s:.2f} s")
        if faults:
            print(f"  with something else accused besides: {besides}")
    return 0 if good else 1


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    sys.exit(main(given[0] if given else 1000, given[1] if len(given) > 1 else 0))
