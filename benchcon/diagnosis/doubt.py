"""Marks findings as uncertain if much of the other evidence is unexplained.

With a loose common, a failing supply, or a person who answers without looking, parts read at random. Some of that will
fit a fault by chance, and must not be reported as certain.
"""

from __future__ import annotations

from collections.abc import Collection

from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex

MUCH = 0.25
"""Share of the lamps, or of the controls, that must be unexplained to make all findings about them doubtful."""
AT_LEAST = 2
"""Least number of lamps or controls that must be unexplained; of a display with its segments it is the display."""
SEVERAL = 3
"""Number of faults, not all of one kind, on one display or on fewer than twice as many lamps, that is no
coincidence."""


def where_it_contradicts(layout: PanelIndex, found: list[Choices]) -> list[Choices]:
    """Return `found` with certain findings made uncertain where too much else of the same sort is unexplained."""
    sorts: dict[str, set[str]] = {}
    for key in layout.spots:
        sorts.setdefault(_sort(layout, key), set()).add(key)
    doubted = {sort for sort, keys in sorts.items() if _is_doubtful(sort, found, keys)}
    return [
        [*choices, [BareFinding("unexplained", _keys(choices))]]
        if len(choices) == 1 and any(_sort(layout, key) in doubted for key in _keys(choices))
        else choices
        for choices in found
    ]


def _is_doubtful(sort: str, found: list[Choices], keys: Collection[str]) -> bool:
    """Return whether too many of the channels `keys`, all of one sort, are unexplained."""
    unexplained = {
        key
        for choices in found
        for each in choices
        for raw in each
        if raw.kind == "unexplained"
        for key in raw.channels
    }.intersection(keys)
    if len(unexplained) >= (max(AT_LEAST, MUCH * len(keys)) if sort in ("lamp", "control") else 1):
        return True
    kinds = [raw.kind for choices in found for raw in choices[0] if not {*raw.channels}.isdisjoint(keys)]
    return sort != "control" and len(kinds) >= max(SEVERAL, len(keys) / 2) and len(set(kinds)) > 1


def _sort(layout: PanelIndex, key: str) -> str:
    """Return the group in which a channel is judged: all lamps, all controls, or one display."""
    kind = layout.spots[key].kind if key in layout.spots else ""
    return {"lamp": "lamp", "display": key}.get(kind, "control")


def _keys(choices: Choices) -> tuple[str, ...]:
    """Return the channels of a certain finding; empty if it is uncertain or “unexplained”."""
    if any(raw.kind == "unexplained" for raw in choices[0]):
        return ()
    return tuple(dict.fromkeys(key for raw in choices[0] for key in raw.channels))
