"""Lamps and displays that lit while controls were worked, although every output should be dark."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from benchcon.diagnosis.evidence import NOT_DONE, Evidence, HandStep, LampLook
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Lamp

SEVERAL = 3
"""An output that lights with this many different controls is not lit by any one of them."""
MOST_ASKED = 2
"""Most contacts, the nearest ones, that are named as possible causes because they were never opened."""


def find(layout: PanelIndex, hands: Sequence[HandStep], looks: Sequence[LampLook]) -> list[Choices]:
    """Return which lamps and displays are lit by a control: twice, or in half of the times that it was worked so.

    An output that is lit with everything dark is a different fault, and comes and goes with its supply.
    """
    burns = {name for look in looks if not look.set and not look.shows for name in (*look.seen, *look.displays)}
    lit = {name: by for name, by in _came_with(layout, hands).items() if name not in burns}
    if any(lit):
        lit.pop("", None)  # the person named it later
    out: list[Choices] = []
    for name, by in lit.items():
        own = layout.channels_of(name) if name else ()
        if len(by) >= SEVERAL:
            keys = own or tuple(key for control in by for key in layout.channels_of(control))
            out.append([[BareFinding("unexplained", keys)]])
            continue
        for control, positions in by.items():
            detail = {"times": sum(positions.values())}
            out.append([[BareFinding("lit by a control", (*own, *_contacts(layout, control, [*positions])), detail)]])
    return out


def _came_with(layout: PanelIndex, hands: Sequence[HandStep]) -> dict[str, dict[str, dict[int, int]]]:
    """Return for each output that lit, by control and position asked for, how often, where that is often enough."""
    asked: dict[tuple[str, int], int] = {}
    lit: dict[str, dict[tuple[str, int], int]] = {}
    for hand in hands:
        if hand.do in ("put", "turn", "end") and len(hand.parts) == 1 and hand.outcome not in NOT_DONE:
            what = hand.parts[0], hand.to
            asked[what] = asked.get(what, 0) + 1
            for name in hand.lit:
                if name:
                    layout.part(name)
                lit.setdefault(name, {})
                lit[name][what] = lit[name].get(what, 0) + 1
    out: dict[str, dict[str, dict[int, int]]] = {}
    for name, counts in lit.items():
        out[name] = {}
        for (control, to), count in counts.items():
            if count > 1 or 2 * count >= asked[control, to]:
                out[name].setdefault(control, {})[to] = count
    return out


def or_what_stands_made(layout: PanelIndex, given: Sequence[Evidence], found: list[Choices]) -> list[Choices]:
    """Return `found` with each lamp that is always on judged by the contacts that were made while it was lit.

    A lamp that lit when a contact was made again was dark while it was open, so the contact lights it, unless that
    control may switch the lamp's supply: on a panel without supplies in its file this is uncertain. So it is if the
    contact was made all through the walk.
    """
    hands = [each for each in given if isinstance(each, HandStep)]
    stood = _how_all_stood(given)
    came = _came_with(layout, hands)
    wrong = {key for choices in found for choice in choices for raw in choice for key in raw.channels}
    opened = {
        key
        for hand in hands
        for values in (hand.before, hand.values, {c.channel: c.value for c in hand.changes if not c.value})
        for key, value in values.items()
        if not value
    }
    never = [
        key
        for key, spot in layout.spots.items()
        if spot.kind == "contact" and spot.part.wired and key not in opened and key not in wrong
    ]
    out: list[Choices] = []
    for choices in found:
        # What is found together and without an alternative is certain one by one; with one, nothing is.
        lamps = [_always_on(layout, raw) if len(choices) == 1 else None for raw in choices[0]]
        others = [raw for raw, lamp in zip(choices[0], lamps, strict=True) if lamp is None]
        if len(others) == len(lamps):
            out.append(choices)
            continue
        if others:
            out.append([others])
        for raw, lamp in zip(choices[0], lamps, strict=True):
            if lamp is not None:
                out.append(_judged(layout, lamp, [[raw]], stood, came.get(lamp.name, {}), never))
    return out


def _always_on(layout: PanelIndex, raw: BareFinding) -> Lamp | None:
    """Return the lamp that is always on by this finding; None if it is about something else."""
    part = layout.spots[raw.channels[0]].part if raw.kind == "always on" else None
    return part if isinstance(part, Lamp) else None


def _judged(
    layout: PanelIndex,
    lamp: Lamp,
    choices: Choices,
    stood: Sequence[tuple[LampLook, Mapping[str, int]]],
    came: Mapping[str, Mapping[int, int]],
    never: Collection[str],
) -> Choices:
    own = lamp.channel.key

    def explains(keys: Collection[str]) -> bool:
        """Return whether these contacts were made in each look in which the lamp was wrongly lit."""
        there = [state for look, state in stood if lamp.name not in look.set and lamp.name in look.seen]
        return bool(there) and all(state.get(key) for state in there for key in keys)

    by = {
        control: contacts
        for control, positions in came.items()
        if layout.controls[control].kind in ("button", "switch")
        and explains(contacts := _contacts(layout, control, [*positions]))
    }
    if len(by) == 1 and len(came) == 1:
        ((control, contacts),) = by.items()
        switched = [
            s for s in layout.panel.supplies if any(control == name for each in s.sources for name, _ in each.at)
        ]
        if any({lamp.name, lamp.channel.board} & {*supply.feeds} for supply in switched):
            return choices
        raw = BareFinding("lit by a control", (own, *contacts), {"times": sum(came[control].values())})
        return [[raw]] if layout.panel.supplies else [[raw], *choices]
    if came:
        return choices
    near = sorted(
        (key for key in never if explains((key,))),
        key=lambda key: (
            layout.spots[key].channel.board != lamp.channel.board,
            not lamp.channel.wire.connector or layout.spots[key].channel.wire.connector != lamp.channel.wire.connector,
        ),
    )
    others = [BareFinding("lit by a control", (own, key), {"made": "all the time"}) for key in near[:MOST_ASKED]]
    return [*choices, *([raw] for raw in others)]


def _how_all_stood(given: Iterable[Evidence]) -> list[tuple[LampLook, Mapping[str, int]]]:
    """Return each look with the channels' values at that time, as far as they are the same before and after it."""
    out: list[tuple[LampLook, Mapping[str, int]]] = []
    waiting: list[LampLook] = []
    state: dict[str, int] = {}
    for each in given:
        if isinstance(each, LampLook):
            waiting.append(each)
        elif isinstance(each, HandStep):
            after = {**state, **each.before}
            end = {**after, **{c.channel: c.value for c in each.changes}, **each.values}
            began = after if each.do != "rest" or each.changes else end  # with hands off nothing is moved
            same = {key: value for key, value in began.items() if state.get(key, value) == value}
            out += [(look, same) for look in waiting]
            waiting, state = [], end
    return out + [(look, state) for look in waiting]


def _contacts(layout: PanelIndex, name: str, positions: Sequence[int]) -> tuple[str, ...]:
    """Return the contacts of a control that are made in all positions that lit something; all its channels if none."""
    control = layout.controls[name]
    if control.kind not in ("button", "switch"):
        return layout.channels_of(name)
    codes = [control.codes[to] for to in positions]
    made = tuple(c.key for n, c in enumerate(control.channels) if all(code[n] for code in codes))
    return made or layout.channels_of(name)
