"""Every single cause that a panel is built wrong by, on N panels each, walked from end to end by the program's hand.

    python tests/bench/walk_causes.py [N] [WORDS…]       N panels a cause (20); only causes with one of WORDS in them

A line a cause: how often it is named in the first line, how often something sure and false is told, most findings.
Half of the panels are `walk.built_panels`', half `walk.mixed_panels`', from 12 to 64 channels.
Panels on which nothing of the cause is to be seen are not counted. A contact that misses one press in n shows itself if
the first press of the walk is one of them, as healthy panels are pressed once. It is then asked again and pressed eight
times, and named if it misses once more: of those that miss one in three 1 - (2/3)^9 = 97.4 %, of those that miss one in
two 99.8 % (binomial distribution).
Reach: named in the first line, and nothing sure that is false, 95 %; at most 3 findings for one cause.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from walk.built_panels import Built, Truth, Wrongs, tells
from walk.mixed_panels import CAUSES, Mixed
from walk_end_to_end import diagnosed, shown

from benchcon.diagnosis.findings import Finding
from benchcon.rig.faults import fault_of_words

SHOW = 3


def walked(made: Built, truth: Truth | None, seed: int) -> tuple[list, list[Finding], float]:
    faults: dict[str, list] = {}
    if truth is not None:
        for board in [truth.words[0]] if truth.words[0] else [b.name for b in made.panel().boards]:
            faults[board] = [fault_of_words(line.split()) for line in truth.words[1].splitlines()]
    return diagnosed(made, faults, seed)


def is_true(finding: Finding, truth: Truth) -> bool:
    return any(tells(finding, *each) for way in truth.ways for each in way)


def one(name: str, count: int, words: Sequence[str] = ()) -> tuple[int, int, int, int, float]:
    first = false = most = tried = seed = printed = 0
    slowest = 0.0
    while tried < count and seed < 40 * count:
        seed += 1
        made = (Built if seed % 2 else Mixed)(
            seed * 6007 + 11, most=random.Random(seed).choice((16, 16, 20, 24, 24, 32, 64))
        )
        wrongs = Wrongs(made.panel(), random.Random(f"{seed} {name}"), made.stands)
        truth = next((t for b, w in wrongs.boards.items() if (t := CAUSES[name](wrongs, b, w)) is not None), None)
        if truth is None:
            continue
        evidence, findings, took = walked(made, truth, seed)
        if not findings and shown(evidence) == shown(walked(made, None, seed)[0]):
            continue  # nothing of it is to be seen
        tried += 1
        slowest, most = max(slowest, took), max(most, len(findings))
        # One question with up to three answers is one line: the answers stand beneath it.
        asked = [f for f in findings if findings[0].either and f.either and f.either.group == findings[0].either.group]
        ok = any(
            is_true(f, truth)
            for f in ([*findings[:1], *asked] if asked and asked[0].either.choices <= 3 else findings[:1])
        )
        lies = [f for f in findings if f.either is None and f.kind != "unexplained" and not is_true(f, truth)]
        first, false = first + ok, false + bool(lies)
        if (not ok or lies) and printed < SHOW:
            printed += 1
            print(f"    seed {seed}: {truth.words} {took:.2f} s", file=sys.stderr)
            for finding in findings[:6]:
                mark = "" if is_true(finding, truth) else "FALSE " if finding in lies else "?"
                print(f"      {mark}{finding.kind} {dict(finding.detail)} {finding.line()[:150]}", file=sys.stderr)
    return tried, first, false, most, slowest


def main(count: int, words: Sequence[str]) -> int:
    good = True
    print("| cause | panels | named in the first line | something sure is false | most findings | slowest, s |")
    print("|---|---|---|---|---|---|")
    total = named = 0
    for name in CAUSES:
        if words and not any(word in name for word in words):
            continue
        tried, first, false, most, slowest = one(name, count)
        total, named = total + tried, named + first
        fine = tried > 0 and min(first, tried - false) >= 0.95 * tried and most <= 3
        good &= fine
        print(f"| {name} | {tried} | {first} | {false} | {most} | {slowest:.2f} |{'' if fine else ' <'}", flush=True)
    print(f"in all: {named} of {total} = {named / max(1, total):.1%}")
    return 0 if good else 1


if __name__ == "__main__":
    given = sys.argv[1:]
    number = int(given.pop(0)) if given and given[0].isdigit() else 20
    sys.exit(main(number, given))
