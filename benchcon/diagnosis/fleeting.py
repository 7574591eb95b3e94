"""Intermittent contacts: worn ones that sometimes do not make, and inputs that a neighbour's wire moves."""

from __future__ import annotations

from collections.abc import Sequence

from benchcon.diagnosis.chatter import FAST_US
from benchcon.diagnosis.contacts import coupled
from benchcon.diagnosis.evidence import HandStep
from benchcon.diagnosis.findings import BareFinding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.settled import SettledStep, Story
from benchcon.panel.model import Control

ASKED = 5
"""Least number of times that a contact must have been asked to make; with fewer, a miss may be a slip of the hand."""
PULSES = 2


def missing(layout: PanelIndex, story: Story) -> list[BareFinding]:
    """Return the contacts that made only some of the times that they were asked to."""
    rows: dict[str, list[bool]] = {}
    held: set[str] = set()
    """Contacts that did not make while held together with others that did."""
    for number, moment in enumerate(story.moments):
        hand = moment.hand
        if hand.do != "put" or not all(name in layout.controls for name in hand.parts):
            continue
        if len(hand.parts) > 1:
            held |= held_back(layout, hand)
            continue
        control = layout.controls[hand.parts[0]]
        codes = control.codes
        code = codes[hand.to] if 0 <= hand.to < len(codes) else ()
        for channel, value in zip(control.channels, code, strict=False):
            key = channel.key
            if value == 1 and layout.spots[key].kind == "contact" and moment.before.get(key) != 1:
                if _may_be_kept(layout, moment, key) or _came_late(layout, story, number, key):
                    continue
                if moment.values.get(key) != 1 and _another_came(layout, moment, control, code):
                    continue
                nothing = not any(change.channel == key for change in hand.changes)
                rows.setdefault(key, []).append(moment.values.get(key) == 1 or not nothing)
    out = []
    for key, came in rows.items():
        missed, asked = came.count(False) + (key in held), len(came) + (key in held)
        # The first miss is why it was asked again, and may be a slip of the hand; a second one hardly is.
        if asked >= ASKED and missed > 1 and any(came):
            out.append(BareFinding("misses", (key,), {"asked": asked, "missed": missed}))
    return out


def _came_late(layout: PanelIndex, story: Story, number: int, key: str) -> bool:
    """Return whether the contact made only in a later step, in which it should be open: then the hand was late.

    A hand may linger on a position that it passes, but a contact that misses does not make without being asked to.
    """
    if number + 1 >= len(story.moments):
        return False
    this, then = story.moments[number], story.moments[number + 1]
    if this.values.get(key) == 1 or then.hand.parts != this.hand.parts or then.hand.do != "put":
        return False
    control = layout.controls[then.hand.parts[0]]
    code = control.codes[then.hand.to]
    off = any(c.key == key and not value for c, value in zip(control.channels, code, strict=False))
    return off and any(change.channel == key and change.value == 1 for change in then.hand.changes)


def _another_came(layout: PanelIndex, moment: SettledStep, control: Control, code: Sequence[int]) -> bool:
    """Return whether another contact is made that should not be.

    Then the two wires may be swapped, and the contact that was asked for may well have made.
    """
    due = {channel.key: value for channel, value in zip(control.channels, code, strict=False)}
    return any(
        value == 1 and spot.kind == "contact" and not due.get(key, moment.before.get(key))
        for key, value in moment.values.items()
        if (spot := layout.spots.get(key)) is not None
    )


def held_back(layout: PanelIndex, hand: HandStep) -> set[str]:
    """Return, for contacts held together, those that did not make while the others did.

    Empty if the board reports that it holds a ghost back, or if something else made: then it is not clear which of them
    are held.
    """
    keys = {key for name in hand.parts for key in layout.channels_of(name)}
    made = {key for key in keys if hand.values.get(key) == 1}
    others = any(hand.values.get(key) != hand.before.get(key) for key in hand.values if key not in keys)
    if hand.do != "put" or hand.to != 1 or len(hand.parts) < 2 or hand.ghosts or others or len(made) < 2:
        return set()
    return {key for key in keys - made if layout.spots[key].kind == "contact"}


def _may_be_kept(layout: PanelIndex, moment: SettledStep, key: str) -> bool:
    """Return whether the board may hold contact `key` back because it cannot tell it from a ghost.

    That is so in a matrix without diodes in which two others may be made.
    """
    matrix = layout.matrix_of.get(key, "")
    if layout.diodes.get(matrix, True):
        return False
    others = 0
    for other, name in layout.matrix_of.items():
        spot = layout.spots[other]
        if name != matrix or other == key or not isinstance(spot.part, Control):
            continue
        position = moment.where.get(spot.part.name)
        others += position is None or moment.values.get(other) == 1 or bool(spot.part.codes[position][spot.place])
    return others > 1


def crosstalk(layout: PanelIndex, story: Story) -> list[BareFinding]:
    """Return the contacts that are made for a moment whenever a certain other contact changes, and at no other time."""
    pulses: dict[str, list[set[str]]] = {}
    """For each pulse of a contact, the contacts that changed at that moment."""
    unclear: dict[str, list[set[str]]] = {}
    """For each pulse at which nothing was seen to change, the contacts that may have."""
    alone: set[str] = set()
    for moment in story.moments:
        at: dict[str, list[tuple[int, int]]] = {}
        for change in moment.hand.changes:
            spot = layout.spots.get(change.channel)
            if spot is not None and spot.kind == "contact" and spot.part.name not in moment.hand.parts:
                at.setdefault(change.channel, []).append((change.clock_us, change.value))
        causes: dict[tuple[str, int], set[str]] = {}
        for cause, other, change in coupled(layout, moment):
            causes.setdefault((other, change.clock_us), set()).add(cause)
        for key, row in at.items():
            unreported = _unreported(layout, moment, key)
            for (begin, value), (end, back) in zip(row[::2], row[1::2], strict=False):
                several = causes.get((key, begin), set())
                if not (several or unreported) or (value, back) != (1, 0) or end - begin >= FAST_US:
                    alone.add(key)
                elif several:
                    pulses.setdefault(key, []).append(several | unreported)
                else:
                    unclear.setdefault(key, []).append(unreported)
            whole = layout.channels_of(layout.spots[key].part.name)
            if len(row) % 2 or any(other in at for other in whole if other != key):
                alone.add(key)  # the contact itself was moved, or the switch that it belongs to
    out = []
    for key, each in pulses.items():
        always = set.intersection(*each, *unclear.get(key, []))
        if key not in alone and len(always) == 1 and len(each) >= PULSES:
            out.append(BareFinding("crosstalk", (key, *always), {"times": len(each)}))
    return out


def _unreported(layout: PanelIndex, moment: SettledStep, key: str) -> set[str]:
    """Return the contacts worked together on the board of `key` that the board held back as possible ghosts."""
    hand = moment.hand
    if len(hand.parts) < 2 or hand.do != "put":
        return set()
    own = {channel for name in hand.parts for channel in layout.channels_of(name)}
    board = layout.spots[key].channel.board
    reported = {change.channel for change in hand.changes}
    return {each for each in own - reported if layout.spots[each].channel.board == board}
