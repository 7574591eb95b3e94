"""Connectors: one cause for all that sits on one, before anything is looked for in single wires.

Whatever a plug carries (buttons, switches of several contacts, lamps, knobs, displays) fails together when the plug is
off, when its ground is broken or swapped with a signal, when it sits one hole on, or is turned round. Told wire
by wire that would be a page of faults that nobody has.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from functools import partial

from benchcon.diagnosis.contacts import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.wires import LEAST, WireEvidence

SLIPS = 0.1
"""Share of a plug's wires that may have shown something else for once: a brushed neighbour."""


def find(
    layout: PanelIndex, wires: Mapping[str, WireEvidence], but: Collection[str] = ()
) -> tuple[list[Choices], set[str]]:
    """Return what is wrong with whole connectors, and the channels that this explains; wires `but` are explained."""
    plugs: dict[tuple[str, str], list[WireEvidence]] = {}
    for key, spot in layout.spots.items():
        name = spot.channel.wire.connector
        if name and spot.part.wired and key in wires and key not in but:
            plugs.setdefault((spot.channel.board, name), []).append(wires[key])
    out: list[Choices] = []
    explained: set[str] = set()
    for (_, name), row in plugs.items():
        for look in (_off, partial(_broken_off, layout), _ground, _moved):
            if (raw := look(name, row)) is not None:
                out.append([[raw]])
                explained |= {wire.key for wire in row} if raw.kind != "common open" else set(raw.channels)
                break
    return out, explained


def _off(name: str, row: list[WireEvidence]) -> BareFinding | None:
    """Nothing on it does anything: it is off, or what all have in common is broken."""
    asked = [wire for wire in row if wire.tested]
    if len(asked) < LEAST or not all(wire.dead for wire in asked):
        return None
    if all(wire.kind == "display" for wire in asked):
        return None  # displays on one chain, or each for itself
    return BareFinding("common open", tuple(wire.key for wire in asked), {"connector": name})


def _broken_off(layout: PanelIndex, name: str, row: list[WireEvidence]) -> BareFinding | None:
    """From one pin on nothing does anything: a common that goes from part to part is broken there."""
    order = [wire for wire in sorted(row, key=lambda w: w.pin or 0) if wire.tested and wire.pin is not None]
    for kind in ("contact", "lamp"):
        along = [wire for wire in order if wire.kind == kind]
        for way in (along, along[::-1]):
            tail = len(way)
            while tail and way[tail - 1].dead:
                tail -= 1
            behind, before = way[tail:], way[:tail]
            if len(behind) >= LEAST and len(before) >= 2 and not any(wire.dead or wire.wrong for wire in before):
                keys = tuple(wire.key for wire in along if wire in behind)
                if kind == "contact" and any(keys == layout.channels_of(name) for name in layout.controls):
                    continue  # the common of that one switch
                return BareFinding("common open", keys, {"connector": name, "from": str(behind[0].pin)})
    return None


def _ground(name: str, row: list[WireEvidence]) -> BareFinding | None:
    """Its ground is swapped with a signal: that one works, and the others only while it is made."""
    contacts = [wire for wire in row if wire.kind == "contact" and wire.tested]
    alive = [wire for wire in contacts if not wire.dead]
    if len(contacts) <= LEAST or not alive:
        return None
    for through in alive:
        if through.wrong:
            continue
        off = sum(
            wire.off_by(wire.on & through.on, wire.known & through.known) for wire in contacts if wire is not through
        )
        wrong = sum(wire.wrong for wire in contacts)
        if wrong >= LEAST and wrong >= len(contacts) - 2 and off <= SLIPS * len(contacts):
            keys = (through.key, *(wire.key for wire in contacts if wire is not through))
            return BareFinding("ground crossed", keys, {"connector": name})
    return None


def _moved(name: str, row: list[WireEvidence]) -> BareFinding | None:
    """It sits one hole on, or turned round: each wire does what belongs to another, in the order of the pins."""
    pinned = [wire for wire in row if wire.pin is not None and wire.kind in ("contact", "lamp") and wire.tested]
    at: Mapping[int, WireEvidence] = {wire.pin: wire for wire in pinned if wire.pin is not None}
    wrong = [wire for wire in pinned if wire.wrong or wire.off_by(wire.on, wire.known)]
    if len(at) != len(pinned) or len(wrong) < LEAST:
        return None
    ends = min(at) + max(at)
    # For each pin the one whose part is read there.
    ways: tuple[tuple[str, dict[str, object], Callable[[int], int], Callable[[int], int]], ...] = (
        ("plug shifted", {"by": 1}, lambda pin: pin - 1, lambda pin: pin + 1),
        ("plug shifted", {"by": -1}, lambda pin: pin + 1, lambda pin: pin - 1),
        ("plug reversed", {}, lambda pin: ends - pin, lambda pin: ends - pin),
    )
    for kind, detail, source_of, lamp_from in ways:
        off = 0
        for pin, wire in at.items():
            # A contact is read where its wire ends; a lamp is lit by the pin where its wire ends.
            source = at.get(source_of(pin) if wire.kind == "contact" else lamp_from(pin))
            if source is not None and source.kind == wire.kind:
                off += wire.off_by(source.on, source.known)
            else:
                off += wire.off_by(0, wire.known)  # nothing of its kind is there
        if off <= SLIPS * len(at):
            return BareFinding(kind, tuple(at[pin].key for pin in sorted(at)), {"connector": name, **detail})
    return None
