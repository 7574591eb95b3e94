"""Buttons and switches: evidence as a net of wires, and the cheapest faults as findings without words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchcon.diagnosis import chatter
from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.layout import PanelIndex, codes_of, key_of
from benchcon.diagnosis.net import Free, Net, NetFault
from benchcon.diagnosis.restored import ends, put_back
from benchcon.diagnosis.search import explain
from benchcon.diagnosis.settled import SettledStep, Story
from benchcon.diagnosis.sources import Cause
from benchcon.panel.model import Control

TOGETHER_US = 20_000
"""Two contacts that touch change within this: bounce and unlike debouncing between them."""

_KINDS = {
    "off": "open",
    "on": "stuck",
    "inverted": "inverted",
    "ring": "crossed",
    "joined": "shorted",
    "follows": "follows",
}


@dataclass(slots=True)
class BareFinding:
    """A finding before it is put into words: kind and channels."""

    kind: str
    channels: tuple[str, ...]
    detail: Mapping[str, Any] = field(default_factory=dict)


Choices = list[list[BareFinding]]
"""Sets of findings, any one of which explains the same evidence; one set: it is sure."""


def find(layout: PanelIndex, story: Story, in_turn: Collection[str] = (), moved: Sequence[Cause] = ()) -> list[Choices]:
    """Return what is wrong with the contacts; those `in_turn` are made one after the other, as they should.

    `moved`: causes of many wires, found already, of which some did something else beside.
    """
    names = [key for key, spot in layout.spots.items() if spot.kind == "contact" and key not in in_turn]
    if not names or not story.moments:
        return []
    net, ghosts = _net_and_ghosts(layout, story, names)
    chattering = [burst for burst in chatter.bursts(layout, story) if burst.channel not in in_turn]
    number = {name: n for n, name in enumerate(names)}
    for burst in chattering:
        # While it chatters, where it happens to settle proves nothing.
        net.sure[number[burst.channel]] &= ~(1 << burst.moment)
    out: list[Choices] = []
    fed: dict[int, set[int]] = {}
    explained: set[str] = set()
    changed_round: dict[str, set[str]] = {}
    net = put_back(layout, net, moved)
    names = net.names
    for explanation in explain(net):
        # What leaves moves unexplained is only possible: that it is something else is given beside it.
        choices = _named(net, [faults for faults in explanation.choices if faults])
        if explanation.odd:
            choices.append([BareFinding("unexplained", tuple(names[w] for w in explanation.odd))])
        elif any(explanation.choices):
            choices = _named(net, [*explanation.choices, *_one_way(net, explanation.choices)])
            led = [fault.wires[0] for faults in explanation.choices for fault in faults if fault.kind == "follows"]
            if len(choices) == 1 and len({*led}) < len(led):
                # Nobody builds two one-way paths onto one contact by mistake: that fits, and is not to be believed.
                choices.append([BareFinding("unexplained", tuple(net.names[w] for w in sorted({*led})))])
        if choices:
            out.append(choices)
        for fault in {f for faults in explanation.choices for f in faults}:
            there = {net.names[w] for w in fault.wires}
            if fault.kind == "ring":
                changed_round |= dict.fromkeys(there, there)
            elif fault.kind != "off":
                explained |= there
            for wire in fault.wires if len(fault.wires) > 1 else ():
                fed.setdefault(wire, set()).update(fault.wires)
    groups = {names[wire]: frozenset(names[w] for w in wires) for wire, wires in fed.items()}
    if groups:
        chattering = [burst for burst in chatter.bursts(layout, story, groups) if burst.channel not in in_turn]
    out += _chattering(layout, story, net, chattering, fed)
    # Wires swapped explain a ghost only where one of the keys that were held is among them.
    explained |= {p.channel for p in ghosts if any(p.channel in changed_round.get(c, ()) for c in p.corners)}
    # What is explained by a whole cause, lines of the matrix swapped for one, was not held as it seemed.
    ghosts = [p for p in ghosts if {p.channel, *p.corners}.isdisjoint(in_turn)]
    told = _ghost_findings(layout, story, ghosts, explained)
    as_ghosts = {key for choices in told for raw in choices[0] for key in raw.channels if raw.kind == "ghost"}
    out = [each for each in out if not _only_odd(each, as_ghosts)]
    return [*_without_dead_ends(layout, out, ghosts), *told]


def _only_odd(choices: Choices, as_ghosts: set[str]) -> bool:
    """Whether all that is said is that something else was seen, of contacts that are told to be ghosts."""
    said = [raw for choice in choices for raw in choice]
    return bool(said) and all(raw.kind == "unexplained" and as_ghosts.issuperset(raw.channels) for raw in said)


def _one_way(net: Net, choices: Sequence[Sequence[NetFault]]) -> Iterator[list[NetFault]]:
    """Where two wires touch of which one never stood made while the other was open, nothing tells that from a path that
    leads one way only; unless each was seen to move with the other."""
    if len(choices) != 1:
        return
    (faults,) = choices
    swapped = {wire for fault in faults if fault.kind == "ring" for wire in fault.wires}
    for joined in faults:
        if joined.kind != "joined" or len(joined.wires) != 2:
            continue
        if joined.stage != "pin" and not swapped.isdisjoint(joined.wires):
            continue
        for this, that in (joined.wires, joined.wires[::-1]):
            both = net.known[this] & net.known[that] & net.sure[this] & net.sure[that]
            if _drags(net, this, that):
                continue
            if not both & net.on[this] & ~net.on[that] and both & net.on[that] & ~net.on[this]:
                yield [NetFault("follows", (this, that)) if fault is joined else fault for fault in faults]


def _drags(net: Net, this: int, that: int) -> bool:
    """Whether pin `that` changed with `this` when only the part of `this` was worked: wherever a switch stood that
    nobody had worked by then, it did not move."""
    changed = (net.seen[that] ^ net.seen[that] << 1) & net.sure[that] & net.sure[that] << 1
    changed &= (net.seen[this] ^ net.seen[this] << 1) & net.sure[this] & net.sure[this] << 1 & net.own[this]
    return any(
        changed >> moment & 1 and net.owner[this] in acting and net.owner[that] not in acting
        for moment, acting in enumerate(net.acting)
    )


def _named(net: Net, choices: Iterable[Sequence[NetFault]]) -> Choices:
    out: Choices = []
    for faults in choices:
        for names in ends(net):
            raw = [BareFinding(_KINDS[fault.kind], tuple(names[w] for w in fault.wires)) for fault in faults]
            if raw not in out:
                out.append(raw)
    return out


def net_of(layout: PanelIndex, story: Story, names: list[str]) -> Net:
    """Return the contacts `names` (channels) as a net, with a moment for each of `story`; what a matrix without diodes
    cannot tell proves nothing in it."""
    return _net_and_ghosts(layout, story, names)[0]


def _net_and_ghosts(layout: PanelIndex, story: Story, names: list[str]) -> tuple[Net, list[_Ghost]]:
    net = _net(layout, story, names)
    ghosts = _ghosts(layout, story, net)
    # One whose current goes back through a key that is dead alone tells of that key's diode, and of no other.
    many = [ghost for ghost in ghosts if not _through(ghost) or not _dead(story, _through(ghost))]
    without = {layout.matrix_of[ghost.channel] for ghost in many}
    _unclear(layout, story, net, without | {name for name, diodes in layout.diodes.items() if not diodes})
    return net, ghosts


def _net(layout: PanelIndex, story: Story, names: list[str]) -> Net:
    owners = {name: n for n, name in enumerate(layout.controls)}
    spots = [layout.spots[name] for name in names]
    movable = {spot.part.name for spot in spots}
    zero = [0] * len(names)
    net = Net(
        names=names,
        owner=[owners[spot.part.name] for spot in spots],
        moments=len(story.moments),
        on=list(zero),
        known=list(zero),
        seen=list(zero),
        sure=list(zero),
        own=list(zero),
        doubt=list(zero),
        acting=[tuple(owners[p] for p in m.hand.parts if p in movable) for m in story.moments],
        board=[spot.channel.board for spot in spots],
    )
    columns: dict[str, list[tuple[int, int]]] = {}
    for wire, spot in enumerate(spots):
        columns.setdefault(spot.part.name, []).append((wire, spot.place))
    for number, moment in enumerate(story.moments):
        bit = 1 << number
        for name, wires in columns.items():
            position = moment.where.get(name)
            code = codes_of(layout.controls[name])[position] if position is not None else None
            own = moment.hand.do == "put" and name in moment.hand.parts
            for wire, place in wires:
                if code is not None and place < len(code):
                    net.known[wire] |= bit
                    net.on[wire] |= bit if code[place] else 0
                if own:
                    net.own[wire] |= bit
                    net.doubt[wire] |= bit if moment.doubtful else 0
                value = moment.values.get(names[wire])
                if value is not None:
                    net.sure[wire] |= bit
                    net.seen[wire] |= bit if value else 0
    _set_free(layout, net, columns, owners)
    _set_apart(layout, story, net)
    _set_driven(layout, story, net)
    return net


def _set_free(layout: PanelIndex, net: Net, columns: dict[str, list[tuple[int, int]]], owners: dict[str, int]) -> None:
    """Before it was first moved, a switch stood somewhere, and stayed there."""
    for name, wires in columns.items():
        known = net.known[wires[0][0]]
        first = (known & -known).bit_length() - 1 if known else net.moments
        if first <= 0:
            continue
        span = (1 << first) - 1
        codes = codes_of(layout.controls[name])
        options = tuple(
            {wire: span if place < len(code) and code[place] else 0 for wire, place in wires} for code in codes
        )
        net.free[owners[name]] = Free(span, options)


def _set_apart(layout: PanelIndex, story: Story, net: Net) -> None:
    number = {name: n for n, name in enumerate(net.names)}
    for moment in story.moments:
        if moment.hand.do != "put":
            continue
        times: dict[int, list[tuple[int, int]]] = {}
        for change in moment.hand.changes:
            if change.channel in number:
                times.setdefault(number[change.channel], []).append((change.at_us, change.clock_us))
        own = {w for p in moment.hand.parts for w in map(number.get, layout.channels_of(p)) if w is not None}
        for this in own & times.keys():
            for that in times.keys() - own:
                if not any(
                    _together(a, b, net.board[this] == net.board[that]) for a in times[this] for b in times[that]
                ):
                    net.apart[this, that] = net.apart.get((this, that), 0) + 1


AT_ONCE_US = 1_000
"""Contacts of one board that change within one scan of each other did so for one reason."""


def coupled(layout: PanelIndex, moment: SettledStep) -> Iterator[tuple[str, str, Change]]:
    """Yield contacts that changed within a scan of a contact that was asked for, on the same board's clock: the one
    that was asked for, the other one, and its change. What each one's debouncing takes is left out of it."""
    if moment.hand.do != "put":
        return
    mine = {key for part in moment.hand.parts for key in layout.channels_of(part)}

    def at_us(change: Change) -> float:
        part = layout.spots[change.channel].part
        assert isinstance(part, Control)
        return change.clock_us - 1000 * part.debounce_ms

    contacts = [c for c in moment.hand.changes if c.clock_us >= 0 and c.channel in layout.spots]
    contacts = [c for c in contacts if layout.spots[c.channel].kind == "contact"]
    own = [c for c in contacts if c.channel in mine]
    for change in contacts:
        for cause in own if change.channel not in mine else ():
            same_board = layout.spots[cause.channel].channel.board == layout.spots[change.channel].channel.board
            if same_board and abs(at_us(cause) - at_us(change)) <= AT_ONCE_US:
                yield cause.channel, change.channel, change


