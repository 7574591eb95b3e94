"""Displays: finds dead, stuck, swapped and touching wires from commanded and seen segments.

A display is a grid of cells, one for each digit and segment. Between command and sight may lie, in this order: cells
changed by a fault on the driver's side, segment wires swapped in all digits, digits swapped, wires swapped in one
digit, wires that touch, and cells that are dead or stuck themselves.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

from benchcon.diagnosis.evidence import NOT_DONE, DisplayLook
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import merge_shorts

NAMES = "PABCDEFG"
"""Names of the segments from the highest bit down; P is the point."""

FAULT = 10.0
_CELL = 12.0
"""Cost of a cell that was seen different from what it should be once."""
TYPED_WRONG = 24.0
"""Cost of two unexplained cells, as in a picture that was entered wrongly; above it no set of faults is certain."""
_DEEPEST = 3
_BEAM = 24

Image = tuple[int, ...]
"""What a display shows, one byte for each digit."""


class Flaw(NamedTuple):
    """One fault of a display: its kind, the bits of its segments, and its digits (empty: all)."""

    kind: str
    """``dead``, ``stuck``, ``swap``, ``together``, ``digits`` (`digits` is the order: whose character each shows);
    of the whole module ``ribbon`` (`bits`: by so many holes; 0: turned round), ``upside down`` and ``anode``."""
    bits: tuple[int, ...] = ()
    digits: tuple[int, ...] = ()
    driver: bool = False
    """It is on the driver's side of crossed wires."""


def through(flaws: Sequence[Flaw], image: Image) -> Image:
    """Return what a display with `flaws` shows for the commanded `image`."""
    cells = list(image)
    for flaw in flaws:
        if flaw.kind == "anode":
            cells = _other_way(cells, flaw.bits, flaw.digits)
        elif flaw.kind == "ribbon":
            cells = [_moved(cell, _ribbon(flaw.bits[0])) for cell in cells]
    for flaw in flaws:
        if flaw.driver:
            _cells(flaw, cells)
    for flaw in flaws:
        if flaw.kind == "swap" and not flaw.digits:
            _swap(flaw, cells)
    for flaw in flaws:
        if flaw.kind == "digits":
            cells = [cells[p] for p in flaw.digits]
    for flaw in flaws:
        if flaw.kind == "swap" and flaw.digits:
            _swap(flaw, cells)
    touching = [flaw for flaw in flaws if flaw.kind == "together"]
    for _ in touching:  # repeat, as shorts that share a wire light all of their wires
        for flaw in touching:
            mask = sum(1 << bit for bit in flaw.bits)
            for p in flaw.digits or range(len(cells)):
                if cells[p] & mask:
                    cells[p] |= mask
    for flaw in flaws:
        if not flaw.driver:
            _cells(flaw, cells)
    if any(flaw.kind == "upside down" for flaw in flaws):
        cells = [_moved(cell, _UPSIDE_DOWN) for cell in reversed(cells)]
    return tuple(cells)


_RIBBON = "ABCDEFGP"
"""Segments in the order of a driver's pins (SEG A to SEG G and SEG DP: MAX7219 data sheet, from memory)."""
_UPSIDE_DOWN = {NAMES.index(one): NAMES.index(other) for one, other in zip("ABCDEFGP", "DEFABCGP", strict=True)}
"""For each segment (index in `NAMES`) the one in its place when the module is turned by 180°."""


def _ribbon(by: int) -> dict[int, int]:
    """Return for each segment the one whose wire it gets if the ribbon sits `by` holes over; 0: turned round."""
    sources = {n: 7 - n if not by else n - by for n in range(8)}
    return {NAMES.index(_RIBBON[n]): NAMES.index(_RIBBON[at]) for n, at in sources.items() if 0 <= at < 8}


def _moved(cell: int, came: Mapping[int, int]) -> int:
    return sum(0x80 >> n for n, at in came.items() if cell & 0x80 >> at)


def _other_way(cells: list[int], chips: Sequence[int], busy: Collection[int]) -> list[int]:
    """Return what a display with common anodes shows on a driver for common cathodes.

    A scanned digit lights while another digit of its chip is scanned, where that one is dark. `chips` gives the chip of
    each digit; if it is empty the digits are driven at all times, and show the inverse. `busy` are chips with other
    displays on them; these are dark.
    """
    if not chips:
        return [~cell & 0xFF for cell in cells]
    out = []
    for digit in range(len(cells)):
        lit = 0xFF if chips[digit] in busy else 0
        for other, cell in enumerate(cells):
            lit |= ~cell & 0xFF if other != digit and chips[other] == chips[digit] else 0
        out.append(lit)
    return out


