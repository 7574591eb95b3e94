"""A net of wires: what each should have shown, what it did show, and the faults that may lie between.

A *net* is a set of wires. Each carries a signal that is on or off (a contact made, a lamp commanded) from its source,
its *part*, to where it is seen, its *pin*. Masks have one bit for each moment: bit m of `on[w]` says what part w did at
moment m, bit m of `seen[w]` what pin w showed. On a healthy net the two agree.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar

AnyFault = TypeVar("AnyFault", bound="tuple[Any, ...]")


class NetFault(NamedTuple):
    """One fault of a net, by the numbers of its wires."""

    kind: str
    """``off``, ``on``, ``inverted``, ``joined``, ``ring`` (each arrives at the next one's pin) or ``follows`` (the
    first pin also shows the second part)."""
    wires: tuple[int, ...]
    stage: str = "pin"


def shorted(pairs: Iterable[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """Return the groups of wires that touch, each in order, if those in each of `pairs` do (more than two also count).

    What touches the same wire touches.
    """
    groups: list[set[int]] = []
    for pair in pairs:
        wires = set(pair)
        for other in [each for each in groups if not each.isdisjoint(wires)]:
            groups.remove(other)
            wires |= other
        groups.append(wires)
    return [tuple(sorted(wires)) for wires in groups]


def merge_shorts(
    faults: Sequence[AnyFault], kind: str, make: Callable[[str, tuple[int, ...], Any], AnyFault]
) -> tuple[AnyFault, ...]:
    """Return `faults` in order, with those of `kind`, which are shorts, merged into one where they share a wire.

    A fault is a tuple that begins with its kind, its wires, and where these touch; `make` makes one of these three.
    """
    shorts = [fault for fault in faults if fault[0] == kind]
    if len(shorts) < 2:
        return tuple(sorted(set(faults)))
    out = {fault for fault in faults if fault[0] != kind}
    for place in {fault[2] for fault in shorts}:
        groups = shorted(fault[1] for fault in shorts if fault[2] == place)
        out.update(make(kind, wires, place) for wires in groups)
    return tuple(sorted(out))


class Free(NamedTuple):
    """A part whose position is not known during `span`, a mask of moments: it may be any one of `options`."""

    span: int
    options: tuple[dict[int, int], ...]
    """For each position the masks of the part's wires, within `span`."""


@dataclass(slots=True)
class Net:
    """The wires of a panel's contacts, or lamps, as masks with one bit for each moment."""

    names: list[str]
    owner: list[int]
    """For each wire the number of its part (a switch has several wires)."""
    moments: int
    on: list[int]
    known: list[int]
    seen: list[int]
    sure: list[int]
    own: list[int]
    """For each wire the moments at which its own part was asked for something."""
    doubt: list[int]
    """Those of the moments in `own` that prove less."""
    acting: list[tuple[int, ...]]
    """For each moment the parts that were asked for something."""
    lasting: bool = True
    """True for contacts, which stay as they are until they change, so that one brush spans several moments. False for
    lamps, where each look is independent."""
    stray: float = 6.0
    """Cost of something seen at another part's moment: a brushed neighbour, a lamp pointed at by mistake."""
    free: dict[int, Free] = field(default_factory=dict)
    apart: dict[tuple[int, int], int] = field(default_factory=dict)
    """For a pair of wires, how often the second changed during the first one's steps, but not together with it."""
    driven: dict[int, int] = field(default_factory=dict)
    """For each wire the moments at which it changed within a millisecond of what was asked for, on the same board's
    clock: no hand does that, so it is electrical."""
    board: list[str] = field(default_factory=list)
    groups: list[tuple[str, ...]] = field(default_factory=list)
    lands: dict[int, str] = field(default_factory=dict)
    """For each wire that `restored.put_back` moved, the name of the pin at which its part was seen."""


def ring(wires: tuple[int, ...]) -> tuple[int, ...]:
    """Return the ring `wires`, rotated to begin with its least wire."""
    first = wires.index(min(wires))
    return (*wires[first:], *wires[:first])