def _set_driven(layout: PanelIndex, story: Story, net: Net) -> None:
    number = {name: n for n, name in enumerate(net.names)}
    for index, moment in enumerate(story.moments):
        for _, other, _ in coupled(layout, moment):
            if other in number and moment.values.get(other) != moment.before.get(other):
                net.driven[number[other]] = net.driven.get(number[other], 0) | 1 << index


def _together(this: tuple[int, int], that: tuple[int, int], one_board: bool) -> bool:
    if one_board and this[1] >= 0 and that[1] >= 0:
        return abs(this[1] - that[1]) <= TOGETHER_US
    return abs(this[0] - that[0]) <= TOGETHER_US


# Ghosts ----------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Ghost:
    channel: str
    corners: tuple[str, ...]
    told: bool
    """The board said that it is a ghost, and did not report it as made."""
    standing: bool
    """Switches that stood made had part in it: nobody was asked to hold all these contacts."""


def _ghosts(layout: PanelIndex, story: Story, net: Net) -> list[_Ghost]:
    """Contacts of a matrix that read made when three others of a rectangle were; those moments are taken out of the
    net."""
    found: list[_Ghost] = []
    number = {name: n for n, name in enumerate(net.names)}
    for index, moment in enumerate(story.moments):
        made = _made(layout, moment)
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
                told = key in moment.hand.ghosts
                ends = {corners[0], corners[-1]} if len(corners) == 3 else set()
                if layout.diodes.get(matrix, True) and not told and any(moment.values.get(c) == 0 for c in ends):
                    continue  # a current that finds its way round shows what it goes through, too: these are swapped
                then = story.moments[index + 1] if index + 1 < len(story.moments) else moment
                if then.hand.parts == moment.hand.parts and then.hand.to == 0 and then.values.get(key) == 1:
                    continue  # it stays made when they are let go: a switch that was nudged
                if not all(_shows(key, corners, other) for other in story.moments if _like(moment, other)):
                    continue  # held once more, it did not come again: a finger that slipped
                if told or (moment.values.get(key) == 1 and moment.before.get(key) != 1):
                    net.sure[number[key]] &= ~(1 << index)
                    standing = not {layout.spots[c].part.name for c in corners} <= set(moment.hand.parts)
                    found.append(_Ghost(key, corners, told and moment.values.get(key) != 1, standing))
    return found


