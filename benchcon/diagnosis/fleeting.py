"""Contacts that do not always do what they should: worn ones that miss, and inputs that a neighbour's wire moves."""

from __future__ import annotations

from benchcon.diagnosis.chatter import FAST_US
from benchcon.diagnosis.contacts import BareFinding, coupled
from benchcon.diagnosis.layout import PanelIndex, codes_of, key_of
from benchcon.diagnosis.settled import Story
from benchcon.panel.model import Control

ASKED = 5
"""Asked less often, a contact that showed nothing once is as likely a hand that slipped."""
PULSES = 2


def missing(layout: PanelIndex, story: Story) -> list[BareFinding]:
    """Return the contacts that made some of the times that they were asked to, and not the others."""
    rows: dict[str, list[bool]] = {}
    for moment in story.moments:
        hand = moment.hand
        if hand.do != "put" or len(hand.parts) != 1 or not isinstance(layout.part(hand.parts[0]), Control):
            continue
        control = layout.controls[hand.parts[0]]
        codes = codes_of(control)
        code = codes[hand.to] if 0 <= hand.to < len(codes) else ()
        for channel, value in zip(control.channels, code, strict=False):
            key = key_of(channel)
            if not layout.diodes.get(layout.matrix_of.get(key, ""), True):
                continue  # the board keeps to itself what may be a ghost
            if value == 1 and layout.spots[key].kind == "contact" and moment.before.get(key) != 1:
                nothing = not any(change.channel == key for change in hand.changes)
                rows.setdefault(key, []).append(moment.values.get(key) == 1 or not nothing)
    out = []
    for key, came in rows.items():
        missed = came.count(False)
        # The first of them is why it was asked again: a slip of the hand is as likely. A second one is not.
        if len(came) >= ASKED and missed > 1 and any(came):
            out.append(BareFinding("misses", (key,), {"asked": len(came), "missed": missed}))
    return out


def crosstalk(layout: PanelIndex, story: Story) -> list[BareFinding]:
    """Return the contacts that are made for a moment whenever one and the same other one changes, and never else."""
    with_: dict[str, dict[str, int]] = {}
    alone: set[str] = set()
    for moment in story.moments:
        at: dict[str, list[tuple[int, int]]] = {}
        for change in moment.hand.changes:
            spot = layout.spots.get(change.channel)
            if spot is not None and spot.kind == "contact" and spot.part.name not in moment.hand.parts:
                at.setdefault(change.channel, []).append((change.clock_us, change.value))
        causes = {(other, change.clock_us): cause for cause, other, change in coupled(layout, moment)}
        for key, row in at.items():
            for (begin, value), (end, back) in zip(row[::2], row[1::2], strict=False):
                cause = causes.get((key, begin))
                if cause and (value, back) == (1, 0) and end - begin < FAST_US:
                    with_.setdefault(key, {})[cause] = with_.get(key, {}).get(cause, 0) + 1
                else:
                    alone.add(key)
            if len(row) % 2:
                alone.add(key)
    return [
        BareFinding("crosstalk", (key, cause), {"times": times})
        for key, several in with_.items()
        for cause, times in several.items()
        if key not in alone and len(several) == 1 and times >= PULSES
    ]
