"""Connectors: one cause for everything on a plug, searched before single wires are.

All that a plug carries (buttons, switches of several contacts, lamps, knobs, displays) fails together if the plug is
off, if its ground is broken or swapped with a signal, if it sits one hole over, or if it is turned round. Reported wire
by wire, that would be a page of faults that do not exist.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import NamedTuple

from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.sources import OFF, Cause
from benchcon.diagnosis.wires import LEAST, WireEvidence

_BRUSHED = 0.1
"""Share of a plug's wires that may have shown something else once, as by a brushed neighbour."""


def find(
    layout: PanelIndex, wires: Mapping[str, WireEvidence], but: Collection[str] = ()
) -> tuple[list[Choices], set[str]]:
    """Return what is wrong with whole connectors, and the channels that it explains; `but` are explained already."""
    plugs: dict[tuple[str, str], list[WireEvidence]] = {}
    for key, spot in layout.spots.items():
        name = spot.channel.wire.connector
        if name and spot.part.wired and key in wires and key not in but:
            plugs.setdefault((spot.channel.board, name), []).append(wires[key])
    out: list[Choices] = []
    explained: set[str] = set()
    for (_, name), row in plugs.items():
        if fits := _fits(layout, name, row):
            out.append([[each] for each in fits[:3]])
            whole = fits[0].kind != "common open"
            explained |= {wire.key for wire in row} if whole else set(fits[0].channels)
    return out, explained


def _fits(layout: PanelIndex, name: str, row: list[WireEvidence]) -> list[BareFinding]:
    """Return what may be wrong with one plug; several findings if the evidence fits them equally well."""
    raw = _off(name, row) or _broken_off(name, row)
    if raw is not None:
        part = layout.spots[raw.channels[0]].part.name
        if set(raw.channels) == set(layout.channels_of(part)):
            # Nothing else is behind the break, so it may also be that switch's own common.
            return [BareFinding("common open", raw.channels, {"part": part}), raw]
        if not raw.detail.get("from") or sum(wire.tested and not wire.dead for wire in row) > 1:
            return [raw]
    alone = len({layout.spots[wire.key].part.name for wire in row}) == 1
    if not alone and len({layout.spots[wire.key].part.name for wire in row if wire.dead or wire.wrong}) < 2:
        return [raw] if raw is not None else []  # anything else would be about one part, not about its plug
    ground, broken = _ground(name, row), [raw] if raw is not None else []
    if ground is None and broken:
        return broken
    # A plug turned round together with its ground may look like one whose ground is swapped.
    return [*([ground] if ground else []), *broken, *_moved(name, row, like_ground=ground is not None)]


def causes_of(layout: PanelIndex, wires: Mapping[str, WireEvidence]) -> Iterator[Cause]:
    """Yield what may be wrong with each plug as causes that predict every wire; `find` looks for the same faults."""
    plugs: dict[tuple[str, str], list[WireEvidence]] = {}
    for key, spot in layout.spots.items():
        name = spot.channel.wire.connector
        if name and spot.part.wired and key in wires:
            plugs.setdefault((spot.channel.board, name), []).append(wires[key])
    for (board, name), row in plugs.items():
        group = f"plug {board} {name}"
        single = [wire for wire in row if wire.kind in ("contact", "lamp")]
        others = tuple(wire.key for wire in row if wire not in single and wire.tested)
        contacts = [wire for wire in single if wire.kind == "contact" and wire.tested]
        if len({layout.spots[wire.key].part.name for wire in row}) < 2:
            continue
        yield Cause("common open", {"connector": name}, {w.key: OFF for w in single if w.tested}, group, besides=others)
        for kind in ("contact", "lamp"):
            along = sorted((w for w in single if w.kind == kind and w.tested and w.pins), key=lambda w: w.pins)
            for way in (along, along[::-1]):
                for at in range(2, len(way) - LEAST + 1):
                    before, behind = way[:at], way[at:]
                    if sum(not wire.dead and not wire.wrong for wire in before) < 2:
                        continue
                    sent = {w.key: OFF for w in along if w in behind}
                    if tuple(sent) not in map(layout.channels_of, layout.controls):
                        detail = {"connector": name, "from": str(behind[0].pins[0])}
                        yield Cause("common open", detail, sent, group)
        for through in (wire for wire in contacts if not wire.dead and not wire.wrong):
            sent = {through.key: through.key} | {w.key: w.key for w in contacts}
            yield Cause("ground crossed", {"connector": name}, sent, group, besides=others, gate=through.key)
        yield from _moves(name, group, [w for w in single if w.tested and w.pins], others, row)


