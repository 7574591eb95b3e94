"""All outputs lit together: which look right alone but not when the others are lit as well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

from benchcon.diagnosis.evidence import DisplayLook, LampLook, Seen
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.segments import as_if_alone
from benchcon.panel.model import Display, Lamp

WHOLE_BOARD = 4
"""If at least this many outputs fail together, and no other of their board works, the board's supply is at fault."""

MOST_LAMPS = 4
"""Most lamps of which every pair is looked at: six questions."""


def find(
    layout: PanelIndex, looks: Sequence[LampLook], pictures: Sequence[DisplayLook]
) -> tuple[list[Choices], dict[str, tuple[str, ...]]]:
    """Return what is wrong with outputs that look right alone, and by board the outputs of boards that fail as a whole.

    Lamps of a board that get dimmer or dark when more are lit share something: a series resistor. If pairs of them were
    looked at, those that fail as a pair belong together.
    """
    out: list[Choices] = []
    boards: dict[str, tuple[str, ...]] = {}
    for board, (names, whole) in _by_board(layout, looks, pictures).items():
        if whole:
            boards[board] = tuple(names)
            continue
        lamps = [name for name in names if name in layout.lamps]
        for group in _groups(lamps, looks) + [[name] for name in names if name in layout.displays]:
            keys = tuple(_output(layout, name).channel.key for name in group)
            if len(group) > 1:
                out.append([[BareFinding("shared resistor", keys)]])
            else:
                alone = _perhaps_alone_too(layout, looks, pictures, group[0]) if names[group[0]] == "different" else []
                out.append([[BareFinding("not with others", keys, {"looks": names[group[0]]})], *alone])
    return out, boards


def _perhaps_alone_too(
    layout: PanelIndex, looks: Sequence[LampLook], pictures: Sequence[DisplayLook], name: str
) -> Choices:
    """Return what else may be wrong with a display of which a segment that is wrong now was never looked at alone."""
    look = [look for look in looks if look.several and name in look.shows][-1]
    sent, shown = look.shows[name], look.displays[name]
    right = [p.set for p in pictures if p.part == name and (p.answer == "same" or p.seen == p.set)]
    for digit, (wanted, seen) in enumerate(zip(sent, shown.ljust(len(sent), b"\0"), strict=False)):
        unproved = wanted ^ seen
        for each in right:
            unproved &= each[digit] ^ wanted if digit < len(each) else 0xFF
        if unproved:
            return as_if_alone(layout, name, sent, shown)
    return []


def not_dead(layout: PanelIndex, looks: Sequence[LampLook], found: list[Choices]) -> list[Choices]:
    """Return `found` with outputs that were lit together with all others not as dead but as flickering (loose)."""
    burned = {
        layout.lamps[name].channel.key
        for look in looks
        if look.several
        for name in (look.set if look.answer == "same" else look.seen if look.answer == "otherwise" else ())
    }
    return [
        [[BareFinding("flickering", choices[0][0].channels, {"looks": "dark"})]]
        if len(choices) == len(choices[0]) == 1
        and choices[0][0].kind == "dead"
        and burned.issuperset(choices[0][0].channels)
        else choices
        for choices in found
    ]


def in_doubt(layout: PanelIndex, looks: Sequence[LampLook], pictures: Sequence[DisplayLook]) -> list[tuple[str, str]]:
    """Return the pairs of lamps to look at after all were lit, to tell which of those that failed share something."""
    for names, whole in _by_board(layout, looks, pictures).values():
        lamps = [name for name in names if name in layout.lamps]
        if not whole and len(lamps) <= MOST_LAMPS and len(lamps) > 1:
            return [pair for pair in combinations(lamps, 2) if all(set(look.set) != set(pair) for look in looks)]
    return []


def _by_board(
    layout: PanelIndex, looks: Sequence[LampLook], pictures: Sequence[DisplayLook]
) -> dict[str, tuple[dict[str, str], bool]]:
    """Return by board the outputs that look right alone and failed when all were last lit, with how they failed.

    The second value says whether the board fails as a whole.
    """
    well = _well_alone(layout, looks, pictures)
    last: dict[str, str] = {}
    several = [look for look in looks if look.several]
    # On a panel with two lamps, a look at all of them is also one at a pair.
    for look in [look for look in several if look.shows or len(look.set) > 2] or several:
        last |= {name: _failing(look, name) for name in (*look.set, *look.shows) if name in well}
    out: dict[str, tuple[dict[str, str], bool]] = {}
    for board in dict.fromkeys(_output(layout, name).channel.board for name in last):
        mine = {name: how for name, how in last.items() if _output(layout, name).channel.board == board}
        failing = {name: how for name, how in mine.items() if how}
        if failing:
            out[board] = failing, len(failing) == len(mine) >= WHOLE_BOARD
    return out


def _output(layout: PanelIndex, name: str) -> Lamp | Display:
    return layout.lamps.get(name) or layout.displays[name]


def without(looks: Sequence[LampLook]) -> list[LampLook]:
    """Return the looks at single lamps, and those at several of which one was never looked at alone."""
    alone = {name for look in looks if not look.several for name in look.set}
    return [look for look in looks if not look.several or not (look.shows or alone >= set(look.set))]


def _well_alone(layout: PanelIndex, looks: Sequence[LampLook], pictures: Sequence[DisplayLook]) -> set[str]:
    """Return the outputs that looked right the last time that they were commanded to light alone."""
    out: dict[str, bool] = {}
    for look in looks:
        if len(look.set) == 1 and not look.shows and look.answer in ("same", "otherwise"):
            (name,) = look.set
            out[name] = not _failing(look, name)
    last: dict[tuple[str, bytes], bool] = {}
    for picture in pictures:
        if picture.answer in ("same", "otherwise") and any(picture.set):
            right = picture.answer == "same" or (picture.seen, picture.level) == (picture.set, "full")
            last[picture.part, picture.set] = right and not picture.flickering
    for (name, _), right in last.items():
        out[name] = right and out.get(name, True)
    return {name for name, right in out.items() if right}


def _failing(look: LampLook, name: str) -> str:
    """Return how the commanded output `name` looked: ``dark``, ``dim``, ``flickering``, ``different``; empty: right."""
    if look.answer != "otherwise":
        return ""
    if name in look.shows:
        shown = look.displays.get(name, b"")
        return "" if shown == look.shows[name] else "different" if any(shown) else "dark"
    if name not in look.seen:
        return "dark"
    how = look.seen[name]
    return "" if how == Seen(colour=how.colour) else "dim" if how.level == "dim" else "flickering"


def _groups(lamps: list[str], looks: Sequence[LampLook]) -> list[list[str]]:
    """Return the groups of lamps that fail together: one of all `lamps`, or as looks at pairs divide them."""
    pairs: Mapping[frozenset[str], bool] = {
        frozenset(look.set): any(_failing(look, name) for name in look.set)
        for look in looks
        if len(look.set) == 2 and not look.shows and set(look.set) <= set(lamps)
    }
    groups: list[list[str]] = []
    for name in lamps:
        mine = [group for group in groups if any(pairs.get(frozenset((name, other)), not pairs) for other in group)]
        groups = [group for group in groups if group not in mine] + [
            [each for group in mine for each in group] + [name]
        ]
    return groups
