"""Buttons and switches: turns evidence into a net of wires, and its cheapest faults into findings."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from benchcon.diagnosis import chatter
from benchcon.diagnosis import ghosts as ghosts_
from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import Free, Net, NetFault
from benchcon.diagnosis.restored import ends, put_back
from benchcon.diagnosis.search import explain
from benchcon.diagnosis.settled import SettledStep, Story
from benchcon.diagnosis.sources import Cause
from benchcon.panel.model import Control

TOGETHER_US = 20_000
"""Longest time between the changes of two contacts that touch, from bounce and different debouncing."""

_KINDS = {
    "off": "open",
    "on": "stuck",
    "inverted": "inverted",
    "ring": "crossed",
    "joined": "shorted",
    "follows": "follows",
}


@dataclass(frozen=True, slots=True)
class Contacts:
    """What the evidence says of a panel's contacts but for those `left_out`."""

    left_out: frozenset[str]
    net: Net
    """One moment for each of the story. Values that cannot be told from ghosts are unknown in it."""
    ghosts: list[ghosts_.Ghost]


def read(layout: PanelIndex, story: Story, left_out: Collection[str] = ()) -> Contacts | None:
    """Return what `story` says of all contacts but those `left_out`; None if there are none, or nothing was done."""
    names = [key for key, spot in layout.spots.items() if spot.kind == "contact" and key not in left_out]
    if not names or not story.moments:
        return None
    net = _net(layout, story, names)
    return Contacts(frozenset(left_out), net, ghosts_.find(layout, story, net))


def find(layout: PanelIndex, story: Story, contacts: Contacts | None, moved: Sequence[Cause] = ()) -> list[Choices]:
    """Return what is wrong with the `contacts`. Those left out behave as positions of one switch, or are explained.

    `moved` are causes already found of which a few wires did something else.
    """
    if contacts is None:
        return []
    in_turn, ghosts = contacts.left_out, contacts.ghosts
    net = replace(contacts.net, sure=[*contacts.net.sure])
    names = net.names
    chattering = [burst for burst in chatter.bursts(layout, story) if burst.channel not in in_turn]
    number = {name: n for n, name in enumerate(names)}
    for burst in chattering:
        # The value to which a chattering contact happens to settle proves nothing.
        net.sure[number[burst.channel]] &= ~(1 << burst.moment)
    out: list[Choices] = []
    fed: dict[int, set[int]] = {}
    explained: set[str] = set()
    changed_round: dict[str, set[str]] = {}
    net = put_back(layout, net, moved)
    names = net.names
    for explanation in explain(net):
        # An explanation that leaves moves unexplained is only possible: “unexplained” is given as the alternative.
        choices = _named(net, [faults for faults in explanation.choices if faults])
        if explanation.odd:
            choices.append([BareFinding("unexplained", tuple(names[w] for w in explanation.odd))])
        elif any(explanation.choices):
            choices = _named(net, [*explanation.choices, *_one_way(net, explanation.choices)])
            led = [fault.wires[0] for faults in explanation.choices for fault in faults if fault.kind == "follows"]
            if len(choices) == 1 and len({*led}) < len(led):
                # Two one-way paths onto one contact would fit as well, but nobody builds them by mistake.
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
    # Swapped wires explain a ghost only if one of the held keys is among them.
    explained |= {p.channel for p in ghosts if any(p.channel in changed_round.get(c, ()) for c in p.corners)}
    # Keys that a cause of many wires explains (such as swapped matrix lines) were not the ones that seemed held.
    ghosts = [p for p in ghosts if {p.channel, *p.corners}.isdisjoint(in_turn)]
    as_findings = ghosts_.findings_of(layout, story, ghosts, explained)
    as_ghosts = {key for choices in as_findings for raw in choices[0] for key in raw.channels if raw.kind == "ghost"}
    out = [each for each in out if not _only_odd(each, as_ghosts)]
    return [*ghosts_.without_dead_ends(layout, out, ghosts), *as_findings]


def _only_odd(choices: Choices, as_ghosts: set[str]) -> bool:
    """Return whether `choices` say no more than “unexplained”, about contacts that are reported as ghosts anyway."""
    said = [raw for choice in choices for raw in choice]
    return bool(said) and all(raw.kind == "unexplained" and as_ghosts.issuperset(raw.channels) for raw in said)


def _one_way(net: Net, choices: Sequence[Sequence[NetFault]]) -> Iterator[list[NetFault]]:
    """Yield `choices` with one-way paths in place of shorts, where the evidence cannot tell the two apart.

    It cannot if one of the two wires was never made while the other was open, unless each was seen to move with the
    other.
    """
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
    """Return whether pin `that` changed with `this` while only the part of `this` was worked.

    A switch that nobody has worked yet may be in any position, but it does not move.
    """
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
    for name, wires in columns.items():
        for position, span in _spans(moment.where.get(name) for moment in story.moments):
            code = layout.controls[name].codes[position]
            for wire, place in wires:
                if place < len(code):
                    net.known[wire] |= span
                    net.on[wire] |= span if code[place] else 0
    for wire, name in enumerate(names):
        for value, span in _spans(moment.values.get(name) for moment in story.moments):
            net.sure[wire] |= span
            net.seen[wire] |= span if value else 0
    for number, moment in enumerate(story.moments):
        if moment.hand.do == "put":
            for wire, _ in (each for name in moment.hand.parts for each in columns.get(name, ())):
                net.own[wire] |= 1 << number
                net.doubt[wire] |= 1 << number if moment.doubtful else 0
    _set_free(layout, net, columns, owners)
    _set_apart(layout, story, net)
    _set_driven(layout, story, net)
    return net


def _spans(values: Iterable[int | None]) -> Iterator[tuple[int, int]]:
    """Yield each value that is not None, with the mask of the moments through which it stays.

    Most stay for most of a walk: it is read once a change, and not once a moment.
    """
    number = 0
    for value, same in itertools.groupby(values):
        count = sum(1 for _ in same)
        if value is not None:
            yield value, (1 << count) - 1 << number
        number += count


def _set_free(layout: PanelIndex, net: Net, columns: dict[str, list[tuple[int, int]]], owners: dict[str, int]) -> None:
    """Let each switch be in any one position until it is first moved."""
    for name, wires in columns.items():
        known = net.known[wires[0][0]]
        first = (known & -known).bit_length() - 1 if known else net.moments
        if first <= 0:
            continue
        span = (1 << first) - 1
        codes = layout.controls[name].codes
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
"""Contacts of one board that change within this time, one scan, change for the same reason."""


def coupled(layout: PanelIndex, moment: SettledStep) -> Iterator[tuple[str, str, Change]]:
    """Yield contacts that changed within one scan of a contact that was asked for, by the clock of their board.

    Each item is the contact that was asked for, the other one, and the other's change. The debounce times are
    subtracted first.
    """
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


# Chattering --------------------------------------------------------------------------------------------------------


def _chattering(
    layout: PanelIndex, story: Story, net: Net, found: list[chatter.Burst], fed: dict[int, set[int]]
) -> list[Choices]:
    """Return the chattering as findings. Where wires are swapped or touch, the part that was moved is named."""
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
