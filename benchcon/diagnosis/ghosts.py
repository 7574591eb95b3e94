"""Ghosts: contacts of a matrix that read made because current flows through others that are made.

Three keys at the corners of a rectangle connect the row and the column of the fourth, unless a diode at each contact
keeps the current from flowing back (common practice, no source). A board without diodes holds back what it cannot tell
from a ghost. So moments at which such a path exists prove nothing about the contacts on it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import Net
from benchcon.diagnosis.settled import SettledStep, Story


@dataclass(slots=True)
class Ghost:
    """A contact that read made, or that the board reported as a ghost, while others were made."""

    channel: str
    corners: tuple[str, ...]
    """The made contacts through which the current flows."""
    reported: bool
    """The board reported it as a ghost, not as made."""
    unasked: bool
    """Switches that stay made are part of it: nobody was asked to hold all these contacts."""

    @property
    def through(self) -> str:
        """The contact through whose diode the current flows back, if it flows through three corners; else empty."""
        return self.corners[1] if len(self.corners) == 3 else ""


def find(layout: PanelIndex, story: Story, net: Net) -> list[Ghost]:
    """Return the ghosts of `story`, and mark in `net` as unknown what proves nothing because of them."""
    if not layout.matrix_of:
        return []
    made = [_made(layout, moment) for moment in story.moments]
    found = _seen(layout, story, net, made)
    # A ghost whose current flows back through a key that is dead alone shows that key's diode, and no other, is wrong.
    many = [ghost for ghost in found if not ghost.through or not _never_made(story, ghost.through)]
    without = {layout.matrix_of[ghost.channel] for ghost in many}
    without |= {name for name, diodes in layout.diodes.items() if not diodes}
    _take_out_unclear(layout, story, net, without, made)
    return found


def _seen(layout: PanelIndex, story: Story, net: Net, made_at: Sequence[set[str]]) -> list[Ghost]:
    """Return contacts of a matrix that read made while three others of a rectangle were.

    These moments are marked as unknown in `net`.
    """
    found: list[Ghost] = []
    number = {name: n for n, name in enumerate(net.names)}
    for index, (moment, made) in enumerate(zip(story.moments, made_at, strict=True)):
        for matrix in {layout.matrix_of[key] for key in made}:
            here = {key for key in made if layout.matrix_of[key] == matrix}
            if len(here) < 3:
                continue
            for key in _masked(layout, story, moment, matrix, here):
                if key in number:
                    net.sure[number[key]] &= ~(1 << index)
            for key, name in layout.matrix_of.items():
                if name != matrix or key in here or key not in number:
                    continue
                corners = _corners(layout, key, here)
                if not corners:
                    continue
                reported = key in moment.hand.ghosts
                ends = {corners[0], corners[-1]} if len(corners) == 3 else set()
                if layout.diodes.get(matrix, True) and not reported and any(moment.values.get(c) == 0 for c in ends):
                    continue  # current through others would show those as made, too; so these wires are swapped
                then = story.moments[index + 1] if index + 1 < len(story.moments) else moment
                if then.hand.parts == moment.hand.parts and then.hand.to == 0 and then.values.get(key) == 1:
                    continue  # it stays made when they are released: a switch that was nudged
                if not all(_shows(key, corners, other) for other in story.moments if _like(moment, other)):
                    continue  # it did not recur when they were held once more: a finger that slipped
                if reported or (moment.values.get(key) == 1 and moment.before.get(key) != 1):
                    net.sure[number[key]] &= ~(1 << index)
                    unasked = not {layout.spots[c].part.name for c in corners} <= set(moment.hand.parts)
                    found.append(Ghost(key, corners, reported and moment.values.get(key) != 1, unasked))
    return found


def _take_out_unclear(
    layout: PanelIndex, story: Story, net: Net, without: Collection[str], made_at: Sequence[set[str]]
) -> None:
    """Mark in `net` as unknown what matrices `without` diodes cannot tell.

    That is every crossing of the lines that the made contacts join, if there are more crossings than made contacts.
    Switches that stay made do this for the whole of a walk.
    """
    number = {name: n for n, name in enumerate(net.names)}
    kept: set[str] = set()
    for index, moment in enumerate(story.moments):
        # After reporting a ghost, the board holds the contact back until it reports it again.
        kept -= {change.channel for change in moment.hand.changes}
        kept |= {key for key in moment.hand.ghosts if layout.matrix_of.get(key) in without and key in number}
        for key in kept:
            net.sure[number[key]] &= ~(1 << index)
    for name in without:
        places = {key: cross for key, cross in layout.crosses.items() if cross.matrix == name and key in number}
        for index, every in enumerate(made_at):
            made = every & places.keys()
            joined: list[tuple[set[int], set[int]]] = []
            for key in made:
                rows, columns = {places[key].row}, {places[key].column}
                for other in [o for o in joined if o[0] & rows or o[1] & columns]:
                    joined.remove(other)
                    rows, columns = rows | other[0], columns | other[1]
                joined.append((rows, columns))
            for rows, columns in joined:
                there = {key for key, cross in places.items() if cross.row in rows and cross.column in columns}
                if len(rows) * len(columns) > len(there & made):
                    for key in there:
                        net.sure[number[key]] &= ~(1 << index)


def _masked(layout: PanelIndex, story: Story, moment: SettledStep, matrix: str, here: set[str]) -> set[str]:
    """Return made contacts that the board may hold back because it cannot tell them from a ghost.

    It reports ``ghost`` when that begins, but nothing when the same keys are held once more.
    """
    masks = not layout.diodes.get(matrix, True) or any(
        layout.matrix_of.get(key) == matrix for m in story.moments if _like(moment, m) for key in m.hand.ghosts
    )
    if not masks:
        return set()
    corners = [set(_corners(layout, key, here)) for key, name in layout.matrix_of.items() if name == matrix]
    return {key for each in corners for key in each if moment.values.get(key) == 0}


def _like(this: SettledStep, that: SettledStep) -> bool:
    return that.hand.do == "put" and that.hand.parts == this.hand.parts and that.hand.to == this.hand.to


def _shows(key: str, corners: tuple[str, ...], moment: SettledStep) -> bool:
    """Return whether the ghost is there again: reported, made, or held back together with what is really held."""
    kept_back = any(moment.values.get(corner) == 0 for corner in corners)
    return key in moment.hand.ghosts or moment.values.get(key) == 1 or kept_back


def _made(layout: PanelIndex, moment: SettledStep) -> set[str]:
    made = set()
    for name, position in moment.where.items():
        control = layout.controls[name]
        if position is not None:
            for channel, value in zip(control.channels, control.codes[position], strict=False):
                if value and channel.key in layout.matrix_of:
                    made.add(channel.key)
        elif position is None:  # nobody has moved it yet, so only its contacts show where it is
            keys = (channel.key for channel in control.channels)
            made |= {key for key in keys if key in layout.matrix_of and moment.values.get(key) == 1}
    return made


def _corners(layout: PanelIndex, key: str, made: set[str]) -> tuple[str, ...]:
    """Return the made contacts that cause a ghost at `key`; all of them if the panel gives no places in the matrix."""
    place = layout.crosses.get(key)
    if place is None or any(k not in layout.crosses for k in made):
        return tuple(sorted(made))
    # The shortest path of a current from its column to its row through made contacts: three corners of a rectangle, or
    # a longer one.
    ways: list[tuple[int, bool, tuple[str, ...]]] = [(place.column, True, ())]
    seen = {(place.column, True)}
    for line, is_column, way in ways:
        for key in sorted(made):
            cross = layout.crosses[key]
            here, there = (cross.column, cross.row) if is_column else (cross.row, cross.column)
            if cross.matrix != place.matrix or here != line or (there, not is_column) in seen:
                continue
            if is_column and there == place.row:
                return (*way, key) if way else ()
            seen.add((there, not is_column))
            ways.append((there, not is_column, (*way, key)))
    return ()


def _middles(layout: PanelIndex, story: Story, matrix: str) -> set[str]:
    """Return the keys of a matrix that were held together with one of their row and one of their column.

    A current that flows back would have gone through their diodes.
    """
    out = set()
    for moment in story.moments:
        held = [
            layout.crosses[k] for k in _made(layout, moment) if layout.matrix_of[k] == matrix and k in layout.crosses
        ]
        if moment.hand.do != "put" or len(moment.hand.parts) != 3 or not moment.hand.to or len(held) < 3:
            continue
        for name in moment.hand.parts:
            for key in layout.channels_of(name):
                at = layout.crosses.get(key)
                along = at and any(c.row == at.row and c.column != at.column for c in held)
                across = at and any(c.column == at.column and c.row != at.row for c in held)
                if along and across:
                    out.add(key)
    return out


def without_dead_ends(layout: PanelIndex, found: list[Choices], ghosts: Sequence[Ghost]) -> list[Choices]:
    """Return `found` with a reversed diode for each key that is dead alone but passes current while others are held."""
    turned = {ghost.through for ghost in ghosts} - {""}
    out: list[Choices] = []
    for choices in found:
        raw = choices[0][0] if len(choices) == 1 and len(choices[0]) == 1 else None
        if (
            raw
            and raw.kind == "open"
            and raw.channels[0] in turned
            and layout.diodes.get(layout.matrix_of[raw.channels[0]], True)
        ):
            key = raw.channels[0]
            out.append([[BareFinding("diode wrong", (key,), {"matrix": layout.matrix_of[key], "is": "backwards"})]])
        else:
            out.append(choices)
    return out


def findings_of(layout: PanelIndex, story: Story, ghosts: Iterable[Ghost], explained: set[str]) -> list[Choices]:
    """Return what `ghosts` show about the diodes of each matrix, without those of contacts `explained` already."""
    by_matrix: dict[str, list[Ghost]] = {}
    for ghost in ghosts:
        matrix = layout.matrix_of[ghost.channel]
        if layout.diodes.get(matrix, True) and ghost.through and _never_made(story, ghost.through):
            continue  # its diode is reversed, which is reported
        if ghost.reported and not layout.diodes.get(matrix, True):
            continue  # the panel file says that there are no diodes, and the board holds the ghost back
        if ghost.channel in explained or (ghost.unasked and not layout.diodes.get(matrix, True)):
            continue  # the matrix is built without diodes, and nobody was asked to hold these together
        by_matrix.setdefault(matrix, []).append(ghost)
    out: list[Choices] = []
    for matrix, found in by_matrix.items():
        through = {ghost.through for ghost in found}
        tried = _middles(layout, story, matrix)
        if "" not in through and through <= tried and 2 * len(through) < len(tried) and len(tried) > 2:
            # The other keys pass nothing back: these diodes are faulty, rather than all missing.
            ghosts_of = [layout.spots[p.channel].part.label for p in found]
            diode = {"matrix": matrix, "is": "shorted", "held": list(dict.fromkeys(ghosts_of))}
            out.append([[BareFinding("diode wrong", tuple(sorted(through)), diode)]])
            continue
        keys = tuple(dict.fromkeys(p.channel for p in found))
        detail = {
            "matrix": matrix,
            "held": list(found[0].corners),
            "reported_as": "ghost" if found[0].reported else "made",
        }
        out.append([[BareFinding("ghost", keys, detail)]])
    return out


def _never_made(story: Story, key: str) -> bool:
    """Return whether contact `key` was never seen made."""
    return not any(moment.values.get(key) for moment in story.moments)
