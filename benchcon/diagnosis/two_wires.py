"""Causes of only two wires' faults: a plug, or a chip of a chain, with just two wires on it that fail alike.

With three or more wires the cause is certain. With two it is the likelier explanation, and two single faults are the
alternative.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from benchcon.diagnosis.chains import of_chains
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.sources import OFF, ON

MOST = 3
"""Most explanations that are given, the two single faults included."""
_SHOWS = {"open": OFF, "dead": OFF, "stuck": ON, "always on": ON}
"""For each kind of fault what the wire shows: never on, or always on."""


def find(layout: PanelIndex, found: list[Choices]) -> list[Choices]:
    """Return `found` with each two certain faults that share a cause made alternatives to it; the cause is first."""
    single = {
        choices[0][0].channels[0]: choices
        for choices in found
        if len(choices) == len(choices[0]) == len(choices[0][0].channels) == 1 and choices[0][0].kind in _SHOWS
    }
    causes: dict[frozenset[str], list[BareFinding]] = {}
    for raw, shows in _causes(layout):
        if all(key in single and _SHOWS[single[key][0][0].kind] == shows for key in raw.channels):
            causes.setdefault(frozenset(raw.channels), []).append(raw)
    out = list(found)
    for keys, several in causes.items():
        both = [single[key] for key in sorted(keys, key=list(layout.spots).index)]
        if not all(any(each is choices for choices in out) for each in both):
            continue  # one of them is part of another alternative already
        at = min(number for number, choices in enumerate(out) if any(choices is each for each in both))
        out = [choices for choices in out if not any(choices is each for each in both)]
        out.insert(at, [*([raw] for raw in several[: MOST - 1]), [each[0][0] for each in both]])
    return out


def _causes(layout: PanelIndex) -> Iterator[tuple[BareFinding, str]]:
    """Yield the causes in each plug and chip with wires of two parts, and what these wires then show."""
    plugs: dict[tuple[str, str], list[str]] = {}
    for key, spot in layout.spots.items():
        if spot.channel.wire.connector and spot.part.wired:
            plugs.setdefault((spot.channel.board, spot.channel.wire.connector), []).append(key)
    for (_, name), keys in plugs.items():
        if _are_two(layout, keys):
            yield BareFinding("common open", tuple(keys), {"connector": name}), OFF
    chips: dict[tuple[frozenset[str], str], tuple[tuple[str, ...], Mapping[str, object]]] = {}
    for cause in of_chains(layout):
        shows = set(cause.sent.values())
        if cause.kind == "chip dead" and len(shows) == 1 and _are_two(layout, cause.channels):
            # A chip that also stops those behind it, where there are none, comes last.
            chips.setdefault((frozenset(cause.channels), shows.pop()), (cause.channels, cause.detail))
    for (_, shown), (keys_, detail) in chips.items():
        yield BareFinding("chip dead", keys_, detail), shown


def _are_two(layout: PanelIndex, keys: tuple[str, ...] | list[str]) -> bool:
    spots = [layout.spots[key] for key in keys]
    return len(spots) == 2 and spots[0].part is not spots[1].part and {spot.kind for spot in spots} != {"display"}
