"""Faults of every kind in the faults file, walked from end to end: simulated boards, real lines, the program's hand.

    python tests/bench/walk_end_to_end.py one [N] [KIND…]   N panels for each kind, one fault each
    python tests/bench/walk_end_to_end.py two [N]           N panels with two faults of different kinds
    python tests/bench/walk_end_to_end.py healthy [N]       N healthy panels and a clumsy hand

A fault that changed nothing of what the walk saw (a worn contact that made each time) is counted for itself.
Reach: static faults 99 %, with the intermittent kinds 95 %, two faults 95 %, healthy panels accused 1 in 1 000.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from walk.built_panels import INTERMITTENT, MAKERS, STATIC, Built, Truth, Wrongs, named
from walk.in_virtual_time import ClumsyHand, VirtualWalk

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import HandStep, LampLook
from benchcon.diagnosis.findings import Finding

SHOW = 2


def walked(made: Built, truths: list[Truth], seed: int) -> tuple[list, list[Finding], float]:
    faults: dict[str, list] = {}
    for truth in truths:
        faults.setdefault(truth.words[0], []).append(truth.fault())
    return diagnosed(made, faults, seed)


def diagnosed(made: Built, faults: dict[str, list], seed: int) -> tuple[list, list[Finding], float]:
    """Walk a panel in virtual time with these faults of its boards: evidence, findings, processor time."""
    panel = made.panel()
    evidence = VirtualWalk(panel, faults, seed, stands=made.stands).run().evidence
    began = time.process_time()
    findings = diagnose(panel, evidence)
    return evidence, findings, time.process_time() - began


def shown(evidence: list) -> list[object]:
    """What of the evidence is not a matter of chance."""
    out: list[object] = []
    for each in evidence:
        if isinstance(each, HandStep):
            changes = tuple((c.channel, c.value) for c in each.changes)
            out.append((each.do, each.parts, each.to, each.outcome, tuple(sorted(each.values.items())), changes))
        elif isinstance(each, LampLook):
            out.append((each.set, each.answer, each.seen))
        else:
            out.append((each.part, each.set, each.seen, each.answer))
    return out


def one(count: int, kinds: list[str]) -> None:
    total: Counter[str] = Counter()
    slowest, most, first = 0.0, 0, 0
    for kind in kinds or MAKERS:
        group = "static" if kind in STATIC else "intermittent"
        good = tried = unseen = 0
        seed, printed = 0, 0
        while tried + unseen < count and seed < 12 * count:
            seed += 1
            made = Built(seed * 7919 + 13)
            truth = Wrongs(made.panel(), random.Random(f"{seed} {kind}")).one(kind)
            if truth is None:
                continue
            evidence, findings, took = walked(made, [truth], seed)
            slowest, most = max(slowest, took), max(most, len(findings))
            if not findings and shown(evidence) == shown(walked(made, [], seed)[0]):
                unseen += 1
                continue
            tried += 1
            ok = named(findings, [truth])
            good += ok
            first += bool(findings) and named(findings[:1], [truth])
            if not ok and printed < SHOW:
                printed += 1
                print(f"  seed {seed}: {truth.words} {took:.2f} s")
                for finding in findings[:6]:
                    print(f"      {finding.either and finding.either.choice} {finding.kind} {finding.line()[:170]}")
        total[group] += tried
        total[f"{group} named"] += good
        print(f"{kind}: {good} of {tried}" + (f", {unseen} with nothing to be seen" if unseen else ""), flush=True)
    for group in ("static", "intermittent"):
        if total[group]:
            print(
                f"{group}: {total[f'{group} named']} of {total[group]} = {total[f'{group} named'] / total[group]:.1%}"
            )
    both = total["static"] + total["intermittent"]
    print(f"all: {(total['static named'] + total['intermittent named']) / max(1, both):.1%} of {both}")
    print(f"slowest diagnosis {slowest:.2f} s of processor time, most findings {most}")


def two(count: int) -> None:
    good = tried = 0
    slowest = 0.0
    missed: Counter[str] = Counter()
    seed = 0
    while tried < count:
        seed += 1
        rng = random.Random(seed)
        made = Built(seed * 104_729 + 7)
        wrongs = Wrongs(made.panel(), rng)
        kinds = rng.sample(list(STATIC), 2)
        truths = [wrongs.one(kind) for kind in kinds]
        if None in truths or touch(made, truths):
            continue
        tried += 1
        _, findings, took = walked(made, truths, seed)
        slowest = max(slowest, took)
        if named(findings, truths):
            good += 1
        else:
            missed.update(kinds)
            print(f"  seed {seed}: {[t.words for t in truths]} {took:.2f} s")
            for finding in findings[:6]:
                print(f"      {finding.either and finding.either.choice} {finding.kind} {finding.line()[:150]}")
    print(
        f"two faults: {good} of {tried} = {good / tried:.1%}, slowest diagnosis {slowest:.2f} s of processor time; "
        f"missed: {missed}"
    )


WHOLE = {"connector_off", "ground_open", "ground_crossed", "plug_shifted", "plug_reversed", "looms_interchanged"}
WHOLE |= {"matrix_line_off", "matrix_lines_crossed", "diodes_backwards", "diodes_missing", "level_inverted"}
WHOLE |= {"chip_dead", "chips_in_another_order", "chip_bridged", "chain_shifted", "chip_pins_reversed", "common_open"}


def touch(made: Built, truths: list) -> bool:
    """Whether two faults are at the same spot, where one may hide the other: nobody could name both."""
    words = [t.words[1].split() for t in truths]
    if len({t.words[0] for t in truths}) > 1:
        return False
    if any(w[0] in WHOLE for w in words):
        outputs = [w[0].endswith("lamps") or "chain=595" in w or w[0] in OUTPUTS for w in words]
        return len(set(outputs)) == 1
    return not {w for w in words[0] if "=" not in w}.isdisjoint({w for w in words[1] if "=" not in w})


OUTPUTS = {
    "dead",
    "always_on",
    "dim",
    "lit_together",
    "wrong_colour",
    "segment_dead",
    "segment_stuck",
    "segments_swapped",
}
OUTPUTS |= {"segments_together", "digits_swapped", "digit_dead", "ribbon_shifted", "ribbon_reversed", "upside_down"}
OUTPUTS |= {"common_anode", "shared_resistor"}


def healthy(count: int, first: int) -> None:
    accused = 0
    slowest = 0.0
    begun = time.perf_counter()
    for seed in range(first, first + count):
        made = Built(seed * 31_337 + 5, diodes=None if seed % 2 else False)
        panel = made.panel()
        ClumsyHand.rng = random.Random(seed)
        evidence = VirtualWalk(panel, {}, seed, ClumsyHand, made.stands).run().evidence
        began = time.process_time()
        findings = diagnose(panel, evidence)
        slowest = max(slowest, time.process_time() - began)
        if findings:
            accused += 1
            print(f"  seed {seed}: {[f.line()[:200] for f in findings[:3]]}", flush=True)
    took = time.perf_counter() - begun
    print(f"healthy: {accused} of {count} accused; slowest diagnosis {slowest:.2f} s (processor); {took:.0f} s in all")


if __name__ == "__main__":
    what, *rest = sys.argv[1:] or ["one"]
    number = int(rest[0]) if rest and rest[0].isdigit() else 20
    if what == "one":
        one(number, rest[1:])
    elif what == "two":
        two(number)
    else:
        healthy(number, int(rest[1]) if len(rest) > 1 else 0)
__all__ = ["INTERMITTENT"]
