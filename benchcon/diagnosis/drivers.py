"""Chains of display drivers: what all displays of a chain show when one thing about the chain is wrong.

A MAX7219 hands on by DOUT what came into DIN sixteen clocks ago (data sheet 19-4452, pin description; from memory), so
each chip takes what was meant for its place in the chain: a chip that is left out has the next one in its place, and
one that hands nothing on leaves all behind it dark. What was commanded and what was seen of all displays is held
against each such supposition, digit by digit.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import combinations, permutations
from typing import Any, NamedTuple

from benchcon.diagnosis.contacts import BareFinding, Choices
from benchcon.diagnosis.evidence import DisplayLook
from benchcon.diagnosis.layout import PanelIndex, key_of
from benchcon.panel.pins import CHAINS

DIGITS = 8
"""Digits of a MAX7219."""
_KIND = "7219"
_ALL_ORDERS = 4
"""With up to this many chips every order is tried; with more, only two swapped, or all reversed."""
SLIPS = 0.1
"""Share of the looks that may have shown something else for once: a picture that was entered wrongly."""

_Sources = tuple[int | None, ...]
"""For each digit of the chain, DIG 0 of the nearest chip first, the one whose character it shows; None: dark."""


class _Supposition(NamedTuple):
    kind: str
    detail: Mapping[str, Any]
    sources: _Sources


def find(layout: PanelIndex, looks: Sequence[DisplayLook], but: Collection[str] = ()) -> tuple[list[Choices], set[str]]:
    """Return what is wrong with whole chains of drivers, and the displays (channels) that this explains."""
    chains: dict[str, dict[str, int]] = {}
    for name, display in layout.displays.items():
        pin = layout.chained.get(key_of(display.channel))
        if pin is not None and pin.kind == _KIND and display.wired and key_of(display.channel) not in but:
            chains.setdefault(display.channel.board, {})[name] = pin.bit
    out: list[Choices] = []
    explained: set[str] = set()
    for board, at in chains.items():
        mine = [look for look in looks if look.part in at and look.answer in ("same", "otherwise") and any(look.set)]
        known = layout.panel.board(board)
        last = max(bit + layout.displays[name].digits for name, bit in at.items())
        chips = max(
            [-(-last // DIGITS), *(chain.chips for chain in known.chains if chain.kind == _KIND)] if known else []
        )
        best = _best(layout, at, chips, mine)
        if best:
            touched = [_touched(layout, at, each) for each in best]
            out.append(
                [
                    [BareFinding(each.kind, keys, {"chain": CHAINS[_KIND], **each.detail})]
                    for each, keys in zip(best, touched, strict=True)
                ]
            )
            if len(best) == 1 and best[0].kind == "common open" and len(touched[0]) == 2:
                # Two may have failed for themselves; of three that is not to be believed.
                out[-1].append([BareFinding("dead", (key,)) for key in touched[0]])
            explained |= {key for keys in touched for key in keys}
    return out, explained


def _best(layout: PanelIndex, at: Mapping[str, int], chips: int, looks: Sequence[DisplayLook]) -> list[_Supposition]:
    """Return the suppositions that fit, if any does: the least of them, and what cannot be told from it."""
    pairs = [(_commanded(look, at, chips), _seen(layout, look, at, chips)) for look in looks]
    there = sorted({bit + n for name, bit in at.items() for n in range(layout.displays[name].digits)})
    wrong = {
        look.part for look, (meant, seen) in zip(looks, pairs, strict=True) if any(meant[n] != seen[n] for n in there)
    }
    if len(wrong) < 2 or not any(any(look.set) for look in looks):
        return []
    if not any(any(seen[n] for n in there) for _, seen in pairs):
        on, nothing = sorted({n // DIGITS for n in there}), (None,) * DIGITS * chips
        whole = _Supposition("common open", {"driver": on[0] + 1} if len(on) == 1 else {}, nothing)
        # What was meant for a chip that is left out goes to the next one, on which nothing is wired.
        left_out = len(on) == 1 and on[0] + 1 < chips
        return [whole, _Supposition("chip bridged", {"chip": on[0] + 1}, nothing)] if left_out else [whole]
    found: dict[tuple[int, ...], _Supposition] = {}
    off: dict[tuple[int, ...], int] = {}
    for each in _suppositions(chips):
        shows = tuple(-1 if each.sources[n] is None else int(each.sources[n] or 0) for n in there)
        if shows in found or all(source == n for source, n in zip(shows, there, strict=True)):
            continue
        misfits = sum(
            any(seen[n] != (0 if source < 0 else meant[source]) for source, n in zip(shows, there, strict=True))
            for meant, seen in pairs
        )
        if misfits <= SLIPS * len(pairs):
            found[shows], off[shows] = each, misfits
    least = min(off.values(), default=0)
    return [each for shows, each in found.items() if off[shows] == least][:3]


def _suppositions(chips: int) -> Iterator[_Supposition]:
    usual = tuple(range(DIGITS * chips))
    for chip in range(chips):
        for last in dict.fromkeys((chip, chips - 1)):
            dark = range(DIGITS * chip, DIGITS * (last + 1))
            detail: dict[str, Any] = {"driver": chip + 1} | ({"behind": True} if last > chip else {})
            yield _Supposition("common open", detail, tuple(None if n in dark else n for n in usual))
    for order in _orders(chips):
        sources = tuple(DIGITS * order.index(n // DIGITS) + n % DIGITS for n in usual)
        yield _Supposition("chips in another order", {"order": [chip + 1 for chip in order]}, sources)
    for chip in range(chips - 1):
        left_out = range(DIGITS * chip, DIGITS * (chip + 1))
        shifted = tuple(None if n in left_out else n - DIGITS if n >= left_out.stop else n for n in usual)
        yield _Supposition("chip bridged", {"chip": chip + 1}, shifted)
    for several in [*((chip,) for chip in range(chips)), *([tuple(range(chips))] if chips > 1 else [])]:
        turned = tuple(n // DIGITS * DIGITS + 7 - n % DIGITS if n // DIGITS in several else n for n in usual)
        yield _Supposition("chip pins reversed", {"chips": [chip + 1 for chip in several]}, turned)


def _orders(chips: int) -> Iterator[tuple[int, ...]]:
    usual = tuple(range(chips))
    if chips <= _ALL_ORDERS:
        yield from (order for order in permutations(usual) if order != usual)
        return
    yield usual[::-1]
    for one, other in combinations(usual, 2):
        order = list(usual)
        order[one], order[other] = other, one
        yield tuple(order)


def _commanded(look: DisplayLook, at: Mapping[str, int], chips: int) -> bytes:
    first = at[look.part]
    return (bytes(first) + look.set).ljust(DIGITS * chips, b"\0")


def _seen(layout: PanelIndex, look: DisplayLook, at: Mapping[str, int], chips: int) -> bytes:
    out = bytearray(DIGITS * chips)
    own = look.set if look.answer == "same" else look.seen
    for name, shown in {**look.displays, look.part: own}.items():
        if name in at:
            digits = layout.displays[name].digits
            out[at[name] : at[name] + digits] = shown[:digits].ljust(digits, b"\0")
    return bytes(out)


def _touched(layout: PanelIndex, at: Mapping[str, int], each: _Supposition) -> tuple[str, ...]:
    """The displays that would show something else."""
    out = []
    for name, first in at.items():
        display = layout.displays[name]
        if any(each.sources[n] != n for n in range(first, first + display.digits)):
            out.append(key_of(display.channel))
    return tuple(out)
