"""Judges whether channels read what a step asked for, and what must be asked again."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from benchcon.diagnosis import chatter, lit_together
from benchcon.diagnosis.evidence import DisplayLook, Evidence, HandStep, LampLook
from benchcon.diagnosis.fleeting import held_back
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.settled import tell
from benchcon.panel.model import Control
from benchcon.walk.plan import Step, odd_display, pressed_again
from benchcon.wire.items import signed16

STEADY = ("contact", "selector")
"""Kinds of channel that keep their value until a hand moves them."""


def own_channels(layout: PanelIndex, step: Step | None) -> set[str]:
    """Return the channels of the parts that `step` is about."""
    return {key for part in step.parts for key in layout.channels_of(part)} if step else set()


def reads(layout: PanelIndex, parts: Sequence[str], to: int, values: Mapping[str, int]) -> bool:
    """Return whether all of `parts` (buttons, switches) read as position `to`."""
    return all(
        values.get(channel.key) == value
        for name in parts
        for channel, value in zip(layout.controls[name].channels, layout.controls[name].codes[to], strict=False)
    )


def turned(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> bool:
    """Return whether a knob is exactly where it should be after being turned as `step` asks."""
    if step.do not in ("turn", "end"):
        return False
    control = layout.controls[step.parts[0]]
    key = control.channels[0].key
    if step.do == "turn":
        wanted = step.to * control.detent_counts * (-1 if control.inverted else 1)
        return (values.get(key, 0) - before.get(key, 0) - wanted) % 0x10000 == 0
    high = (step.to > 0) != control.inverted
    end = control.high_count if high else control.low_count
    return abs(values.get(key, -9999) - end) <= 0.02 * abs(control.high_count - control.low_count)


def done(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> bool:
    """Return whether a step of the hand came out as asked."""
    if step.do == "put":
        return reads(layout, step.parts, step.to, values)
    return turned(layout, step, before, values)


def odd(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> bool:
    """Return whether any channel except a potentiometer's has changed, so that something has come of the step.

    A button that sprang back (it was brushed, or still held, when the step began) does not count, unless the step's own
    part already reads as asked: then the two may be crossed, and nothing else would show it.
    """
    asked = done(layout, step, before, values)
    for key, spot in layout.spots.items():
        if spot.kind in ("pot", "lamp", "display") or values.get(key) == before.get(key, values.get(key)):
            continue
        other = spot.part
        rested = (
            isinstance(other, Control)
            and other.kind == "button"
            and (other.name not in step.parts or step.to)
            and reads(layout, (other.name,), 0, values)
        )
        if asked or not rested:
            return True
    return False


def only_nudged(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> bool:
    """Return whether only other switches have moved, as a hand may nudge in passing."""
    own = own_channels(layout, step)
    moved = [key for key, value in values.items() if value != before.get(key, value) and key in layout.spots]
    parts = [layout.spots[key].part for key in moved if layout.spots[key].kind in STEADY]
    return (
        bool(parts)
        and own.isdisjoint(moved)
        and all(isinstance(part, Control) and part.kind == "switch" and not part.spring for part in parts)
    )


def at_another_position(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> bool:
    """Return whether only the step's switch, of more than two positions, has moved, to a position not asked for."""
    own = own_channels(layout, step)
    if len(step.parts) != 1 or len(layout.controls[step.parts[0]].codes) <= 2:
        return False
    if any(value != before.get(key, value) for key, value in values.items() if key not in own):
        return False
    others = (to for to in range(len(layout.controls[step.parts[0]].codes)) if to != step.to)
    return any(reads(layout, step.parts, to, values) for to in others)


def knob_moved(layout: PanelIndex, step: Step, before: Mapping[str, int], values: Mapping[str, int]) -> bool:
    """Return whether the knob of `step`, or another of its kind, was turned and not only brushed."""
    kind = layout.controls[step.parts[0]].kind
    for key, spot in layout.spots.items():
        if spot.kind != kind or not isinstance(spot.part, Control) or key not in values:
            continue
        by = values[key] - before.get(key, values[key])
        if kind == "encoder":
            if abs(signed16(by)) >= 3:
                return True
        elif abs(by) > 0.05 * abs(spot.part.high_count - spot.part.low_count):
            return True
    return False


def springs_back(layout: PanelIndex, step: Step) -> bool:
    """Return whether one of the step's controls springs back from the position that it asks for."""
    return step.do == "put" and any(step.to in layout.controls[name].spring for name in step.parts)


