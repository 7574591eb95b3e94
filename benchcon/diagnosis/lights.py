"""Lamps: which lit when which were commanded, and how they looked."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from benchcon.diagnosis.evidence import NOT_DONE, LampLook
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import Net, NetFault
from benchcon.diagnosis.restored import ends, put_back
from benchcon.diagnosis.search import explain
from benchcon.diagnosis.sources import Cause

_KINDS = {
    "off": "dead",
    "on": "always on",
    "inverted": "inverted",
    "ring": "crossed",
    "joined": "lit together",
    "follows": "follows",
}


def find(
    layout: PanelIndex, looks: Sequence[LampLook], but: Collection[str] = (), moved: Sequence[Cause] = ()
) -> list[Choices]:
    """Return what is wrong with the lamps; those with channels in `but` are explained already.

    `moved` are causes already found of which a few wires did something else.
    """
    looks = useful(layout, looks)
    names = [name for name, lamp in layout.lamps.items() if lamp.channel.key not in but]
    if not looks or not names:
        return []
    net = put_back(layout, net_of(layout, looks, names), moved)
    names = [*net.names]
    out: list[Choices] = []
    mixed: dict[str, set[str]] = {}
    inverted: set[str] = set()
    for part, pin in net.lands.items():
        mixed.setdefault(names[part], set()).add(pin)
        mixed.setdefault(pin, set()).add(names[part])
    for explanation in explain(net):
        # An explanation that leaves looks unexplained is only possible: “unexplained” is given as the alternative.
        choices = _named(layout, net, [faults for faults in explanation.choices if faults])
        if explanation.odd:
            keys = tuple(layout.lamps[names[w]].channel.key for w in explanation.odd)
            choices.append([BareFinding("unexplained", keys)])
        elif any(explanation.choices):
            choices = _named(layout, net, explanation.choices)
        if choices:
            out.append(choices)
        for faults in explanation.choices:
            for fault in faults:
                if fault.kind == "inverted":
                    inverted.add(names[fault.wires[0]])
                if len(fault.wires) > 1:
                    group = {names[w] for w in fault.wires}
                    for name in group:
                        mixed.setdefault(name, set()).update(group - {name})
    together = {frozenset(r.channels) for c in out for s in c for r in s if r.kind in ("lit together", "follows")}
    out += _looks(layout, looks, together, mixed, inverted)
    explained = set(but)
    return [choices for choices in out if not all(explained.issuperset(r.channels) for c in choices for r in c)]


def _named(layout: PanelIndex, net: Net, choices: Iterable[Sequence[NetFault]]) -> Choices:
    out: Choices = []
    for faults in choices:
        for names in ends(net):
            raw = [
                BareFinding(_KINDS[f.kind], tuple(layout.lamps[names[w]].channel.key for w in f.wires)) for f in faults
            ]
            if raw not in out:
                out.append(raw)
    return out


def useful(layout: PanelIndex, looks: Sequence[LampLook]) -> list[LampLook]:
    """Return the looks that prove something. Raises `Trouble` for a lamp that is not on the panel."""
    looks = [look for look in looks if look.answer not in NOT_DONE]
    for look in looks:
        for name in (*look.set, *look.seen, *look.shows, *look.displays):
            layout.part(name)
    return looks


def net_of(layout: PanelIndex, looks: Sequence[LampLook], names: list[str]) -> Net:
    """Return the lamps `names` as a net, with one moment for each of `looks`."""
    number = {name: n for n, name in enumerate(names)}
    zero = [0] * len(names)
    all_moments = (1 << len(looks)) - 1
    net = Net(
        names=names,
        owner=list(range(len(names))),
        moments=len(looks),
        on=list(zero),
        known=[all_moments] * len(names),
        seen=list(zero),
        sure=list(zero),
        own=list(zero),
        doubt=list(zero),
        acting=[],
        lasting=False,
        stray=12.5,
        board=[layout.lamps[name].channel.board for name in names],
    )
    always_on: set[str] = set()
    for look in looks:
        if not any(look.set.values()) and look.answer == "otherwise":
            always_on |= set(look.seen)
    for moment, look in enumerate(looks):
        bit = 1 << moment
        lit = {name for name, level in look.set.items() if level > 0 and name in number}
        net.acting.append(tuple(number[name] for name in sorted(lit)))
        for name, wire in number.items():
            seen = name in look.seen if look.answer == "otherwise" else name in lit
            if name in lit:
                net.on[wire] |= bit
            dark = not lit and not look.shows
            # A lamp found lit with everything dark need not be pointed at again each time.
            if name in lit or dark or seen or name not in always_on:
                net.sure[wire] |= bit
            if name in lit or dark:
                net.own[wire] |= bit
            if seen:
                net.seen[wire] |= bit
    _set_doubt(looks, net, number)
    return net


def _set_doubt(looks: Sequence[LampLook], net: Net, number: dict[str, int]) -> None:
    """Mark in `net` as doubtful each look that failed and was right another time."""
    for name, wire in number.items():
        own = [m for m, look in enumerate(looks) if set(look.set) == {name}]
        right = [m for m in own if looks[m].answer == "same" or set(looks[m].seen) == {name}]
        if right:
            for m in own:
                if m not in right:
                    net.doubt[wire] |= 1 << m


def _looks(
    layout: PanelIndex,
    looks: Sequence[LampLook],
    together: set[frozenset[str]],
    mixed: dict[str, set[str]],
    inverted: set[str],
) -> list[Choices]:
    """Return the lamps that looked wrong when lit: dim, flickering, of another colour. The last look at each counts.

    Those in `inverted` are lit with everything dark, so only such looks show how they look.
    """
    dim: dict[str, list[bool]] = {}
    colour: dict[str, list[str]] = {}
    flicker: dict[str, list[bool]] = {}
    for look in looks:
        lit = {name for name, level in look.set.items() if level > 0}
        for name in look.seen if look.answer == "otherwise" else lit:
            how = look.seen.get(name)
            # A lamp that is lit for another reason need not look as it would when commanded.
            near = lit & ({name} | mixed.get(name, set()))
            if not near and lit:
                continue
            level = "full" if how is None else how.level
            shared = len(look.seen) > 1 and any(
                {layout.lamps[n].channel.key for n in look.seen} >= pair
                and layout.lamps[name].channel.key in pair
                and all(look.seen[n].level == "dim" for n in look.seen if layout.lamps[n].channel.key in pair)
                for pair in together
            )
            if (lit or name in inverted) and not shared:
                dim.setdefault(name, []).append(level == "dim")
            colour.setdefault(name, []).append(how.colour if how and how.colour != layout.lamps[name].colour else "")
            flicker.setdefault(name, []).append(bool(how and how.flickering))
    out: list[Choices] = []
    for name in layout.lamps:
        raws: list[tuple[str, dict[str, str]]] = []
        if any(dim.get(name, ())) and dim[name][-1]:
            raws.append(("dim", {}))
        if colour.get(name) and colour[name][-1]:
            raws.append(("wrong colour", {"colour": colour[name][-1], "expected": layout.lamps[name].colour}))
        if any(flicker.get(name, ())) and flicker[name][-1]:
            raws.append(("flickering", {}))
        for kind, detail in raws:
            key = layout.lamps[name].channel.key
            choices = [[BareFinding(kind, (key,), dict(detail))]]
            choices += [
                [BareFinding(kind, (layout.lamps[other].channel.key,), dict(detail))]
                for other in sorted(mixed.get(name, ()))
                if not any(key in pair for pair in together)
            ]
            out.append(choices)
    return out
