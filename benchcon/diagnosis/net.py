"""A net of wires: what each should have shown, what it did, and the faults that may lie between.

A *net* is a number of wires. Each brings a signal that is on or off (a contact made, a lamp commanded) from where it
is made, its *part*, to where it is seen, its *pin*. There is one bit a moment: bit m of `on[w]` says what part w did
at moment m, bit m of `seen[w]` what pin w showed. On a healthy net the two agree.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple


class NetFault(NamedTuple):
    """One fault of a net, by the numbers of its wires."""

    kind: str
    """``off``, ``on``, ``inverted``, ``joined``, ``ring`` (in the order of arrival) or ``follows`` (this, that)."""
    wires: tuple[int, ...]
    stage: str = "pin"


class Free(NamedTuple):
    """A part whose position is not known during `span` (a mask of moments): it may be any of `options`."""

    span: int
    options: tuple[dict[int, int], ...]
    """For each position: wire → mask within `span`."""


@dataclass(slots=True)
class Net:
    """Wires, what they should have shown and what they did. All masks have one bit a moment."""

    names: list[str]
    owner: list[int]
    """For each wire the number of the part that it belongs to (a switch has several wires)."""
    moments: int
    on: list[int]
    known: list[int]
    seen: list[int]
    sure: list[int]
    own: list[int]
    """Moments at which the wire's own part was asked for something."""
    doubt: list[int]
    """Such moments that prove less."""
    acting: list[tuple[int, ...]]
    """For each moment the parts that were asked for something."""
    standing: bool = True
    """What is seen stands until it changes (contacts), so one brush is one run of moments; lamps: each look is for
    itself."""
    stray: float = 6.0
    """Price of something seen at another part's moment: a brushed neighbour, a lamp pointed at by mistake."""
    free: dict[int, Free] = field(default_factory=dict)
    apart: dict[tuple[int, int], int] = field(default_factory=dict)
    """(this, that): how often that one changed during this one's steps, but not together with it."""
    driven: dict[int, int] = field(default_factory=dict)
    """Wire → moments at which it moved within a millisecond of what was asked for, on the same board's clock: no hand
    does that, so it is electrical."""
    board: list[str] = field(default_factory=list)
    groups: list[tuple[str, ...]] = field(default_factory=list)
    lands: dict[int, str] = field(default_factory=dict)
    """Wires put back to where a cause of many found them: the name of the pin where each one's part was seen."""


def ring(wires: tuple[int, ...]) -> tuple[int, ...]:
    """The same ring, begun with its least wire."""
    first = wires.index(min(wires))
    return (*wires[first:], *wires[:first])