def nothing_to_let_go(layout: PanelIndex, step: Step, last: Evidence | None) -> bool:
    """Return whether `step` releases a button that showed nothing when it was pressed: nothing will show now."""
    return (
        step.do == "put"
        and isinstance(last, HandStep)
        and last.parts == step.parts
        and last.outcome == "said"
        and last.before == last.values
        and all(last.to in layout.controls[name].spring for name in step.parts)
        and not springs_back(layout, step)
    )


def kept_back(layout: PanelIndex, hand: HandStep) -> bool:
    """Return whether the board held back keys that were held together, as it should in a matrix without diodes."""
    keys = {key for part in hand.parts for key in layout.channels_of(part)}
    matrices = {layout.matrix_of.get(key, "") for key in keys}
    return (
        hand.do == "put"
        and len(hand.parts) > 2
        and all(matrix and not layout.diodes.get(matrix, True) for matrix in matrices)
        and (hand.to == 0 or bool(hand.ghosts))
    )


def worth_repeating(layout: PanelIndex, evidence: Iterable[Evidence]) -> bool:
    """Return whether anything in a group's evidence is not as it should be, so that it should be asked once more."""
    for each in evidence:
        if not isinstance(each, HandStep) or each.do not in ("put", "turn", "end"):
            continue
        if each.lit or (each.outcome != "seen" and not kept_back(layout, each)):
            return True
        own = {key for part in each.parts for key in layout.channels_of(part)}
        for key, spot in layout.spots.items():
            if spot.kind in STEADY and key not in own and each.values.get(key) != each.before.get(key):
                return True
    return False


SILENT_PRESSES = 3
"""How often a contact that never made is asked for again: with the two times before it is enough for a worn one."""


def _nothing_made(layout: PanelIndex, hand: HandStep) -> bool:
    """Return whether neither the contacts that were asked for nor any others made."""
    own = {key for name in hand.parts for key in layout.channels_of(name)}
    answered = hand.outcome in ("said", "otherwise")
    return answered and not any(hand.values.get(key) for key in own) and not _others_moved(layout, hand)


def is_silent(layout: PanelIndex, evidence: Iterable[Evidence]) -> bool:
    """Return whether a contact was asked for more than once in a group of one control, and never made."""
    asked: dict[int, list[bool]] = {}
    for each in evidence:
        alone = isinstance(each, HandStep) and each.do == "put" and len(each.parts) == 1
        if isinstance(each, HandStep) and alone and any(layout.controls[each.parts[0]].codes[each.to]):
            asked.setdefault(each.to, []).append(_nothing_made(layout, each))
    return any(len(row) > 1 and all(row) for row in asked.values())


