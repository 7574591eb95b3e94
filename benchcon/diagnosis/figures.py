"""Measured figures of each part in a walk: times, bounce, counts per detent, a potentiometer's ends and noise."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from benchcon.diagnosis.chatter import FAST_US
from benchcon.diagnosis.evidence import Change, Evidence, HandStep
from benchcon.panel.model import Control, Part
from benchcon.wire.items import signed16


def figures(part: Part, evidence: Iterable[Evidence]) -> dict[str, Any]:
    """Return the figures of one part as JSON values, with the unit in each name."""
    if not isinstance(part, Control):
        return {}
    hands = [each for each in evidence if isinstance(each, HandStep) and part.name in each.parts]
    keys = [channel.key for channel in part.channels]
    if part.kind == "encoder":
        turns = [(h.to, _net(h, keys[0])) for h in hands if h.do == "turn" and h.to]
        out: dict[str, Any] = {}
        for name, row in (("right", [t for t in turns if t[0] > 0]), ("left", [t for t in turns if t[0] < 0])):
            if row:
                out[f"counts_a_detent_{name}"] = round(sum(n for _, n in row) / sum(abs(to) for to, _ in row), 2)
        out["invalid_transitions"] = sum(h.invalid.get(keys[0], 0) for h in hands)
        return out
    if part.kind == "pot":
        ends = [h.values[keys[0]] for h in hands if h.do == "end" and keys[0] in h.values]
        still = [c.value for h in hands if h.do == "still" for c in h.readings if c.channel == keys[0]]
        out = {"min_counts": min(ends), "max_counts": max(ends)} if ends else {}
        return out | ({"noise_counts": max(still) - min(still)} if still else {})
    bounce = [b for h in hands for key in keys for b in _bounces(h, key, several=len(keys) > 1)]
    if not bounce:
        return {}
    return {"longest_bounce_us": max(b for b, _ in bounce), "most_edges": max(n for _, n in bounce)}


def _net(hand: HandStep, key: str) -> int:
    return signed16(hand.values.get(key, 0) - hand.before.get(key, 0))


def _bounces(hand: HandStep, key: str, several: bool) -> list[tuple[int, int]]:
    """Return for each movement of a contact the time from its first edge to its last, in µs, and the number of edges.

    With `several` contacts, one that ends as it began was passed on the way to another position, and did not bounce.
    """
    out: list[list[Change]] = []
    for edge in hand.edges:
        if edge.channel != key:
            continue
        if out and 0 <= _at(edge) - _at(out[-1][-1]) < FAST_US:
            out[-1].append(edge)
        else:
            out.append([edge])
    return [(_at(row[-1]) - _at(row[0]), len(row)) for row in out if len(row) % 2 or not several]


def _at(change: Change) -> int:
    return change.clock_us if change.clock_us >= 0 else change.at_us


_WORDS = {
    "counts_a_detent_right": "counts per detent to the right",
    "counts_a_detent_left": "counts per detent to the left",
    "min_counts": "min",
    "max_counts": "max",
    "noise_counts": "noise",
}


def words(figures: Mapping[str, Any]) -> str:
    """Return the figures of one part in words, in convenient units."""
    left = dict(figures)
    out: list[str] = []
    bounce, edges = left.pop("longest_bounce_us", None), left.pop("most_edges", None)
    if isinstance(bounce, int | float):
        out.append(f"bounces for {bounce / 1000:g} ms, {edges} edges" if bounce else "no bounce")
    if left.get("invalid_transitions") == 0:
        del left["invalid_transitions"]
    out += [f"{_WORDS.get(key, key.replace('_', ' '))} {value}" for key, value in left.items()]
    return "; ".join(out)
