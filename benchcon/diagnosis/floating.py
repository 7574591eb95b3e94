"""Floating inputs: nothing holds them at a level while their contact is open, so they pick up mains hum.

Such an input changes with the period of the mains, 20 ms or 16.7 ms (50 and 60 Hz), or half of it, and is quiet while
its contact is made and holds it at ground. A worn contact does neither (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.findings import BareFinding
from benchcon.diagnosis.layout import PanelIndex, Spot
from benchcon.diagnosis.settled import SettledStep, Story

PERIODS_US = (20_000, 16_667, 10_000, 8_333)
OFF = 0.07
"""Tolerance of a period as a share of it, for the board's scan and the host's clock."""
LEAST = 8
"""Number of periods that is no coincidence."""
SHARE = 0.75
FEW = 5
"""Number of periods that is no coincidence if the input showed nothing else; a single time is taken for a period by
chance once in ten."""


def find(layout: PanelIndex, story: Story) -> list[BareFinding]:
    """Return the contacts and encoder phases that float, with `period_us` and the number of `periods` seen."""
    out = []
    changes_by = [_by_channel(moment.hand.changes) for moment in story.moments]
    edges_by = [_by_channel(moment.hand.edges) for moment in story.moments]
    for key, spot in layout.spots.items():
        if spot.kind not in ("contact", "encoder") or not spot.part.wired:
            continue
        steps: list[int] = []
        levels: list[int] = []
        for moment, all_changes, all_edges in zip(story.moments, changes_by, edges_by, strict=True):
            changes, edges = all_changes.get(key, []), all_edges.get(key, [])
            if (changes or edges) and _held(layout, spot, moment):
                steps = []
                break
            if spot.part.name in moment.hand.parts and moment.hand.do != "rest":
                if spot.kind == "contact":
                    steps += _periods(edges)  # it is being moved and may bounce, but bounce does not have this period
                continue
            if not changes and not edges:
                continue
            steps += [*_periods(changes), *_periods(edges)]
            levels += [change.value for change in edges]
        best = max(PERIODS_US, key=lambda period: _near(steps, period))
        good = _near(steps, best)
        if (good >= LEAST and good >= SHARE * len(steps)) or good == len(steps) >= FEW:
            detail: dict[str, object] = {"period_us": best, "periods": good}
            if spot.kind == "encoder":
                detail |= {"on": "encoder", **_phase(levels)}
            out.append(BareFinding("floating", (key,), detail))
    return out


def _by_channel(changes: Sequence[Change]) -> dict[str, list[Change]]:
    sorted_: dict[str, list[Change]] = {}
    for change in changes:
        sorted_.setdefault(change.channel, []).append(change)
    return sorted_


def _near(steps: Sequence[int], period_us: int) -> int:
    return sum(abs(step - period_us) <= OFF * period_us for step in steps)


def _held(layout: PanelIndex, spot: Spot, moment: SettledStep) -> bool:
    """Return whether the contact was made and nobody moved it: then even a floating input is quiet."""
    control = layout.controls[spot.part.name]
    position = moment.where.get(control.name)
    if spot.kind != "contact" or position is None or control.name in moment.hand.parts:  # if moved, it was also open
        return False
    code = control.codes[position]
    return spot.place < len(code) and bool(code[spot.place])


def _periods(row: Sequence[Change]) -> Iterator[int]:
    """Yield the times in µs between changes to the same value, on the board's clock where it is known."""
    fine = all(change.clock_us >= 0 for change in row)
    last: dict[int, int] = {}
    for change in row:
        at = change.clock_us if fine else change.at_us
        if change.value in last and at - last[change.value] < 4 * PERIODS_US[0]:
            yield at - last[change.value]
        last[change.value] = at


def _phase(levels: Sequence[int]) -> dict[str, str]:
    """Return the floating phase as `detail`, if raw edges show it: the one that changes far more often; else empty."""
    moves = [a ^ b for a, b in pairwise(levels)]
    a, b = sum(move >> 1 & 1 for move in moves), sum(move & 1 for move in moves)
    return {"phase": "A"} if a > 4 * b else {"phase": "B"} if b > 4 * a else {}
