"""Faults of every kind in the faults file, walked from end to end: simulated boards, real lines, the program's hand.

    python tests/bench/walk_end_to_end.py one [N] [FIRST] [KIND…]           N panels for each kind, one fault each
    python tests/bench/walk_end_to_end.py two [N] [FIRST] [apart|within]    N panels with two faults of different kinds
    python tests/bench/walk_end_to_end.py healthy [N] [FIRST]               N healthy panels and a clumsy hand

FIRST is the first seed. Two faults are ``apart``, or one is ``within`` the other, on one of the many wires that it is
about. A fault that changed nothing of what the walk saw (a worn contact that made each time) is counted for itself.
Reach: static faults 99 %, with the intermittent kinds 95 %, two faults 95 %, healthy panels accused 1 in 1 000.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from walk.built_panels import MAKERS, STATIC, Built, Truth, Wrongs, named, tells
from walk.in_virtual_time import ClumsyHand, VirtualWalk
from walk.mixed_panels import CAUSES, Mixed

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import HandStep, LampLook
from benchcon.diagnosis.findings import Finding
from benchcon.rig.faults import fault_of_words

SHOW = 2


def walked(made: Built, truths: list[Truth], seed: int) -> tuple[list, list[Finding], float]:
    faults: dict[str, list] = {}
    for truth in truths:
        lines = truth.words[1].splitlines()
        faults.setdefault(truth.words[0], []).extend(fault_of_words(line.split()) for line in lines)
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


def one(count: int, first_seed: int, kinds: list[str]) -> None:
    total: Counter[str] = Counter()
    slowest, most, first = 0.0, 0, 0
    for kind in kinds or MAKERS:
        group = "static" if kind in STATIC else "intermittent"
        good = tried = unseen = 0
        seed, printed = first_seed, 0
        while tried + unseen < count and seed < first_seed + 12 * count:
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


def two(count: int, first: int, only: str = "") -> None:
    good: Counter[str] = Counter()
    tried: Counter[str] = Counter()
    slowest = 0.0
    missed: Counter[str] = Counter()
    seed = first
    while sum(tried.values()) < count:
        seed += 1
        rng = random.Random(seed)
        made = (Mixed if seed % 3 == 0 else Built)(seed * 104_729 + 7)
        wrongs = Wrongs(made.panel(), rng, made.stands)
        kinds = rng.sample(sorted({**STATIC, **{k: m for k, m in CAUSES.items() if k in WIDE}}), 2)
        truths = [_one_of(wrongs, kind) for kind in kinds]
        if None in truths:
            continue
        sort = touch(wrongs, truths)
        if not sort or (only and sort != only):
            continue
        evidence, findings, took = walked(made, truths, seed)
        if sort == "within" and any(shown(evidence) == shown(walked(made, [truth], seed)[0]) for truth in truths):
            continue  # of one of them nothing is to be seen
        tried[sort] += 1
        slowest = max(slowest, took)
        if named(findings, truths) if sort == "apart" else named_within(wrongs, findings, truths):
            good[sort] += 1
        else:
            missed.update(kinds)
            print(f"  seed {seed}: {sort}: {[t.words for t in truths]} {took:.2f} s")
            for finding in findings[:6]:
                print(
                    f"      {finding.either and finding.either.choice} {finding.kind} {finding.line()[:150]}",
                    flush=True,
                )
    for sort in tried:
        print(f"two faults, {sort}: {good[sort]} of {tried[sort]} = {good[sort] / tried[sort]:.1%}")
    print(f"slowest diagnosis {slowest:.2f} s of processor time; missed: {missed}")


WIDE = {"connector off, anything on it", "plug one hole on", "plug one hole back", "plug reversed or ribbon mirrored"}
WIDE |= {"plug one hole on, with its ground", "plug one hole back, with its ground", "plug reversed, with its ground"}
WIDE |= {"595: a chip bridged", "595: a chip dead, and what is behind it", "7219: chips in another order"}
WIDE |= {"7219: a chip bridged", "7219: a chip dead", "matrix: one diode shorted", "matrix: one diode open"}
WIDE |= {"matrix: one diode backwards", "matrix: a row and a column exchanged", "common of an encoder"}
WIDE |= {
    "throws of a three-position switch inverted",
    "rotary wired the other way round",
    "pots of unlike range crossed",
}
WIDE |= {"165: inputs H to A, all chips", "165: one bit late", "595: one bit late"}


def _one_of(wrongs: Wrongs, kind: str) -> Truth | None:
    if kind in STATIC:
        return wrongs.one(kind)
    return next((t for name, board in wrongs.boards.items() if (t := CAUSES[kind](wrongs, name, board))), None)


def reach(wrongs: Wrongs, truth: Truth) -> tuple[set[str], bool]:
    """The channels that a fault is at, and whether it is one about many of them."""
    name = truth.words[0]
    board = wrongs.boards[name]
    verb, *words = truth.words[1].split()
    given = dict(word.split("=", 1) for word in words if "=" in word)
    ids = {word for word in words if "=" not in word}
    plugs = [given["connector"]] if "connector" in given else given.get("connectors", "").split(",")
    if verb == "ground_crossed":
        plugs = [plug for plug, there in board.plugs.items() if not ids.isdisjoint(there)]
    for plug in plugs:
        ids |= set(board.plugs.get(plug, ()))
    if "chain" in given:
        chain = board.chains[given["chain"]]
        ids |= {*chain.at.values(), *chain.encoders}
    if "matrix" in given or verb == "diode_wrong":
        ids |= set(board.crossings)
    if verb == "level_inverted":
        ids |= set(board.contacts)
    whole = bool({"connector", "connectors", "chain", "matrix"} & given.keys()) or verb in WHOLE
    return {f"{name}.{id_}" for id_ in ids}, whole


WHOLE = {"ground_crossed", "level_inverted", "common_open"}


def touch(wrongs: Wrongs, truths: list[Truth]) -> str:
    """Return how two faults lie; nothing where they are at one spot: one hides the other, nobody could name both."""
    (one, many), (other, several) = (reach(wrongs, truth) for truth in truths)
    if one.isdisjoint(other):
        return "apart"
    if many != several and len(one & other) <= 2 and len(one | other) >= 5:
        return "within"
    return ""


def named_within(wrongs: Wrongs, findings: list[Finding], truths: list[Truth]) -> bool:
    """Whether the cause of many is told, and the one wire's fault by its kind: at which end of wires that go astray it
    is said to be is a matter of taste."""
    if named(findings, truths):
        return True
    whole, small = sorted(truths, key=lambda truth: not reach(wrongs, truth)[1])
    true = [f for f in findings if any(tells(f, *each) for way in whole.ways for each in way)]
    rest = [f for f in findings if f not in true]
    kinds = {kind for way in small.ways for each in way for kind in each[0]}
    certain = [f for f in rest if f.either is None and kinds.isdisjoint(f.kinds)]
    return bool(true) and not certain and len({f.either.group if f.either else n for n, f in enumerate(rest)}) <= 2


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
    begin = int(rest[1]) if len(rest) > 1 and rest[1].isdigit() else 0
    if what == "one":
        one(number, begin, [word for word in rest if not word.isdigit()])
    elif what == "two":
        two(number, begin, rest[2] if len(rest) > 2 else "")
    else:
        healthy(number, begin)
