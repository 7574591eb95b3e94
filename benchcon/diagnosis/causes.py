"""Causes of many wires' faults: what one mistake would do to many wires at once, compared with what they showed.

Each cause predicts for every wire that it touches what would be seen there: the signal of another wire, always the same
value, or the opposite. The causes in chains of shift registers are in `benchcon.diagnosis.chains`; this module has
those in a matrix, in two looms and on a whole board, and judges all of them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import chain, combinations
from typing import NamedTuple

from benchcon.diagnosis.chains import of_chains
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex, Spot
from benchcon.diagnosis.sources import OFF, ON, OTHER_WAY, Cause
from benchcon.diagnosis.wires import LEAST, WireEvidence

MISFITS = 0.12
"""Share of a cause's wires that may show something else, by a second fault or a brushed neighbour (no source)."""
AS_GOOD = 3
"""Most causes that fit equally well and are still reported; if more fit, none is."""


def find(
    layout: PanelIndex,
    wires: Mapping[str, WireEvidence],
    but: Collection[str] = (),
    wide: bool = False,
    parts: bool = True,
) -> tuple[list[Choices], set[str]]:
    """Return the causes that fit, and the channels that they explain. Wires in `but` are explained already.

    `wide` leaves out causes that one connector could explain as well; `parts` includes those of a single part.
    """
    makers = [of_looms(layout), of_boards(layout), of_chains(layout), of_matrices(layout)]
    groups: dict[str, list[Cause]] = {}
    for cause in chain(*makers, of_parts(layout) if parts else ()):
        groups.setdefault(cause.group, []).append(cause)
    out: list[Choices] = []
    explained = set(but)
    fits = {group: _best(layout, wires, several, explained, wide) for group, several in groups.items()}
    while any(fit.causes for fit in fits.values()):
        # The cause that explains most comes first; causes of other kinds that explain the same are alternatives to it.
        least = min((fit for fit in fits.values() if fit.causes), key=lambda fit: fit.rank)
        alike = [fit for fit in fits.values() if fit.rank == least.rank and fit.wrong == least.wrong]
        best = [cause for fit in alike for cause in fit.causes][:AS_GOOD]
        out.append([[BareFinding(cause.kind, cause.channels, cause.detail)] for cause in best])
        out[-1] += _each_for_itself(layout, best)
        new = {key for cause in best for key in cause.channels} - explained
        explained |= new
        for group, fit in fits.items():
            if fit.causes:
                fits[group] = _best(layout, wires, groups[group], explained, wide)
    return out, explained - set(but)


class _Fit(NamedTuple):
    """The causes of one group that fit best."""

    causes: Sequence[Cause] = ()
    rank: tuple[float, int] = (0.0, 0)
    wrong: frozenset[str] = frozenset()
    """The faulty wires that they explain."""


def _each_for_itself(layout: PanelIndex, best: Sequence[Cause]) -> Choices:
    """Return the alternative that each wire is stuck by itself, for a few wires that are on all the time."""
    if len(best) > 1 or len(best[0].channels) > LEAST or set(best[0].sent.values()) != {ON}:
        return []
    kinds = {"contact": "stuck", "lamp": "always on"}
    keys = tuple(best[0].sent)
    return [[BareFinding(kinds[layout.spots[keys[0]].kind], keys)]]


def _best(
    layout: PanelIndex,
    wires: Mapping[str, WireEvidence],
    causes: Iterable[Cause],
    explained: Collection[str],
    wide: bool,
) -> _Fit:
    """Return the cause that fits and explains most; several if they explain the same equally well."""
    fitting: list[tuple[tuple[float, int], int, Cause, frozenset[str]]] = []
    for number, cause in enumerate(causes):
        there = [wires[key] for key in cause.sent if key in wires and key not in explained]
        asked = [wire for wire in there if wire.tested]
        # Keys held together prove nothing here: what they show under such a cause cannot be predicted.
        alone = ~two_made(wires, cause.tangled, surely=True)
        wrong = [wire for wire in there if wire.wrong_at(alone)]
        if len(wrong) < cause.least or 2 * len(wrong) < len(asked):
            continue
        if wide and not _is_wide(layout, wrong):
            continue
        if cause.kind == "looms interchanged" and not any(elsewhere(wires, wire, cause) for wire in wrong):
            continue  # if nothing arrives, a loom is off: that does not show that it went to another place
        judged = ~two_made(wires, cause.tangled)
        off_by = [off(wires, wire, cause.sent[wire.key], judged) for wire in there]
        if any(each and works(wire, cause) for each, wire in zip(off_by, there, strict=True)):
            continue
        if cause.tangled and any(cause.sent[wire.key] == OFF and works(wire, cause, alone) for wire in there):
            continue
        misfits = sum(1 for each in off_by if each)
        if misfits <= MISFITS * len(there):
            # Each faulty wire that is explained scores one; each that does not fit costs two.
            rank = -(len(wrong) - 2.0 * misfits), sum(off_by)
            fitting.append((rank, number, cause, frozenset(wire.key for wire in wrong)))
    if not fitting:
        return _Fit()
    least = min(each[0] for each in fitting)
    fitting = sorted((each for each in fitting if each[0] == least), key=lambda each: each[1])
    best = [each[2] for each in fitting]
    first = best[0]
    alike = [cause for cause in best if cause is first or not cause.shadowed_by(first)]
    # The first of every kind comes before the second of any kind.
    kinds = [cause.kind for cause in alike]
    ordered = sorted(alike, key=lambda cause: cause is not alike[kinds.index(cause.kind)])[:AS_GOOD]
    return _Fit(ordered, least, fitting[0][3])


