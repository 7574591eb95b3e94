"""Sentences that say at once what came of a step of the hand, if that is not what was asked for."""

from __future__ import annotations

from collections.abc import Mapping

from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Control
from benchcon.text import listed
from benchcon.walk import judge
from benchcon.walk.plan import Step


def moved(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> list[str]:
    """Return the labels of the controls that have changed since `before` although `step` is not about them."""
    out: dict[str, None] = {}
    for key, spot in layout.spots.items():
        part = spot.part
        if not isinstance(part, Control) or part.name in step.parts or key not in values:
            continue
        by = abs(values[key] - before.get(key, values[key]))
        # A potentiometer is never quite still.
        if by > (abs(part.high_count - part.low_count) / 20 if part.kind == "pot" else 0):
            out[part.label] = None
    return list(out)


def outcome_text(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> str:
    """Return what came of `step`, such as ``Taxiway moved, Runway edge was asked.``"""
    asked = listed([layout.part(name).label for name in step.parts])
    others = moved(layout, step, before, values)
    own = any(values.get(key) != before.get(key) for key in judge.own_channels(layout, step))
    if others:
        return f"{listed(others)} moved {'as well as' if own else 'instead of'} {asked}."
    if own:
        return f"{asked} moved, but is not where it should be."
    return f"No change was seen on {asked}."
