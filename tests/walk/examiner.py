"""An independent check of the diagnosis: panels and faults at random, and whether what was put in was named.

The generator in `random_panels` was written beside the diagnosis; this one was written from the documents by someone
who had not seen either. `tests/bench/walk_examiner.py` runs it in bulk.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from walk.examiner_parts import Walk
from walk.examiner_walk import CARELESS, ORDINARY, STEADY, Fault, Habits, Json, is_selector, name_of

from benchcon.diagnosis import Finding, diagnose
from benchcon.panel.file import loads
from benchcon.panel.model import Panel

COLOURS = ("red", "amber", "green", "blue", "white")
BITS = {"P": 0x80, "A": 0x40, "B": 0x20, "C": 0x10, "D": 0x08, "E": 0x04, "F": 0x02, "G": 0x01}
MIX = {"button": 16, "toggle": 12, "rotary": 5, "three": 7, "coded": 2, "selector": 2, "encoder": 6, "pot": 5}
MIX |= {"lamp": 22, "display": 4}


def panel_text(dice: random.Random, channels: int) -> str:
    """A panel file of about so many channels, on one to three boards, half of them with connectors and colours."""
    boards = "abc"[: dice.choice((1, 1, 2, 2, 3)) if channels >= 20 else 1]
    plugged, used, digits = dice.random() < 0.5, 0, 0
    out = [f"[boards.{board}]" for board in boards]

    def wire(board: str, pin: str = "") -> str:
        nonlocal used
        used += 1
        words = [f'id = "{board}.c{used}"'] + ([f'pin = "{pin}"'] if pin else [])
        if plugged:
            words.append(f'connector = "J{board}{used // 10}", connector_pin = "{used % 10}", wire = "grey"')
        return "{ " + ", ".join(words) + " }"

    if channels >= 20 and dice.random() < 0.35:
        rows, columns = dice.randint(2, 3), dice.randint(2, 4)
        pins = ['"D4", "D5", "D6"'[: 6 * rows - 2], '"D8", "D9", "D10", "D11"'[: {2: 10, 3: 17, 4: 24}[columns]]]
        out.append(f'[matrices.keys]\nboard = "a"\nrows = [{pins[0]}]\ncolumns = [{pins[1]}]')
        for row in range(rows):
            for column in range(columns):
                out.append(
                    f'[controls.key{row}{column}]\nkind = "button"\nchannel = {wire("a", f"keys.r{row}c{column}")}'
                )
    while used < channels:
        board, kind, number = dice.choice(boards), dice.choices(list(MIX), list(MIX.values()))[0], used
        count = {"rotary": dice.randint(3, 6), "three": 2, "coded": 2}.get(kind, 1)
        wires = [wire(board) for _ in range(count)]
        where = f"channel = {wires[0]}" if count == 1 else f"channels = [{', '.join(wires)}]"
        words = [f'"p{i}"' for i in range(count if kind == "rotary" else 4 if kind == "coded" else dice.randint(3, 6))]
        head, more = f"[controls.{kind}{number}]", ""
        if kind == "lamp":
            head, more = f"[lamps.lamp{number}]", f'colour = "{dice.choice(COLOURS)}"\ncurrent = "5 mA"'
        elif kind == "display":
            digits += 1
            head, more = f"[displays.digits{number}]", f'digits = {dice.randint(1, 6)}\nsegment_current = "1 mA"'
        elif kind == "three":
            more = 'positions = ["up", "off", "down"]\ncode = [[1, 0], [0, 0], [0, 1]]'
            more += '\nsprings_back = ["down"]' if dice.random() < 0.3 else ""
        elif kind in ("rotary", "selector", "coded"):
            more = f"positions = [{', '.join(words)}]"
            more += f'\ncode = "{dice.choice(("gray", "binary"))}"' if kind == "coded" else ""
        elif kind == "encoder":
            more = f"counts_per_detent = {dice.choice((1, 2, 4, 4))}"
        elif kind == "pot" and dice.random() < 0.3:
            more = f"low = {dice.randint(0, 200)}\nhigh = {dice.randint(600, 1023)}"
        if kind in ("encoder", "pot") and dice.random() < 0.2:
            more += "\ninverted = true"
        if head.startswith("[controls"):
            more = f'kind = "{kind if kind in ("button", "encoder", "pot") else "switch"}"\n{more}'
        out.append(f"{head}\n{where}\n{more}" + ("\nwired = false" if dice.random() < 0.02 else ""))
        if digits == 8:
            break
    return "\n".join(out) + "\n"


def faults_for(panel: Panel, dice: random.Random) -> dict[str, Callable[[], Fault]]:
    """What can be wrong with this panel, by what the trade calls it."""
    wired = [control for control in panel.controls if control.wired]
    switches = [c for c in wired if c.kind in ("button", "switch") and not is_selector(c)]
    contacts = [name_of(channel) for c in switches for channel in c.channels]
    single = [name_of(c.channels[0]) for c in switches if len(c.channels) == 1]
    direct = [name_of(channel) for c in switches if not c.matrix for channel in c.channels]
    keys = [name_of(c.channels[0]) for c in switches if c.matrix]
    encoders = [c for c in wired if c.kind == "encoder"]
    lossy = [c for c in encoders if c.detent_counts > 1]
    pots = [name_of(c.channels[0]) for c in wired if c.kind == "pot"]
    lamps = {name_of(lamp.channel): lamp for lamp in panel.lamps if lamp.wired}
    displays = [d for d in panel.displays if d.wired]
    long = [d for d in displays if d.digits > 1]
    turns = [name_of(c.channels[0]) for c in encoders]
    out: dict[str, Callable[[], Fault]] = {}

    def one(name: str, among: Sequence[str], kind: str, **ways: Sequence[object]) -> None:
        if among:
            out[name] = lambda: Fault(kind, (dice.choice(among),), {key: dice.choice(way) for key, way in ways.items()})

    def some(name: str, among: Sequence[str], kind: str, *counts: int) -> None:
        def make() -> Fault:
            count = dice.choice([n for n in counts if n <= len(among)])
            first = dice.randrange(len(among) - count + 1)
            near = dice.sample(among[first : first + count], count)
            return Fault(kind, tuple(near if dice.random() < 0.6 else dice.sample(among, count)))

        if len(among) >= min(counts):
            out[name] = make

    def segments(kind: str, count: int) -> None:
        def make() -> Fault:
            display, chosen = dice.choice(displays), dice.sample(list(BITS), count)
            where = (name_of(display.channel),)
            if count == 2:
                return Fault(kind, where, {"segments": set(chosen), "bits": [BITS[s] for s in chosen]})
            place = dice.choice((0, dice.randint(1, display.digits))) if display.digits > 1 else 0
            return Fault(kind, where, {"segments": set(chosen), "bit": BITS[chosen[0]], "digit": place})

        if displays:
            out[kind] = make

    def order() -> Fault:
        display = dice.choice(long)
        places = list(range(1, display.digits + 1))
        i, j = dice.sample(range(display.digits), 2)
        places[i], places[j] = places[j], places[i]
        return Fault("digits swapped", (name_of(display.channel),), {"order": places})

    def place() -> Fault:
        display = dice.choice(long)
        return Fault("digit dead", (name_of(display.channel),), {"digit": dice.randint(1, display.digits)})

    def counts() -> Fault:
        control = dice.choice(encoders)
        given = dice.choice([n for n in (1, 2, 4) if n != control.detent_counts])
        return Fault("other counts", (name_of(control.channels[0]),), {"counts": given})

    def skipping() -> Fault:
        control = dice.choice(lossy)
        how = dice.choice(("jump", "pulse")) if control.detent_counts == 4 else "jump"
        return Fault("skipping", (name_of(control.channels[0]),), {"how": how})

    def colour() -> Fault:
        channel = dice.choice(list(lamps))
        fitted = dice.choice([c for c in COLOURS if c != lamps[channel].colour])
        return Fault("wrong colour", (channel,), {"colour": fitted})

    one("open", contacts, "open", end=("part", "pin"))
    one("stuck", contacts, "stuck", end=("part", "pin"))
    one("chattering", contacts, "chattering", how=("drop-outs", "bounce"))
    one("inverted", single, "inverted")
    some("crossed", direct, "crossed", 2, 2, 3, 4)
    some("shorted", direct, "shorted", 2, 2, 2, 3)
    some("keys crossed", keys, "crossed", 2)
    if keys:
        out["ghost"] = lambda: Fault("ghost", tuple(keys))
    one("encoder reversed", turns, "reversed")
    one("encoder open", turns, "open")
    one("phase open", turns, "phase open", phase="AB")
    some("encoders crossed", turns, "crossed", 2)
    out |= ({"other counts": counts} if encoders else {}) | ({"skipping": skipping} if lossy else {})
    one("pot reversed", pots, "reversed")
    one("pot open", pots, "open", reads=(0, 300, 1023, "anything"))
    one("short of range", pots, "short of range", low=(0, 0.1, 0.3), high=(0.6, 0.75, 0.88))
    one("noisy", pots, "noisy", by=(12, 25, 60))
    some("pots crossed", pots, "crossed", 2)
    for kind in ("dead", "always on", "dim", "flickering", "inverted"):
        one(f"lamp {kind}", list(lamps), kind)
    some("lamps crossed", list(lamps), "crossed", 2, 2, 3)
    some("lit together", list(lamps), "lit together", 2, 2, 3)
    for kind in ("dead", "dim", "flickering"):
        one(f"display {kind}", [name_of(d.channel) for d in displays], kind)
    for kind, count in (("segment dead", 1), ("segment stuck", 1), ("segments swapped", 2), ("segments together", 2)):
        segments(kind, count)
    out |= ({"wrong colour": colour} if lamps else {}) | (
        {"digits swapped": order, "digit dead": place} if long else {}
    )
    return out


def named(fault: Fault, finding: Finding, panel: Panel) -> bool:
    """Whether the finding says just this: kind or documented class, channels, and what else there is to say."""
    said, put = finding.detail, fault.detail
    if fault.kind == "ghost" or fault.kind not in finding.kinds:
        return fault.kind == finding.kind or (fault.kind, finding.kind) == ("short of range", "other range")
    if fault.kind == "crossed":
        ring = list(finding.channels)
        return any(ring[i:] + ring[:i] == list(fault.channels) for i in range(len(ring)))
    if set(finding.channels) != set(fault.channels):
        return False
    if "segments" in put and set(said["segments"]) != put["segments"]:
        return False
    if put.get("digit") and list(said["digits"]) != [put["digit"]]:
        return False
    if "bit" in put and not put["digit"] and len(said["digits"]) == 1:
        return next(d.digits for d in panel.displays if name_of(d.channel) == fault.channels[0]) == 1
    return all(said.get(key, put[key]) == put[key] for key in ("counts", "phase", "colour", "order") if key in put)


@dataclass
class Case:
    seed: int
    text: str
    panel: Panel
    faults: list[Fault]
    evidence: list[Json]

    def findings(self) -> list[Finding]:
        return diagnose(self.panel, self.evidence)

    def right(self, findings: list[Finding]) -> bool:
        """All that was put in is named, and nothing else but what is marked as one of several explanations."""
        hits = [[named(fault, finding, self.panel) for finding in findings] for fault in self.faults]
        told = all(any(hit) for hit in hits)
        return told and all(any(hit) or f.either for f, *hit in zip(findings, *hits, strict=True))


def case(seed: int, count: int, habits: Habits = ORDINARY) -> Case:
    """A panel of 8 to 64 channels with `count` faults on channels of their own, and its walk."""
    dice = random.Random(seed)
    text = panel_text(dice, dice.randint(8, 64))
    panel = loads(text)
    possible, faults = faults_for(panel, dice), list[Fault]()
    while possible and len(faults) < count:
        fault = possible[dice.choice(sorted(possible))]()
        if not any(set(fault.channels) & set(other.channels) for other in faults):
            faults.append(fault)
    return Case(seed, text, panel, faults, Walk(panel, faults, seed, habits).record())


__all__ = ["CARELESS", "ORDINARY", "STEADY", "Case", "case", "named"]