def works(wire: WireEvidence, cause: Cause, judged: int = -1) -> bool:
    """Return whether `wire` worked properly although `cause` says that it could not.

    No second fault could make it do so, except one that reverses it again. Only the moments in the mask `judged` count.
    """
    own = wire.on & wire.seen & wire.own & wire.known & wire.sure & judged
    return cause.sent[wire.key] != OTHER_WAY and not wire.wrong_at(judged) and bool(own)


def elsewhere(wires: Mapping[str, WireEvidence], wire: WireEvidence, cause: Cause) -> bool:
    """Return whether `wire` showed the signal of the wire that, by `cause`, arrives there."""
    source = wires.get(cause.sent[wire.key])
    if source is None:  # the other wire is not judged (contacts made in turn): any signal but its own is enough
        sent = cause.sent[wire.key] not in (OFF, ON, OTHER_WAY)
        return sent and bool(wire.seen & wire.sure & wire.known & ~wire.on)
    return bool(source.on & source.known & wire.seen & wire.sure & ~(wire.on & wire.known))


def _is_wide(layout: PanelIndex, wrong: Iterable[WireEvidence]) -> bool:
    """Return whether the wires `wrong` are on more than one connector, or on none that is known."""
    plugs = {(spot.channel.board, spot.channel.wire.connector) for spot in (layout.spots[w.key] for w in wrong)}
    return len(plugs) > 1 or not any(name for _, name in plugs)


def two_made(wires: Mapping[str, WireEvidence], keys: Iterable[str], surely: bool = False) -> int:
    """Return the mask of moments at which two of `keys` were made or, without `surely`, may have been."""
    one = two = 0
    for wire in (wires[key] for key in keys if key in wires):
        made = wire.on & wire.known if surely else wire.on | ~wire.known
        one, two = one | made, two | one & made
    return two


def off(wires: Mapping[str, WireEvidence], wire: WireEvidence, source: str, judged: int = -1, gate: str = "") -> int:
    """Return at how many of the moments in the mask `judged` `wire` showed something other than the signal of `source`.

    `gate` is the contact through which its ground goes, if any.
    """
    every = wire.sure & judged
    through = wires.get(gate)
    if through is not None and wire.kind == "contact" and wire is not through and source in wires:
        return wire.off_behind(wires[source], through)
    if source == OFF:
        return wire.off_by(0, every)
    if source == ON:
        return wire.off_by(every, every)
    if source == OTHER_WAY:
        return wire.off_by(~wire.on & wire.known, wire.known & judged)
    other = wires.get(source)
    if other is None:
        return 0  # `source` is not judged, so nothing contradicts
    if other.kind != wire.kind:
        return wire.off_by(0, every)
    return wire.off_by(other.on, other.known & judged)


# --- a matrix ---------------------------------------------------------------------------------------------------


def of_matrices(layout: PanelIndex) -> Iterator[Cause]:
    """Yield the causes in matrices: a line off, two lines swapped, all diodes reversed, or (without diodes) no plug."""
    matrices: dict[str, dict[tuple[int, int], str]] = {}
    for key, cross in layout.crosses.items():
        if layout.spots[key].part.wired:
            matrices.setdefault(cross.matrix, {})[cross.row, cross.column] = key
    for name, at in matrices.items():
        if len({r for r, _ in at}) > 1 and len({c for _, c in at}) > 1:
            kind = "diodes backwards" if layout.diodes.get(name, True) else "common open"
            yield Cause(kind, {"matrix": name}, dict.fromkeys(at.values(), OFF), f"matrix {name}")
        for axis, word in enumerate(("row", "column")):
            lines = sorted({place[axis] for place in at})
            for line in lines:
                keys = [key for place, key in at.items() if place[axis] == line]
                sent = dict.fromkeys(keys, OFF)
                yield Cause("matrix line off", {"matrix": name, word: line}, sent, f"matrix {name}", least=2)
            for one, other in combinations(lines, 2):
                sent = {}
                for place, key in at.items():
                    if place[axis] in (one, other):
                        there = list(place)
                        there[axis] = other if place[axis] == one else one
                        sent[key] = at.get((there[0], there[1]), OFF)
                detail = {"matrix": name, f"{word}s": [one, other]}
                # Without diodes, keys held together make ghosts at the places where the swapped lines now are.
                tangled = () if layout.diodes.get(name, True) else tuple(at.values())
                yield Cause("matrix lines crossed", detail, sent, f"matrix {name}", tangled=tangled)
        yield from _row_with_column(layout, name, at)