def in_doubt(layout: PanelIndex, evidence: Sequence[Evidence], doubts_silence: bool = False) -> list[Step]:
    """Return the steps that decide what a group of one control, asked twice, left in doubt; empty if nothing is.

    A contact that showed nothing once, or dropped out once, is asked for eight times, as it may be worn and miss now
    and then. With `doubts_silence`, one that showed nothing both times is asked for three times. If something else
    moved one time and not the other, the group is asked once more.
    """
    hands = [each for each in evidence if isinstance(each, HandStep) and each.do == "put" and len(each.parts) == 1]
    asked: dict[tuple[str, int], list[HandStep]] = {}
    for hand in hands:
        asked.setdefault((hand.parts[0], hand.to), []).append(hand)
    for (name, to), several in asked.items():
        code = layout.controls[name].codes[to]
        came = [reads(layout, (name,), to, hand.values) for hand in several]
        nothing = [_nothing_made(layout, hand) for hand in several]
        if any(code) and any(nothing) and any(came):
            return pressed_again(layout, name, to)
        if any(code) and all(nothing) and doubts_silence:
            return pressed_again(layout, name, to, SILENT_PRESSES)
    for channel in chatter.doubtful(layout, tell(layout, hands)):
        spot = layout.spots[channel]
        made = [to for to, code in enumerate(layout.controls[spot.part.name].codes) if code[spot.place]]
        if made:
            return pressed_again(layout, spot.part.name, made[0])
    for hand in hands:
        if steps := _by_itself(layout, hand, hands):
            return steps
    for several in asked.values():
        if len({frozenset(_others_moved(layout, hand)) for hand in several}) > 1:
            return [Step("put", hand.parts, hand.to) for hand in hands[: len(hands) // 2]]
    return []


def not_made_when_held(layout: PanelIndex, evidence: Iterable[Evidence], passed: Collection[str]) -> list[Step]:
    """Return the steps that press alone, once more, what did not make when it was held with others that did.

    `passed` are the controls that made when they were asked alone; others have been asked again already.
    """
    missing = {key for each in evidence if isinstance(each, HandStep) for key in held_back(layout, each)}
    names = dict.fromkeys(layout.spots[key].part.name for key in layout.spots if key in missing)
    return [
        step
        for name in names
        if name in passed and len(layout.controls[name].channels) == 1
        for step in pressed_again(layout, name, layout.controls[name].codes.index((1,)))
    ]


def _by_itself(layout: PanelIndex, hand: HandStep, hands: Sequence[HandStep]) -> list[Step]:
    """Return steps for a contact that reads made before its part is worked, while others of its board are made.

    They switch each of those off and then work the part, which tells touching wires from a one-way path.
    """
    name = hand.parts[0]
    own, codes = layout.channels_of(name), layout.controls[name].codes
    if len(own) > 1 or (1,) not in codes or codes[hand.to] != (0,) or hand.outcome not in ("said", "otherwise"):
        return []
    if any(each.before.get(own[0]) != 1 or each.values.get(own[0]) != 1 for each in hands):
        return []  # a contact that opens when it is worked is inverted
    steps: list[Step] = []
    for other, control in layout.controls.items():
        keys = layout.channels_of(other)
        if other == name or not control.wired or layout.spots[keys[0]].kind != "contact":
            continue
        reads_now = tuple(hand.before.get(key, 0) for key in keys)
        same_board = layout.spots[keys[0]].channel.board == layout.spots[own[0]].channel.board
        stands = control.codes
        if not same_board or not any(reads_now) or reads_now not in stands:
            continue
        now, spring = stands.index(reads_now), control.spring
        held = {place for place, on in enumerate(reads_now) if on}
        off = [n for n, row in enumerate(stands) if n not in spring and not any(row[place] for place in held)]
        if off and now not in spring:
            pressed = pressed_again(layout, name, codes.index((1,)), 1)
            steps += [Step("put", (other,), off[0]), *pressed, Step("put", (other,), now)]
    return steps if len(steps) <= MOST_PUT_OFF * 4 else []


MOST_PUT_OFF = 2
"""Most made contacts that are switched off one by one; with more there would be too many questions."""


def display_in_doubt(layout: PanelIndex, evidence: Sequence[Evidence]) -> list[Step]:
    """Return looks at a display segment by segment and digit by digit if it showed something wrong; else none.

    A display that shows nothing, or the right picture too dimly, needs no further looks.
    """
    looks = [each for each in evidence if isinstance(each, DisplayLook)]
    wrong = any(look.answer == "otherwise" and any(look.seen) and look.seen != look.set for look in looks)
    return odd_display(layout, looks[0].part) if wrong else []


def pairs_in_doubt(layout: PanelIndex, evidence: Sequence[Evidence]) -> tuple[str, ...]:
    """Return the lamps to look at in pairs, in this order; empty unless some were wrong when everything was lit."""
    looks = [each for each in evidence if isinstance(each, LampLook)]
    pictures = [each for each in evidence if isinstance(each, DisplayLook)]
    return tuple(name for pair in lit_together.in_doubt(layout, looks, pictures) for name in pair)


def _others_moved(layout: PanelIndex, hand: HandStep) -> set[str]:
    own = {key for part in hand.parts for key in layout.channels_of(part)}
    return {
        key
        for key, spot in layout.spots.items()
        if spot.kind in STEADY and key not in own and hand.values.get(key) != hand.before.get(key)
    }


def restless(layout: PanelIndex, evidence: Iterable[Evidence]) -> tuple[str, ...]:
    """Return the controls with contacts that moved in two or more steps that were not about them."""
    count: dict[str, int] = {}
    for each in evidence:
        if not isinstance(each, HandStep) or each.do not in ("put", "turn", "end", "rest", "still"):
            continue
        changed = {change.channel for change in each.changes if change.channel in layout.spots}
        for name in {layout.spots[key].part.name for key in changed if layout.spots[key].kind == "contact"}:
            count[name] = count.get(name, 0) + (name not in each.parts)
    return tuple(name for name, times in count.items() if times > 1)
