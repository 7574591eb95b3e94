"""How often each of twelve troubles is named first, and whether healthy links are accused.

Run: ``python tests/bench/link_verdicts.py [RUNS [HEALTHY]]``; 20 and 200 if nothing is said.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from timing.simulated_links import TROUBLES, first_named

SHARED = ("host", "hub")


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    healthy = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    named = wrong = 0
    for trouble in TROUBLES:
        found = [first_named(trouble, 100 + seed) for seed in range(runs)]
        first = Counter(one for one, _ in found)
        neighbours = sum(other != (trouble if trouble in SHARED else "") for _, other in found)
        named += first[trouble]
        wrong += neighbours
        others = ", ".join(f"{name or 'nothing'} {count}" for name, count in first.items() if name != trouble)
        print(f"{trouble:10} named first {first[trouble]}/{runs}; neighbour wrong {neighbours}; else: {others or '-'}")
    print(f"in all {named}/{runs * len(TROUBLES)} named first ({100 * named / runs / len(TROUBLES):.1f} %)")
    accused = Counter(one for seed in range(healthy) for one in first_named("", 5000 + seed) if one)
    print(f"healthy: {sum(accused.values())} of {2 * healthy} links accused in {healthy} runs {dict(accused) or ''}")


if __name__ == "__main__":
    main()