def _row_with_column(layout: PanelIndex, name: str, at: Mapping[tuple[int, int], str]) -> Iterator[Cause]:
    """Yield the causes of a row's wire swapped with a column's: then nothing on either works.

    Without diodes the key at their own crossing, where current flows either way, still works.
    """
    for row in sorted({r for r, _ in at}):
        for column in sorted({c for _, c in at}):
            sent = {key: OFF for (r, c), key in at.items() if r == row or c == column}
            if not layout.diodes.get(name, True) and (row, column) in at:
                sent[at[row, column]] = at[row, column]
            detail = {"matrix": name, "rows": [row], "columns": [column]}
            yield Cause("matrix lines crossed", detail, sent, f"matrix {name}", tangled=tuple(at.values()))


# --- two looms, a board, a part -----------------------------------------------------------------------------------


def of_looms(layout: PanelIndex) -> Iterator[Cause]:
    """Yield the causes of two interchanged looms: of two boards, or of two plugs."""
    boards: dict[str, dict[tuple[str, str], str]] = {}
    by_pin: dict[str, dict[tuple[str, str], str]] = {}
    others: dict[str, list[str]] = {}
    plugs: dict[tuple[str, str], dict[tuple[str, str], str]] = {}
    on_plug: dict[tuple[str, str], list[str]] = {}
    for key, spot in layout.spots.items():
        if not spot.part.wired:
            continue
        if spot.kind in ("contact", "lamp"):
            wire = spot.channel.wire
            by_pin.setdefault(spot.channel.board, {})[spot.kind, _pin_of(layout, spot)] = key
            plugged = f"{wire.connector} {wire.connector_pin}" if wire.connector and wire.connector_pin else ""
            boards.setdefault(spot.channel.board, {})[spot.kind, plugged or _pin_of(layout, spot)] = key
            if plugged:
                plugs.setdefault((spot.channel.board, wire.connector), {})[spot.kind, wire.connector_pin] = key
        else:
            others.setdefault(spot.channel.board, []).append(key)
            on_plug.setdefault((spot.channel.board, spot.channel.wire.connector), []).append(key)
    for places in (boards, by_pin):
        for (one, here), (other, there) in combinations(places.items(), 2):
            besides = (*others.get(one, ()), *others.get(other, ()))
            detail: dict[str, list[str]] = {"boards": [one, other]}
            sent = _exchanged(here, there)
            yield Cause("looms interchanged", detail, sent, "looms", least=2 * LEAST, besides=besides)
    for (first, here), (second, there) in combinations(plugs.items(), 2):
        detail = {"connectors": [" ".join(first), " ".join(second)]}
        besides = (*on_plug.get(first, ()), *on_plug.get(second, ()))  # parts with several wires are dead there
        sent, group = _exchanged(here, there), f"plugs {first} {second}"
        yield Cause("looms interchanged", detail, sent, group, least=LEAST + 1, besides=besides)


def _pin_of(layout: PanelIndex, spot: Spot) -> str:
    """Return the board's pin that a wire goes to; for a contact in a matrix the pins of its row and column."""
    cross = layout.crosses.get(spot.key)
    for matrix in layout.panel.matrices:
        if (
            cross
            and matrix.name == cross.matrix
            and cross.row < len(matrix.rows)
            and cross.column < len(matrix.columns)
        ):
            return f"{matrix.rows[cross.row]} with {matrix.columns[cross.column]}"
    return spot.channel.wire.pin or spot.channel.id


def _exchanged(here: Mapping[tuple[str, str], str], there: Mapping[tuple[str, str], str]) -> dict[str, str]:
    sent = {key: there.get(place, OFF) for place, key in here.items()}
    return sent | {key: here.get(place, OFF) for place, key in there.items()}


def of_boards(layout: PanelIndex) -> Iterator[Cause]:
    """Yield the cause of each board whose contacts all read inverted."""
    boards: dict[str, list[str]] = {}
    for key, spot in layout.spots.items():
        if spot.kind == "contact" and spot.part.wired:
            boards.setdefault(spot.channel.board, []).append(key)
    for name, keys in boards.items():
        yield Cause("level inverted", {"board": name}, dict.fromkeys(keys, OTHER_WAY), f"board {name}")


def of_parts(layout: PanelIndex) -> Iterator[Cause]:
    """Yield the causes in switches with several contacts: an open common, or contacts wired from the other end."""
    for name, control in layout.controls.items():
        keys = layout.channels_of(name)
        if len(keys) > 1 and control.wired and layout.spots[keys[0]].kind == "contact":
            sent = dict.fromkeys(keys, OFF)
            yield Cause("common open", {"part": name}, sent, f"part {name}", least=2)
        if len(keys) > 3 and control.wired and layout.spots[keys[0]].kind == "contact":
            turned = dict(zip(keys, reversed(keys), strict=True))
            if len(keys) % 2:
                del turned[keys[len(keys) // 2]]
            yield Cause("reversed", {"part": name, "on": "switch"}, turned, f"part {name}")