def _moves(
    name: str, group: str, pinned: list[WireEvidence], others: tuple[str, ...], row: list[WireEvidence]
) -> Iterator[Cause]:
    at = {wire.pins[0]: wire for wire in pinned}
    if len(at) < LEAST or len(at) != len(pinned):
        return
    pins = sorted({pin for wire in row for pin in wire.pins})
    for way in _ways(pins[0], pins[-1]):
        gates = [at[pin] for pin in way.grounds if pin in at and at[pin].kind == "contact"]
        for through in (None, *gates):
            sent = {}
            for pin, wire in at.items():
                source = at.get(way.back(pin) if wire.kind == "contact" else way.to(pin))
                sent[wire.key] = source.key if source is not None and source.kind == wire.kind else OFF
            gate = through.key if through is not None else ""
            if gate and way.kind == "plug reversed":
                sent[gate] = gate
            detail = {"connector": name, **way.detail}
            yield Cause(way.kind, detail, sent, group, besides=others, gate=gate)
            lamps = {wire.key: OFF for wire in pinned if wire.kind == "lamp"}
            if gate and lamps:  # the lamps have the plug's ground as well
                yield Cause(way.kind, detail, sent | lamps, group, besides=others, gate=gate)


def _off(name: str, row: list[WireEvidence]) -> BareFinding | None:
    """Return the finding if nothing on the plug works: the plug is off, or its common is broken. None otherwise."""
    asked = [wire for wire in row if wire.tested]
    if len(asked) < LEAST or not all(wire.dead for wire in asked):
        return None
    if all(wire.kind == "display" for wire in asked):
        return None  # displays on one chain, or each for itself
    return BareFinding("common open", tuple(wire.key for wire in asked), {"connector": name})


def _broken_off(name: str, row: list[WireEvidence]) -> BareFinding | None:
    """Return the finding if nothing works from one pin on: a common that goes from part to part is broken there."""
    order = [wire for wire in sorted(row, key=lambda w: w.pins or (0,)) if wire.tested and wire.pins]
    for kinds in (("contact",), ("lamp",), ("contact", "lamp", "encoder", "pot", "display", "selector")):
        along = [wire for wire in order if wire.kind in kinds]
        for way in (along, along[::-1]):
            tail = len(way)
            while tail and way[tail - 1].dead:
                tail -= 1
            behind, before = way[tail:], way[:tail]
            if len(behind) >= LEAST and before and not any(wire.dead or wire.wrong for wire in before):
                keys = tuple(wire.key for wire in along if wire in behind)
                if all(wire.kind == "display" for wire in behind):
                    continue  # displays on one chain, or each for itself
                return BareFinding("common open", keys, {"connector": name, "from": str(behind[0].pins[0])})
    return None


def _ground(name: str, row: list[WireEvidence]) -> BareFinding | None:
    """Return the finding if ground and a signal are swapped: that signal works, others only while it is made."""
    contacts = [wire for wire in row if wire.kind == "contact" and wire.tested]
    others = [wire for wire in row if wire.kind != "contact" and wire.tested]
    alive = [wire for wire in contacts if not wire.dead]
    if len(contacts) < LEAST or not alive or not all(wire.dead for wire in others):
        return None  # then everything else on the plug would have lost its ground, too
    for through in alive:
        if through.wrong:
            continue
        off = sum(wire.off_behind(wire, through) for wire in contacts if wire is not through)
        wrong = sum(wire.wrong for wire in contacts)
        if wrong + len(others) >= LEAST and wrong >= max(2, len(contacts) - 2) and off <= _BRUSHED * len(contacts):
            keys = (through.key, *(wire.key for wire in contacts if wire is not through))
            return BareFinding("ground crossed", keys, {"connector": name})
    return None


