"""As `link_verdicts.py`, in a world that is not our simulated one: the firmware's C core, the link's own host side, and
a line that damages bytes (`tests/timing/core_links.py`).

Run: ``python tests/bench/core_link_verdicts.py [RUNS [HEALTHY [TROUBLE,…]]]``; 20 and 200 if nothing is said.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from timing.core_links import TROUBLES, first_named, two_boards

SHARED = ("host", "hub")


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    healthy = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    troubles = sys.argv[3].split(",") if len(sys.argv) > 3 else TROUBLES
    named = wrong = 0
    with two_boards() as boards:
        for trouble in troubles:
            found = [first_named(trouble, 100 + seed, boards) for seed in range(runs)]
            first = Counter(one for one, _ in found)
            wrong += sum(other not in ("", trouble if trouble in SHARED else "") for _, other in found)
            named += first[trouble]
            others = ", ".join(f"{name or 'nothing'} {count}" for name, count in first.items() if name != trouble)
            print(f"{trouble:10} named first {first[trouble]}/{runs}; else: {others or '-'}", flush=True)
        print(f"in all {named} of {runs * len(troubles)} ({100 * named / max(runs * len(troubles), 1):.1f} %)")
        print(f"neighbours wrongly accused: {wrong}")
        accused = Counter(one for seed in range(healthy) for one in first_named("", 5000 + seed, boards) if one)
        print(
            f"healthy: {sum(accused.values())} of {2 * healthy} links accused in {healthy} runs {dict(accused) or ''}"
        )


if __name__ == "__main__":
    main()
