"""Hand evidence as a sequence of moments: the value of every channel after each step, and the positions asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from benchcon.diagnosis.evidence import NOT_DONE, HandStep
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.text import printable


@dataclass(slots=True)
class SettledStep:
    """One step that proves something, after everything has settled."""

    hand: HandStep
    values: dict[str, int]
    """Settled value of every channel that is known."""
    before: dict[str, int]
    where: dict[str, int | None]
    """Position in which every button and switch should be, by name; None: not known."""
    doubtful: bool = False


@dataclass(slots=True)
class Story:
    """All moments of the evidence, in order."""

    moments: list[SettledStep] = field(default_factory=list)
    tested: set[str] = field(default_factory=set)
    """Controls that were asked for something and answered."""


def tell(layout: PanelIndex, hands: Sequence[HandStep]) -> Story:
    """Return the moments of `hands`, without skipped steps."""
    story = Story()
    state: dict[str, int] = {}
    where: dict[str, int | None] = {
        control.name: 0 if control.kind == "button" else None
        for control in layout.panel.controls
        if control.kind in ("button", "switch")
    }
    for hand in hands:
        _check(layout, hand)
        before = {**state, **hand.before}
        state = dict(before)
        for change in hand.changes:
            state[change.channel] = change.value
        state.update(hand.values)
        # By the time that something else is asked for, controls that spring back have done so.
        for name, position in where.items():
            if name not in hand.parts and position is not None:
                where[name] = _sprung(layout, name, position)
        useless = hand.outcome in NOT_DONE
        if hand.do == "put":
            for name in hand.parts:
                count = len(layout.controls[name].codes) if name in layout.controls else 0
                if name in where:
                    where[name] = hand.to if not useless and 0 <= hand.to < count else None
                    if useless and layout.controls[name].kind == "button":
                        where[name] = 0
        if useless:
            continue
        story.tested |= set(hand.parts)
        story.moments.append(
            SettledStep(hand, _there_and_back(layout, hand, before, state) or dict(state), before, {**where})
        )
    _judge_doubt(layout, story)
    return story


def _check(layout: PanelIndex, hand: HandStep) -> None:
    """Raise `Trouble` if the panel has no such controls, or a control no such position.

    A journal may have been written with an earlier panel file.
    """
    for name in hand.parts:
        layout.part(name)
        if name not in layout.controls:
            raise Trouble(f"the hand cannot move '{printable(name)}': it is not a control")
        count = len(layout.controls[name].codes)
        if hand.do == "put" and not 0 <= hand.to < count and count:
            raise Trouble(
                f"'{printable(name)}' is set to position {hand.to}; the panel file has 0 to {count - 1} for it"
            )
    if not hand.parts and hand.do != "rest":
        raise Trouble(f"a step '{hand.do}' names no control")


STOOD_US = 50_000
"""Least time that a switch must read a position to have been put there; a hand that passes is quicker (common practice,
no source)."""


def _there_and_back(
    layout: PanelIndex, hand: HandStep, before: Mapping[str, int], after: Mapping[str, int]
) -> dict[str, int] | None:
    """Return the channels' values while a switch of several contacts was where it was asked to be, if it was then
    turned back: it works, and only the hand did not stay. None in all other cases.
    """
    if hand.do != "put" or len(hand.parts) != 1 or hand.parts[0] not in layout.controls:
        return None
    control = layout.controls[hand.parts[0]]
    codes = control.codes
    keys = [channel.key for channel in control.channels]
    if len(keys) < 2 or not 0 <= hand.to < len(codes) or any(before.get(key) != after.get(key) for key in keys):
        return None
    wanted = dict(zip(keys, codes[hand.to], strict=False))
    state, there = dict(before), None
    since: int | None = None
    for change in hand.changes:
        if since is not None and change.channel in wanted and change.at_us - since >= STOOD_US:
            there = dict(state)
        state[change.channel] = change.value
        if change.channel in wanted:
            since = change.at_us if all(state.get(key) == value for key, value in wanted.items()) else None
    return there


def _sprung(layout: PanelIndex, name: str, position: int) -> int | None:
    control = layout.controls[name]
    spring = control.spring
    if position not in spring:
        return position
    rest = [n for n in range(len(control.codes)) if n not in spring]
    return rest[0] if len(rest) == 1 else None


def reached(layout: PanelIndex, moment: SettledStep) -> bool:
    """Return whether every control of a ``put`` had the position asked for once the step had settled."""
    for name in moment.hand.parts:
        control = layout.controls[name]
        codes = control.codes
        if not 0 <= moment.hand.to < len(codes):
            return False
        code = codes[moment.hand.to]
        if any(moment.values.get(c.key, v) != v for c, v in zip(control.channels, code, strict=False)):
            return False
    return True


def _judge_doubt(layout: PanelIndex, story: Story) -> None:
    """Mark failed steps as doubtful if they timed out or were done right another time.

    If a control never did better than time out, it was asked twice and did not answer: then the steps count.
    """
    asked: dict[tuple[tuple[str, ...], int], list[SettledStep]] = {}
    for moment in story.moments:
        if moment.hand.do == "put":
            asked.setdefault((moment.hand.parts, moment.hand.to), []).append(moment)
    for (parts, _), moments in asked.items():
        right = [reached(layout, m) for m in moments]
        slow = [m.hand.outcome == "timeout" for m in moments]
        for moment, good, late in zip(moments, right, slow, strict=True):
            if good:
                continue
            if any(right) or (late and not all(slow)):
                moment.doubtful = True
            elif late and len(moments) < 2:
                moment.doubtful = _came_later(layout, story, moment, parts)


def _came_later(layout: PanelIndex, story: Story, moment: SettledStep, parts: tuple[str, ...]) -> bool:
    """Return whether the position asked for came after the step had been given up, from a slow hand."""
    index = story.moments.index(moment)
    for later in story.moments[index + 1 : index + 3]:
        for name in parts:
            control = layout.controls[name]
            wanted = dict(zip((c.key for c in control.channels), control.codes[moment.hand.to], strict=False))
            state = {key: later.before.get(key) for key in wanted}
            for change in later.hand.changes:
                if change.channel in state:
                    state[change.channel] = change.value
                    if state == wanted:
                        return True
    return False