WHOLE = (*(Flaw("ribbon", (by,)) for by in (1, -1, 0)), Flaw("upside down"))
"""Faults of a whole module, other than common anodes."""
_WHOLE_KINDS = ("ribbon", "upside down", "anode")


def _cells(flaw: Flaw, cells: list[int]) -> None:
    if flaw.kind not in ("dead", "stuck"):
        return
    mask = 0
    for bit in flaw.bits or range(8):
        mask |= 1 << bit
    for p in flaw.digits or range(len(cells)):
        cells[p] = cells[p] & ~mask if flaw.kind == "dead" else cells[p] | mask


def _swap(flaw: Flaw, cells: list[int]) -> None:
    """Swap segment wires in `cells`: each arrives where the next one of `bits` belongs."""
    for p in flaw.digits or range(len(cells)):
        old = cells[p]
        new = old
        for index, bit in enumerate(flaw.bits):
            new &= ~(1 << bit)
            new |= (old >> flaw.bits[index - 1] & 1) << bit
        cells[p] = new


def _price(flaw: Flaw, digits: int) -> float:
    if flaw.kind in _WHOLE_KINDS:
        return FAULT + 2.0
    if flaw.kind == "swap":
        return FAULT + len(flaw.bits) - 2
    if flaw.kind == "digits":
        return FAULT
    if flaw.kind == "together":
        return FAULT + len(flaw.bits) - 2
    return FAULT


def solve(pairs: Sequence[tuple[Image, Image]], anode: Flaw = Flaw("anode")) -> list[tuple[Flaw, ...]]:  # noqa: B008
    """Return the cheapest sets of flaws that turn each commanded image into the one seen.

    `pairs` holds (commanded, seen), all with the same number of digits. Several sets fit equally well.
    """
    digits = len(pairs[0][0])
    start = _misfit((), pairs)
    if not start:
        return [()]
    best = start
    found: list[tuple[float, tuple[Flaw, ...]]] = [(start, ())]
    level: list[tuple[float, float, tuple[Flaw, ...]]] = [(start, start, ())]
    tried: set[frozenset[Flaw]] = set()
    for _ in range(_DEEPEST):
        following = []
        for _, residual, flaws in level:
            if sum(_price(f, digits) for f in flaws) + FAULT > best + 0.5:
                continue
            for flaw in _candidates(flaws, pairs, digits, anode):
                new = merge_shorts((*flaws, flaw), "together", Flaw)
                key = frozenset(new)
                if new == flaws or key in tried:
                    continue
                tried.add(key)
                rest = _misfit(new, pairs, residual + 120 * digits)
                if rest > residual + 120 * digits:
                    continue
                price = rest + sum(_price(f, digits) for f in new)
                following.append((price, rest, new))
                if price <= best + 0.5:
                    best = min(best, price)
                    found.append((price, new))
        following.sort()
        level = [each for each in following if each[1] > 0][:_BEAM]
    return _distinct([each for each in found if each[0] <= best + 0.5], digits)


def _misfit(flaws: Sequence[Flaw], pairs: Sequence[tuple[Image, Image]], most: float = math.inf) -> float:
    """Return the cost of all cells that `flaws` do not explain; above `most` it need not be exact."""
    off = 0
    for commanded, seen in pairs:
        for a, b in zip(through(flaws, commanded), seen, strict=True):
            off += (a ^ b).bit_count()
        if _CELL * off > most:
            break
    return _CELL * off


def _candidates(
    flaws: Sequence[Flaw], pairs: Sequence[tuple[Image, Image]], digits: int, anode: Flaw
) -> Iterator[Flaw]:
    if not any(flaw.kind in _WHOLE_KINDS for flaw in flaws):
        yield from (*WHOLE, anode)
    wrong: dict[tuple[int, int], int] = {}
    for commanded, seen in pairs:
        for p, (a, b) in enumerate(zip(through(flaws, commanded), seen, strict=True)):
            off = a ^ b
            while off:
                bit = off.bit_length() - 1
                wrong[p, bit] = wrong.get((p, bit), 0) + 1
                off ^= 1 << bit
    mixed = any(f.kind in ("swap", "digits", "together") for f in flaws)
    cells = sorted(wrong, key=lambda cell: -wrong[cell])[:3]
    bits_wrong = sorted({bit for _, bit in wrong})
    sides = (False, True) if mixed else (False,)
    for kind in ("dead", "stuck"):
        for driver in sides:
            for p, bit in cells if not mixed else [(p, b) for p in range(digits) for b in range(8)]:
                yield Flaw(kind, (bit,), (p,) if digits > 1 else (), driver)
                if digits > 1:
                    yield Flaw(kind, (bit,), (), driver)
            for p in sorted({p for p, _ in cells}) if not mixed else range(digits):
                if digits > 1:
                    yield Flaw(kind, (), (p,), driver)
        yield Flaw(kind)
    for bit in bits_wrong:
        for other in range(8):
            if other != bit:
                pair = (min(bit, other), max(bit, other))
                yield Flaw("swap", pair)
                yield Flaw("together", pair)
                for p in sorted({p for p, b in wrong if b == bit}) if digits > 1 else ():
                    yield Flaw("swap", pair, (p,))
                    yield Flaw("together", pair, (p,))
    yield from _rings(bits_wrong, pairs, flaws)
    if len(bits_wrong) > 2:
        yield from (Flaw("together", trio) for trio in combinations(bits_wrong, 3))
    yield from _orders(flaws, pairs, digits)


