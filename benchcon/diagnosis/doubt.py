"""How far evidence can be trusted that does not agree with itself: where much is unexplained, nothing is certain.

A loose common, a dying supply or somebody who answers without looking makes every part read what it likes. Among so
much that fits no fault some of it fits one by chance, and that must not be told as certain.
"""

from __future__ import annotations

from collections.abc import Collection

from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex

MUCH = 0.25
"""This share of the lamps or controls being unexplained casts doubt on all that is said of them."""
AT_LEAST = 2
"""So many lamps or controls have to be unexplained at least; of a display with its segments it is the display."""
SEVERAL = 3
"""So many faults, not all of one kind, on a display, or on fewer than twice as many lamps, are no coincidence."""


def where_it_contradicts(layout: PanelIndex, found: list[Choices]) -> list[Choices]:
    """Return `found` with what is certain made a question, where too much else of the same sort is unexplained."""
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
    """Return whether too much is unexplained of the channels `keys`, which are all that there are of one sort."""
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
    """Return what a channel is judged with: all lamps, all controls, and each display by itself."""
    kind = layout.spots[key].kind if key in layout.spots else ""
    return {"lamp": "lamp", "display": key}.get(kind, "control")


def _keys(choices: Choices) -> tuple[str, ...]:
    """Return the channels of a certain finding that says what is wrong; none if it says that it does not know."""
    if any(raw.kind == "unexplained" for raw in choices[0]):
        return ()
    return tuple(dict.fromkeys(key for raw in choices[0] for key in raw.channels))
