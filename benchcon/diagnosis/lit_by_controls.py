"""Lamps and displays that lit while controls were worked, although every output should be dark."""

from __future__ import annotations

from collections.abc import Sequence

from benchcon.diagnosis.evidence import HandStep, LampLook
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex, key_of

SEVERAL = 3
"""An output that lights with this many different controls is not lit by any one of them."""


def find(layout: PanelIndex, hands: Sequence[HandStep], looks: Sequence[LampLook]) -> list[Choices]:
    """Return which lamps and displays are lit by a control: twice, or in half of the times that it was worked so.

    An output that is lit with everything dark is a different fault, and comes and goes with its supply.
    """
    burns = {name for look in looks if not look.set and not look.shows for name in (*look.seen, *look.displays)}
    asked: dict[tuple[str, int], int] = {}
    lit: dict[str, dict[tuple[str, int], int]] = {}
    for hand in hands:
        if hand.do in ("put", "turn", "end") and len(hand.parts) == 1 and hand.outcome not in ("skipped", "not wired"):
            what = hand.parts[0], hand.to
            asked[what] = asked.get(what, 0) + 1
            for name in hand.lit:
                if name:
                    layout.part(name)
                if name not in burns:
                    lit.setdefault(name, {})
                    lit[name][what] = lit[name].get(what, 0) + 1
    if any(lit):
        lit.pop("", None)  # the person named it later
    out: list[Choices] = []
    for name, counts in lit.items():
        often = {what: count for what, count in counts.items() if count > 1 or 2 * count >= asked[what]}
        by: dict[str, list[int]] = {}
        for control, to in often:
            by.setdefault(control, []).append(to)
        own = layout.channels_of(name) if name else ()
        if len(by) >= SEVERAL:
            keys = own or tuple(key for control in by for key in layout.channels_of(control))
            out.append([[BareFinding("unexplained", keys)]])
            continue
        for control, positions in by.items():
            detail = {"times": sum(often[control, to] for to in positions)}
            out.append([[BareFinding("lit by a control", (*own, *_contacts(layout, control, positions)), detail)]])
    return out


def _contacts(layout: PanelIndex, name: str, positions: Sequence[int]) -> tuple[str, ...]:
    """Return the contacts of a control that are made in all positions that lit something; all its channels if none."""
    control = layout.controls[name]
    if control.kind not in ("button", "switch"):
        return layout.channels_of(name)
    codes = [control.codes[to] for to in positions]
    made = tuple(key_of(c) for n, c in enumerate(control.channels) if all(code[n] for code in codes))
    return made or layout.channels_of(name)
