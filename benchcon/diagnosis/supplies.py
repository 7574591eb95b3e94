"""Findings about supplies, from looks with each switched off and on."""

from __future__ import annotations

from collections.abc import Sequence

from benchcon.diagnosis.evidence import DisplayLook, LampLook, SupplyLook
from benchcon.diagnosis.findings import KINDS, Finding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Panel, Supply, SupplySource
from benchcon.text import listed

_MOST_NAMES = 4


def source_in_words(panel: Panel, source: SupplySource) -> str:
    """Return in words what switches a supply on: ``Mains on``, ``Standby auto and Mains off``."""
    labels = {control.name: control.label for control in panel.controls}
    return listed(f"“{labels.get(name) or name}” at {word}" for name, word in source.at)


def find(
    layout: PanelIndex, looks: Sequence[SupplyLook], lamps: Sequence[LampLook], displays: Sequence[DisplayLook]
) -> list[Finding]:
    """Return which outputs get their supply past the switch, and which are not supplied by a source that should be.

    An output that is lit with everything dark, or never lights at all, has a fault of its own, which is found
    elsewhere.
    """
    unasked = {name for look in lamps if look.answer != "skipped" for name in _lit(look) if name not in look.set}
    asked = {name for look in lamps for name in look.set} | {look.part for look in displays}
    shone = {name for look in lamps for name in _lit(look)}
    shone |= {look.part for look in displays if look.answer == "same" or any(look.seen)}
    shone |= {name for look in looks for name in look.shone}
    out: list[Finding] = []
    last = {(look.supply, look.source): look for look in looks if look.answer in ("same", "otherwise")}
    for (name, number), look in last.items():
        supply = next((each for each in layout.panel.supplies if each.name == name), None)
        if supply is None or number > len(supply.sources):
            continue
        there = [part for part in look.set if part in layout.lamps or part in layout.displays]
        lit = [part for part in there if part in look.shone]
        if number == 0:
            past = [part for part in lit if part not in unasked]
            able = [part for part in there if part in shone and part not in unasked]
            if past:
                out.append(_past(layout, supply, past, set(past) >= set(able) and len(able) > 1))
        else:
            missing = [part for part in there if part not in lit and (part in shone or part not in asked)]
            whole = not lit and len(missing) > 1
            if missing:
                out.append(_not_fed(layout, supply, supply.sources[number - 1], number, missing, whole))
    return out


def _lit(look: LampLook) -> list[str]:
    seen = look.set if look.answer == "same" else look.seen if look.answer == "otherwise" else ()
    return [*seen, *(name for name, picture in look.displays.items() if any(picture))]


def _past(layout: PanelIndex, supply: Supply, parts: list[str], whole: bool) -> Finding:
    off = "with it switched off"
    if whole:
        because = f"all that “{supply.label}” feeds is lit {off}"
        look = "the switch: what it should switch is wired to the supply past it"
        if _on_other_boards(layout, supply, parts):  # nothing that boards report tells one from the other
            look += ", unless the boards are not joined yet and each has a supply of its own"
    else:
        because = f"{_named(layout, parts)} {'is' if len(parts) == 1 else 'are'} lit {off} (supply “{supply.label}”)"
        look = "where the plus of these comes from: it must come from behind the switch"
    return _finding(layout, "supplied past the switch", supply, parts, whole, because, look, 0)


def _on_other_boards(layout: PanelIndex, supply: Supply, parts: list[str]) -> bool:
    """Return whether any of `parts` is on a board that none of the supply's switches is on."""
    switches = {name for source in supply.sources for name, _ in source.at}
    there = {channel.board for name in switches for channel in layout.part(name).channels}
    return any(channel.board not in there for name in parts for channel in layout.part(name).channels)


def _not_fed(
    layout: PanelIndex, supply: Supply, source: SupplySource, number: int, parts: list[str], whole: bool
) -> Finding:
    by = source_in_words(layout.panel, source)
    what = f"nothing that “{supply.label}” feeds" if whole else _named(layout, parts)
    because = f"{what} {'is' if whole or len(parts) == 1 else 'are'} {'' if whole else 'not '}lit with {by}"
    look = "that switch, its fuse, and the wire from it to what it feeds"
    return _finding(layout, "not supplied", supply, parts, whole, because, look, number)


def _named(layout: PanelIndex, parts: list[str]) -> str:
    labels = [f"“{layout.part(name).label}”" for name in parts]
    shown = (
        labels if len(labels) <= _MOST_NAMES else [*labels[: _MOST_NAMES - 1], f"{len(labels) - _MOST_NAMES + 1} more"]
    )
    return listed(shown)


def _finding(
    layout: PanelIndex,
    kind: str,
    supply: Supply,
    parts: list[str],
    whole: bool,
    because: str,
    look_first: str,
    source: int,
) -> Finding:
    """Return a finding. One about a whole supply names no parts, because each of them may be well."""
    named = () if whole else tuple(parts)
    channels = tuple(key for name in named for key in layout.channels_of(name))
    detail = {"supply": supply.name} | ({"source": source} if source else {})
    return Finding(kind, named, channels or (f"supply {supply.name}",), detail, because, look_first, KINDS[kind].decide)