def _rings(bits: list[int], pairs: Sequence[tuple[Image, Image]], flaws: Sequence[Flaw]) -> Iterator[Flaw]:
    """Yield longer rings of swapped segment wires, found by which commanded segment matches which seen one."""
    images = [through(flaws, commanded) for commanded, _ in pairs]
    column = {b: tuple(i[p] >> b & 1 for i in images for p in range(len(i))) for b in bits}
    seen = {b: tuple(s[p] >> b & 1 for _, s in pairs for p in range(len(s))) for b in bits}
    comes_from = {}
    for b in bits:
        sources = [a for a in bits if column[a] == seen[b]]
        if len(sources) == 1:
            comes_from[b] = sources[0]
    for begin in bits:
        ring, at = [begin], comes_from.get(begin)
        while at is not None and at not in ring:
            ring.append(at)
            at = comes_from.get(at)
        if at == begin and len(ring) > 2:
            order = list(reversed(ring))
            first = order.index(min(order))
            yield Flaw("swap", tuple(order[first:] + order[:first]))
            return


def _orders(flaws: Sequence[Flaw], pairs: Sequence[tuple[Image, Image]], digits: int) -> Iterator[Flaw]:
    """Yield orders of the digits: every two swapped, and the best match of whole characters."""
    if digits < 2 or any(f.kind == "digits" for f in flaws):
        return
    for a, b in combinations(range(digits), 2):
        order = list(range(digits))
        order[a], order[b] = b, a
        yield Flaw("digits", (), tuple(order))
    if digits < 3:
        return
    images = [through(flaws, commanded) for commanded, _ in pairs]
    likeness = sorted(
        (sum((i[q] ^ s[p]).bit_count() for i, (_, s) in zip(images, pairs, strict=True)), p != q, p, q)
        for p in range(digits)
        for q in range(digits)
    )
    match = [-1] * digits
    for _, _, p, q in likeness:
        if match[p] < 0 and q not in match:
            match[p] = q
    if match != list(range(digits)):
        yield Flaw("digits", (), tuple(match))


def _distinct(found: list[tuple[float, tuple[Flaw, ...]]], digits: int) -> list[tuple[Flaw, ...]]:
    out: dict[frozenset[Flaw], tuple[Flaw, ...]] = {}
    for _, flaws in sorted(found, key=lambda each: (each[0], len(each[1]), each[1])):
        names = frozenset(f._replace(driver=False) for f in flaws)
        if names not in out and not any(kept < names for kept in out):
            out[names] = flaws
    return list(out.values())[:6]


# From evidence ------------------------------------------------------------------------------------------------------


def dark(layout: PanelIndex, looks: Sequence[DisplayLook]) -> set[str]:
    """Return the displays (channels) that were commanded to show something and never showed anything."""
    looks = [look for look in looks if look.part in layout.displays and look.answer in ("same", "otherwise")]
    driven = {look.part for look in looks if any(look.set)}
    lit = {look.part for look in looks if any(look.set if look.answer == "same" else look.seen)}
    lit |= {name for look in looks for name, shown in look.displays.items() if any(shown)}
    return {layout.displays[name].channel.key for name in driven - lit}


def find(layout: PanelIndex, looks: Sequence[DisplayLook], but: Collection[str] = ()) -> list[Choices]:
    """Return what is wrong with the displays; those with channels in `but` are explained already."""
    by_part: dict[str, list[DisplayLook]] = {}
    for look in looks:
        layout.part(look.part)
        there = look.answer not in NOT_DONE and look.part in layout.displays
        if there and layout.displays[look.part].channel.key not in but:
            by_part.setdefault(look.part, []).append(look)
    shown = {name: _shown_by(layout, name, row) for name, row in by_part.items()}
    out: list[Choices] = []
    goes = {name: to for name, to in shown.items() if to != name}
    done: set[str] = set()
    for name in goes:
        ring, at = [name], goes[name]
        while at in goes and at not in ring:
            ring.append(at)
            at = goes[at]
        if at == name and not done & set(ring):
            done |= set(ring)
            out.append([[BareFinding("crossed", tuple(layout.displays[n].channel.key for n in ring))]])
    for name, row in by_part.items():
        out += _judge(layout, name, shown[name] if name in done else name, row)
    return out