def _unclear(layout: PanelIndex, story: Story, net: Net, without: Collection[str]) -> None:
    """Take out of the net what matrices `without` diodes cannot tell: all crossings of the lines that what is made
    joins, if there are more of them than are made. Switches that stand made do that for the whole of a walk."""
    number = {name: n for n, name in enumerate(net.names)}
    kept: set[str] = set()
    for index, moment in enumerate(story.moments):
        # What the board called a ghost it keeps to itself until it reports it again.
        kept -= {change.channel for change in moment.hand.changes}
        kept |= {key for key in moment.hand.ghosts if layout.matrix_of.get(key) in without and key in number}
        for key in kept:
            net.sure[number[key]] &= ~(1 << index)
    for name in without:
        places = {key: cross for key, cross in layout.crosses.items() if cross.matrix == name and key in number}
        for index, moment in enumerate(story.moments):
            made = {key for key in _made(layout, moment) if key in places}
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
    """Contacts that are made and that the board may keep to itself, since it cannot tell them from a ghost.

    It says ``ghost`` when that begins, and nothing when the same keys are held once more.
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
    """Whether the ghost is there again: told, made, or kept back together with what is really held."""
    kept_back = any(moment.values.get(corner) == 0 for corner in corners)
    return key in moment.hand.ghosts or moment.values.get(key) == 1 or kept_back


def _made(layout: PanelIndex, moment: SettledStep) -> set[str]:
    made = set()
    for name, position in moment.where.items():
        control = layout.controls[name]
        if position is not None:
            for channel, value in zip(control.channels, codes_of(control)[position], strict=False):
                if value and key_of(channel) in layout.matrix_of:
                    made.add(key_of(channel))
        elif position is None:  # nobody has moved it yet: only its contacts say where it is
            keys = map(key_of, control.channels)
            made |= {key for key in keys if key in layout.matrix_of and moment.values.get(key) == 1}
    return made


def _corners(layout: PanelIndex, key: str, made: set[str]) -> tuple[str, ...]:
    """The made contacts that a ghost at `key` comes through; if the panel does not name places, all of them."""
    place = layout.crosses.get(key)
    if place is None or any(k not in layout.crosses for k in made):
        return tuple(sorted(made))
    # The shortest way for a current from its column to its row, through what is made: three corners of a rectangle, or
    # a longer way round.
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
    """The keys of a matrix that were held together with one of their row and one of their column: a current that
    finds its way back would have gone through their diodes."""
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


def _through(ghost: _Ghost) -> str:
    """The contact through whose diode the current goes back, where a ghost comes through three corners."""
    return ghost.corners[1] if len(ghost.corners) == 3 else ""


def _without_dead_ends(layout: PanelIndex, found: list[Choices], ghosts: Sequence[_Ghost]) -> list[Choices]:
    """A key that is dead alone, and lets current back when others are held: its diode is the wrong way round."""
    turned = {_through(ghost) for ghost in ghosts} - {""}
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


def _ghost_findings(layout: PanelIndex, story: Story, ghosts: Iterable[_Ghost], explained: set[str]) -> list[Choices]:
    by_matrix: dict[str, list[_Ghost]] = {}
    for ghost in ghosts:
        matrix = layout.matrix_of[ghost.channel]
        if layout.diodes.get(matrix, True) and _through(ghost) and _dead(story, _through(ghost)):
            continue  # its diode is the wrong way round, and that is said
        if ghost.told and not layout.diodes.get(matrix, True):
            continue  # the panel file says that there are no diodes, and the board keeps it harmless
        if ghost.channel in explained or (ghost.standing and not layout.diodes.get(matrix, True)):
            continue  # so it is built, and nobody was asked to hold these together
        by_matrix.setdefault(matrix, []).append(ghost)
    out: list[Choices] = []
    for matrix, found in by_matrix.items():
        through = {_through(ghost) for ghost in found}
        tried = _middles(layout, story, matrix)
        if "" not in through and through <= tried and 2 * len(through) < len(tried) and len(tried) > 2:
            # The others let nothing back: it is these diodes, and not that there are none.
            ghosts_of = [layout.spots[p.channel].part.label or p.channel for p in found]
            diode = {"matrix": matrix, "is": "shorted", "held": list(dict.fromkeys(ghosts_of))}
            out.append([[BareFinding("diode wrong", tuple(sorted(through)), diode)]])
            continue
        keys = tuple(dict.fromkeys(p.channel for p in found))
        detail = {"matrix": matrix, "held": list(found[0].corners), "told_as": "ghost" if found[0].told else "made"}
        out.append([[BareFinding("ghost", keys, detail)]])
    return out


def _dead(story: Story, key: str) -> bool:
    """Whether a contact was never seen made."""
    return not any(moment.values.get(key) for moment in story.moments)


# Chattering --------------------------------------------------------------------------------------------------------


def _chattering(
    layout: PanelIndex, story: Story, net: Net, found: list[chatter.Burst], fed: dict[int, set[int]]
) -> list[Choices]:
    """Name the part that chatters: the one that was moved, where wires are swapped or touch."""
    number = {name: n for n, name in enumerate(net.names)}
    sources: dict[str, list[chatter.Burst]] = {}
    doubt: dict[str, set[str]] = {}
    for burst in found:
        wire = number[burst.channel]
        source = burst.channel
        owners = set(net.acting[burst.moment])
        if net.owner[wire] not in owners:
            moved = [w for w in fed.get(wire, ()) if net.owner[w] in owners]
            if moved:
                source = net.names[moved[0]]
                doubt.setdefault(source, set()).add(burst.channel)
        sources.setdefault(source, []).append(burst)
    touching = {w for pair in fed.items() for w in pair[1]}
    out: list[Choices] = []
    for source, several in sources.items():
        count = sum(b.touches for b in several)
        shortest = min((b.shortest_us for b in several if b.shortest_us), default=0)
        detail: dict[str, Any] = {
            "touches": count,
            "steps": len({b.moment for b in several}),
            "shortest_us": shortest,
        }
        choices = [[BareFinding("chattering", (source,), detail)]]
        if number[source] in touching:
            choices += [[BareFinding("chattering", (other,), detail)] for other in sorted(doubt.get(source, ()))]
        out.append(choices)
    return out
