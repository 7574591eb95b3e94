"""Undoes the effect of causes on a net, so that further faults of the same wires can be searched for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import Net
from benchcon.diagnosis.sources import ON, OTHER_WAY, Cause


def key_of_name(layout: PanelIndex, name: str) -> str:
    """Return the channel for a `name` in a net: contacts are named by their channel, lamps by the part's name."""
    return name if name in layout.spots else layout.channels_of(name)[0]


def ends(net: Net) -> list[list[str]]:
    """Return the names of the wires of `net` by part and, if some were put back, also by the pin where each ends.

    The evidence does not tell at which end of such a wire a fault is.
    """
    at_pins = [net.lands.get(number, name) for number, name in enumerate(net.names)]
    return [net.names] if at_pins == net.names else [net.names, at_pins]


def put_back(layout: PanelIndex, net: Net, found: Sequence[Cause]) -> Net:
    """Return `net` as it would be without the causes `found`: each part with what was seen where its wire ends.

    A pin where no wire ends keeps its name, with a part that is never (or always) on. A signal that arrives nowhere
    proves nothing.
    """
    new = replace(
        net,
        names=[*net.names],
        on=[*net.on],
        known=[*net.known],
        seen=[*net.seen],
        sure=[*net.sure],
        own=[*net.own],
        doubt=[*net.doubt],
        board=[*net.board],
        free=dict(net.free),
        driven=dict(net.driven),
        apart=dict(net.apart),
        lands=dict(net.lands),
    )
    index = {key_of_name(layout, name): n for n, name in enumerate(net.names)}
    for cause in found:
        _put_back(net, new, index, cause)
    return new


def _put_back(net: Net, new: Net, index: Mapping[str, int], cause: Cause) -> None:
    every = (1 << net.moments) - 1
    lands: dict[int, int] = {}
    bare: list[tuple[int, int]] = []
    for key, source in cause.sent.items():
        if key not in index:
            continue
        pin = index[key]
        part = pin if source == OTHER_WAY else index.get(source, -1)
        if part < 0 or part in lands:
            bare.append((pin, every if source == ON else 0))
        else:
            lands[part] = pin
    gate = index.get(cause.gate, -1)
    one = two = 0
    for pin in (index[key] for key in cause.tangled if key in index):
        made = net.on[pin] | ~net.known[pin]
        one, two = one | made, two | one & made
    for part, pin in lands.items():
        new.sure[part], new.seen[part] = net.sure[pin], net.seen[pin]
        if cause.sent[_of(index, pin)] == OTHER_WAY:
            new.seen[part] = ~net.seen[pin] & net.sure[pin]
        new.sure[part] &= ~two
        if gate >= 0 and part != gate:
            new.sure[part] &= net.on[gate] & net.known[gate]
        new.board[part] = net.board[pin]
        new.driven[part] = net.driven.get(pin, 0) & ~net.own[part]
        if part != pin:
            new.lands[part] = net.names[pin]
    moved = {part: pin for part, pin in lands.items() if part != pin}
    if moved:
        back = {pin: part for part, pin in lands.items()}
        new.apart = {(back.get(a, a), back.get(b, b)): n for (a, b), n in new.apart.items()}
    pins = [index[key] for key in cause.sent if key in index]
    lost = [part for part in pins if part not in lands]
    for number, part in enumerate(lost):
        owner = net.owner[part]
        if owner in new.free:
            options = tuple({w: m for w, m in each.items() if w != part} for each in new.free[owner].options)
            new.free[owner] = new.free[owner]._replace(options=options)
        new.known[part] = every
        if number >= len(bare):
            new.sure[part] = 0
            continue
        pin, level = bare[number]
        new.on[part], new.seen[part], new.sure[part] = level, net.seen[pin], net.sure[pin]
        new.own[part], new.doubt[part], new.board[part] = net.own[pin], net.doubt[pin], net.board[pin]
        new.driven[part] = net.driven.get(pin, 0)
        new.names[part] = net.names[pin]


def _of(index: Mapping[str, int], number: int) -> str:
    return next(key for key, n in index.items() if n == number)