def as_if_alone(layout: PanelIndex, name: str, sent: bytes, shown: bytes) -> Choices:
    """Return what is wrong with display `name` if that is what it always shows for `sent`, whatever else is lit."""
    look = DisplayLook(part=name, set=sent, answer="otherwise", seen=shown)
    return [choice for choices in _judge(layout, name, name, [look]) for choice in choices]


def _shown_by(layout: PanelIndex, name: str, row: Sequence[DisplayLook]) -> str:
    """Return the display that showed what was sent to `name`: another one if each time only that showed anything."""
    elsewhere: set[str] | None = None
    for look in row:
        if any(look.set):
            own = look.answer == "same" or any(look.seen)
            here = {n for n, s in look.displays.items() if any(s)} if not own else set()
            if not own and not here:
                continue  # nothing lit; the part of the text that a shorter display shows may well be blank
            elsewhere = here if elsewhere is None else elsewhere & here
    if elsewhere and len(elsewhere) == 1:
        other = next(iter(elsewhere))
        if other in layout.displays:
            return other
    return name


def _judge(layout: PanelIndex, name: str, at: str, row: Sequence[DisplayLook]) -> list[Choices]:
    # If two displays of different length are crossed, only the digits that both have can be seen.
    digits = min(layout.displays[name].digits, layout.displays[at].digits)
    key = layout.displays[at].channel.key
    pairs: dict[Image, Image] = {}
    for look in row:
        seen = look.set if look.answer == "same" else look.seen if at == name else look.displays.get(at, b"")
        # The last look at each pattern counts, as the person may have corrected the picture.
        pairs[_image(look.set, digits)] = _image(seen, digits)
    out: list[Choices] = []
    sets = solve(list(pairs.items()), _anode(layout, at, digits)) if pairs else [()]
    if any(sets) or _misfit((), list(pairs.items())) > TYPED_WRONG:
        choices = [[_raw(key, flaw, digits) for flaw in flaws] for flaws in sets if flaws]
        if _misfit(sets[0], list(pairs.items())) > TYPED_WRONG:
            # With so much unexplained the faults are only possible: “unexplained” is given as the alternative.
            choices.append([BareFinding("unexplained", (key,))])
        out.append(choices)
    if row and row[-1].level == "dim":
        out.append([[BareFinding("dim", (key,))]])
    if row and row[-1].flickering:
        out.append([[BareFinding("flickering", (key,))]])
    return out


def _anode(layout: PanelIndex, name: str, digits: int) -> Flaw:
    """Return the flaw of common anodes for this display, on its driver."""
    pin = layout.chained.get(layout.displays[name].channel.key)
    if pin is None or pin.kind != "7219":
        return Flaw("anode")
    chips = tuple((pin.bit + n) // 8 for n in range(digits))
    busy = set()
    for other, display in layout.displays.items():
        there = layout.chained.get(display.channel.key)
        if (
            other != name
            and there is not None
            and there.kind == "7219"
            and display.channel.board == layout.displays[name].channel.board
        ):
            busy |= {(there.bit + n) // 8 for n in range(display.digits)}
    return Flaw("anode", chips, tuple(sorted(busy)))


def _image(shown: bytes, digits: int) -> Image:
    return (*shown[:digits], *([0] * (digits - len(shown))))


def _raw(key: str, flaw: Flaw, digits: int) -> BareFinding:
    if flaw.kind == "ribbon":
        by = flaw.bits[0]
        return BareFinding("ribbon shifted", (key,), {"by": by}) if by else BareFinding("ribbon reversed", (key,))
    if flaw.kind in ("upside down", "anode"):
        return BareFinding("upside down" if flaw.kind == "upside down" else "common anode", (key,))
    names = [NAMES[7 - bit] for bit in flaw.bits]
    where = [p + 1 for p in flaw.digits]
    if flaw.kind == "digits":
        return BareFinding("digits swapped", (key,), {"order": where})
    if flaw.kind in ("swap", "together"):
        kind = "segments swapped" if flaw.kind == "swap" else "segments together"
        return BareFinding(kind, (key,), {"segments": names, "digits": where})
    if not flaw.bits and not flaw.digits:
        # That every segment of every digit is shorted is implausible; a module with common anodes is not.
        return BareFinding("dead" if flaw.kind == "dead" else "common anode", (key,))
    if not flaw.bits:
        return BareFinding("digit dead" if flaw.kind == "dead" else "always on", (key,), {"digits": where})
    return BareFinding(f"segment {flaw.kind}", (key,), {"segments": names, "digits": where})