def _moved(name: str, row: list[WireEvidence], like_ground: bool = False) -> list[BareFinding]:
    """Return the findings if the plug sits one hole over or is turned round, so that signals are moved along the pins.

    Several findings fit equally well. With `like_ground` it is enough that nothing contradicts; otherwise a signal must
    have shown up in a wrong place.
    """
    pinned = [wire for wire in row if wire.pins and wire.kind in ("contact", "lamp") and wire.tested]
    others = [wire for wire in row if wire.kind not in ("contact", "lamp") and wire.tested]
    at: Mapping[int, WireEvidence] = {wire.pins[0]: wire for wire in pinned}
    wrong = [wire for wire in pinned if wire.wrong or wire.off_by(wire.on, wire.known)]
    if len(at) != len(pinned) or len(wrong) + len(others) < LEAST or len(wrong) < 2:
        return []
    if not all(wire.dead for wire in others):
        return []  # parts with several wires are dead on a plug that has moved
    pins = sorted({pin for wire in row for pin in wire.pins})
    if not any(wire.seen & wire.sure for wire in pinned):
        return []
    best: dict[tuple[str, object], tuple[int, BareFinding]] = {}
    doubtful: set[tuple[str, object]] = set()
    """Findings that fit although no signal has shown up in a wrong place."""
    for way in _ways(pins[0], pins[-1]):
        gates: list[_Gate] = [_ALWAYS, _NEVER]
        gates += [at[pin] for pin in way.grounds if pin in at and at[pin].kind == "contact"]
        for through in gates:
            off = sum(_off_when_moved(at, pin, way, through) for pin in at)
            rest = [wire for wire in (*pinned, *others) if wire is not through]
            alone = isinstance(through, WireEvidence) and len(rest) >= LEAST and all(wire.dead for wire in rest)
            shown = like_ground or alone or through is _ALWAYS or any(_elsewhere(at, pin, way) for pin in at)
            if not shown and not (through is _NEVER and _only_middle_lives(at, way)):
                continue
            finding = (way.kind, way.detail.get("by"))
            if off <= _BRUSHED * len(at) and (finding not in best or off < best[finding][0]):
                keys = tuple(wire.key for wire in sorted((*pinned, *others), key=lambda wire: wire.pins or (0,)))
                best[finding] = off, BareFinding(way.kind, keys, {"connector": name, **way.detail})
                if not shown:
                    doubtful.add(finding)
    least = min((off for off, _ in best.values()), default=0)
    fits = [each for each, (off, _) in best.items() if off == least]
    out = [best[each][1] for each in fits]
    if fits and doubtful.issuperset(fits):
        dead = tuple(wire.key for wire in (*pinned, *others) if wire.dead)
        out.append(BareFinding("common open", dead, {"connector": name}))
    return out


def _only_middle_lives(at: Mapping[int, WireEvidence], way: _Way) -> bool:
    """Return whether all are dead except the one in the middle of a turned plug, whose wire ends in its own place."""
    living = [pin for pin, wire in at.items() if not wire.dead]
    return len(at) - len(living) >= LEAST and all(way.to(pin) == pin for pin in living)


class _Way(NamedTuple):
    """One way for a plug to sit wrongly: the wire of `pin` ends at header pin `to(pin)`."""

    kind: str
    detail: dict[str, object]
    to: Callable[[int], int]
    back: Callable[[int], int]
    grounds: tuple[int, ...]
    """Pins of which one wire then sits on the header's ground, if the plug has a ground beside them."""


def _ways(first: int, last: int) -> Iterator[_Way]:
    yield _Way("plug shifted", {"by": 1}, lambda pin: pin + 1, lambda pin: pin - 1, (last,))
    yield _Way("plug shifted", {"by": -1}, lambda pin: pin - 1, lambda pin: pin + 1, (first,))
    grounded: tuple[tuple[int, tuple[int, ...]], ...] = ((0, ()), (-1, (last,)), (1, (first,)))
    for more, grounds in grounded:

        def other_end(pin: int, ends: int = first + last + more) -> int:
            return ends - pin

        yield _Way("plug reversed", {}, other_end, other_end, grounds)


_ALWAYS, _NEVER = "always", "never"
_Gate = WireEvidence | str


def _elsewhere(at: Mapping[int, WireEvidence], pin: int, way: _Way) -> bool:
    """Return whether the signal of another wire was seen at header pin `pin`."""
    wire = at[pin]
    source = at.get(way.back(pin) if wire.kind == "contact" else way.to(pin))
    if source is None or source is wire or source.kind != wire.kind:
        return False
    seen, open_ = wire.seen & wire.sure, ~wire.seen & wire.sure
    # Before a switch is first moved it may have been made without anybody knowing, but it did not come and go.
    if seen & ~wire.known & ~source.known and open_ & ~wire.known & ~source.known:
        return True
    return bool(seen & wire.known & ~wire.on & (source.on & source.known & source.own | ~source.known))


def _off_when_moved(at: Mapping[int, WireEvidence], pin: int, way: _Way, through: _Gate) -> int:
    """Return at how many moments the wire at header pin `pin` showed something other than `way` predicts.

    A contact is read where its wire ends; a lamp is lit by the pin where its wire ends. `through` is the contact
    through which the plug's common goes, or always or never.
    """
    wire = at[pin]
    if wire is through and way.kind == "plug reversed":
        return wire.off_by(wire.on, wire.known)  # if anything ends at its pin, it is the plug's own ground
    source = at.get(way.back(pin) if wire.kind == "contact" else way.to(pin))
    if source is None or source.kind != wire.kind or (wire.kind == "contact" and through == _NEVER):
        return wire.off_by(0, wire.known)
    if wire.kind == "contact" and isinstance(through, WireEvidence):
        return wire.off_behind(source, through)
    return wire.off_by(source.on, source.known)
