"""Faults that are none of the kinds: what the diagnosis cannot know must never be told as sure and be false.

    python tests/bench/walk_strange.py [N] [FIRST]       N panels (200), seeds from FIRST on

What is put into the copper, at random, by wrapping what the simulated boards work out (`benchcon.rig.loom`):

* ``and``, ``nor``, ``toggle``, ``parity``: a contact reads some function of itself and of others;
* ``pattern``: an input is stuck in a pattern of its own that has nothing to do with any hand;
* ``leak``: three or four wires joined by resistors, so that two of them together pull down a third;
* ``thief``: a diode between a contact and a lamp's output, so that what is lit makes contacts;
* ``glow``: a lamp is lit when two others are, or when none is; ``picture``: a display shows another pattern by turns.

A certain finding is false if it names a part that nothing was done to, or a kind that says all about the parts and does
not explain what the strange copper does to them: only `unexplained` and a question are honest. Reach: none.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from unittest import mock

sys.path.insert(0, str(Path(__file__).parent.parent))

from walk.built_panels import Built
from walk.in_virtual_time import VirtualWalk
from walk.mixed_panels import Mixed

from benchcon.diagnosis.diagnose import diagnose
from benchcon.rig import loom
from benchcon.rig.wiring import Wiring, wiring

Reads = dict[str, bool]
Strange = tuple[str, list[str], Callable[[], Iterator[None]]]


def of_contacts(board: Wiring, rng: random.Random) -> Strange | None:
    """A contact that reads a function of several, or of none."""
    ids = list(board.contacts)
    if len(ids) < 6:
        return None
    name = rng.choice(("and", "nor", "toggle", "parity", "pattern", "leak"))
    four = rng.sample(ids, 4)
    a, b, c, d = four
    memory = {"n": 0, "was": False, "state": False}

    def change(reads: Reads) -> None:
        before = dict(reads)
        if name == "and":
            reads[a] = before[a] and not (before[b] or before[c])
        elif name == "nor":
            reads[a] = not (before[a] or before[b])
        elif name == "toggle":  # a latch: every press of one turns it over
            memory["state"] ^= before[a] and not memory["was"]
            memory["was"] = before[a]
            reads[a] = bool(memory["state"])
        elif name == "parity":
            reads[a] = before[a] ^ before[b] ^ before[c]
        elif name == "pattern":  # something that looks at the board more than at the hand
            memory["n"] += 1
            reads[a] = bool(0b1011001110001 >> memory["n"] // 3 % 13 & 1)
        else:  # resistors: any two of them pull the others down
            if sum(before[i] for i in (a, b, c)) >= 2:
                reads.update(dict.fromkeys((a, b, c, d), True))

    original = loom.contacts

    def contacts(made: Reads, at: Wiring, *rest: object) -> Reads:
        out = original(made, at, *rest)  # type: ignore[arg-type]
        if at.name == board.name and a in out:
            change(out)
        return out

    return name, four, lambda: mock.patch.object(loom, "contacts", contacts)


def of_lamps(board: Wiring, rng: random.Random) -> Strange | None:
    """A lamp that shines by what several others do."""
    ids = [id_ for id_, kind in board.kinds.items() if kind == "lamp"]
    if len(ids) < 5:
        return None
    name = rng.choice(("glow", "counts", "weak pair"))
    a, b, c, d = rng.sample(ids, 4)
    memory = {"n": 0, "last": ""}
    original = loom.lit

    def lit(driven: dict[str, int], at: Wiring, *rest: object, **more: object) -> dict[str, int]:
        out = original(driven, at, *rest, **more)  # type: ignore[arg-type]
        if at.name == board.name and a in out:
            on = {id_ for id_, level in driven.items() if level}
            if name == "glow":
                out[a] = 1000 if not on or b in on else out[a] if c in on else 0
            elif name == "counts":  # a divider: every third of the others' looks
                key = " ".join(sorted(on))
                memory["n"] += key != memory["last"]
                memory["last"] = key
                out[a] = 1000 * (int(memory["n"]) % 3 == 0)
            else:
                out[a] = out[a] if not ({b, c, d} & on) else 1000
                out[b] = 0 if a in on else out[b]
        return out

    return name, [a, b, c, d], lambda: mock.patch.object(loom, "lit", lit)


def of_displays(board: Wiring, rng: random.Random) -> Strange | None:
    """A display that shows something else each time."""
    ids = [id_ for id_, digits in board.digits.items() if digits > 1]
    if not ids:
        return None
    a, salt = rng.choice(ids), rng.random()
    original = loom.shown

    def shown(driven: dict[str, bytes], at: Wiring, *rest: object, **more: object) -> dict[str, bytes]:
        out = original(driven, at, *rest, **more)  # type: ignore[arg-type]
        if at.name == board.name and any(out.get(a, b"")):
            chance = random.Random(f"{salt} {driven[a].hex()}")
            out[a] = bytes(byte ^ chance.choice((0x11, 0x24, 0x00, 0x5A)) for byte in out[a])
        return out

    return "picture", [a], lambda: mock.patch.object(loom, "shown", shown)


def thief(board: Wiring, rng: random.Random) -> Strange | None:
    """A diode from a contact's wire to another's, with a resistor so weak that it shows only when a third is made."""
    ids = list(board.contacts)
    if len(ids) < 6:
        return None
    a, b, c = rng.sample(ids, 3)
    original = loom.contacts

    def contacts(made: Reads, at: Wiring, *rest: object) -> Reads:
        out = original(made, at, *rest)  # type: ignore[arg-type]
        if at.name == board.name and a in out:
            out[a] = out[a] or (out[b] and not out[c])
        return out

    return "thief", [a, b, c], lambda: mock.patch.object(loom, "contacts", contacts)


def main(count: int, first: int, words: Sequence[str] = ()) -> int:
    lies: Counter[str] = Counter()
    tried: Counter[str] = Counter()
    told: Counter[str] = Counter()
    slowest = 0.0
    seed = first
    while sum(tried.values()) < count:
        seed += 1
        rng = random.Random(f"strange {seed}")
        made = (Built if seed % 2 else Mixed)(seed * 9001 + 3, most=rng.choice((16, 24, 40)))
        panel = made.panel()
        board = wiring(panel, rng.choice([b.name for b in panel.boards]))
        sorts = (of_contacts, of_contacts, of_lamps, of_displays, thief)
        strange = rng.choice([sort for sort in sorts if not words or sort.__name__ in words])(board, rng)
        if strange is None:
            continue
        name, ids, within = strange
        with within():  # type: ignore[attr-defined]
            evidence = VirtualWalk(panel, {}, seed, stands=made.stands).run().evidence
        began = time.process_time()
        findings = diagnose(panel, evidence)
        slowest = max(slowest, time.process_time() - began)
        tried[name] += 1
        keys = {f"{board.name}.{id_}" for id_ in ids}
        sure = [f for f in findings if f.either is None and f.kind != "unexplained"]
        outside = [f for f in sure if not keys >= set(f.channels)]
        told["nothing" if not findings else "sure" if sure else "open"] += 1
        if outside:
            lies[name] += 1
            print(f"  seed {seed}: {name} {sorted(keys)}")
        elif sure:
            print(f"  seed {seed}: {name} {sorted(keys)} (about what was done)")
        for finding in sure[:4]:
            print(f"      {finding.kind} {dict(finding.detail)} {finding.line()[:140]}", flush=True)
    what = "with a certain finding about what is well"
    print(f"strange copper: {sum(lies.values())} of {sum(tried.values())} {what}; {dict(lies)}")
    print(f"told: {dict(told)}; tried: {dict(tried)}; slowest diagnosis {slowest:.2f} s of processor time")
    return 1 if lies else 0


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:] if word.isdigit()]
    named = [word for word in sys.argv[1:] if not word.isdigit()]
    sys.exit(main(given[0] if given else 200, given[1] if len(given) > 1 else 0, named))
