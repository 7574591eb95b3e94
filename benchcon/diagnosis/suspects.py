"""Proposes the faults that are worth trying: those on a wire that is not explained yet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import permutations

from benchcon.diagnosis.net import Net, NetFault, ring

MOST_CHAINS = 4_000
"""Chains of wires looked at for a ring: where little was seen each wire fits each other, and chains have no end."""


class Suspects:
    """Proposes faults of one net. `base` gives for each wire the moments at which it differs from a healthy one."""

    def __init__(self, net: Net, base: Mapping[int, int]) -> None:
        self.net, self.base = net, base

    def of(self, faults: tuple[NetFault, ...], diffs: Mapping[int, int], wires: list[int]) -> Iterator[NetFault]:
        """Yield every fault that could change what the worst of `wires` show.

        `faults` are assumed already, and `diffs` are the differences that they leave.
        """
        net = self.net
        # Any explanation must touch the worst wire or leave it unexplained, so the next ones are tried as well.
        worst = sorted(
            (w for w in wires if diffs[w]),
            key=lambda w: ((diffs[w] & net.own[w]).bit_count(), (diffs[w] & ~(diffs[w] << 1)).bit_count()),
            reverse=True,
        )
        for wire in worst[:3]:
            yield from self._at(wire, faults, wires)

    def _at(self, worst: int, faults: tuple[NetFault, ...], wires: list[int]) -> Iterator[NetFault]:
        for kind in ("off", "on", "inverted"):
            yield NetFault(kind, (worst,))
        mixed = [f for f in faults if len(f.wires) > 1]
        crossed = any(f.kind == "ring" for f in faults)
        mixed_with = {w for f in mixed if worst in f.wires for w in f.wires}
        for wire in sorted(mixed_with):
            for kind in ("off", "on", "inverted"):
                yield NetFault(kind, (wire,), "part")
                if wire != worst:
                    yield NetFault(kind, (wire,), "pin")
        others = [w for w in wires if w != worst]
        for other in others:
            yield NetFault("ring", ring((worst, other)))
            pair = (min(worst, other), max(worst, other))
            yield NetFault("joined", pair)
            if crossed:
                yield NetFault("joined", pair, "part")
            yield NetFault("follows", (worst, other))
        for other in mixed_with - {worst}:
            for third in others:
                if third != other:
                    pair = (min(third, other), max(third, other))
                    yield NetFault("joined", pair)
                    if crossed:
                        yield NetFault("joined", pair, "part")
                    yield NetFault("ring", ring((third, other)))
        yield from self._long(worst, wires)
        if len(others) <= 6:
            for a, b in permutations(others, 2):
                yield NetFault("ring", ring((worst, a, b)))

    def _long(self, worst: int, wires: list[int]) -> Iterator[NetFault]:
        """Yield rings and groups of more than two wires, found by what moved what."""
        moved = {w: [o for o in wires if self._shows(w, o)] for w in wires}
        yield from self._rings(worst, wires)
        group = {worst}
        grown = True
        while grown:
            grown = False
            for wire in list(group):
                for other in moved[wire]:
                    if other not in group:
                        group.add(other)
                        grown = True
        if len(group) > 2:
            yield NetFault("joined", tuple(sorted(group)))
        always_on = [w for w in wires if self.base[w] and not self.net.sure[w] & ~self.net.seen[w]]
        if len(always_on) > 1:
            yield NetFault("joined", tuple(always_on))
        direct = {worst, *moved[worst]}
        if 2 < len(direct) < len(group):
            yield NetFault("joined", tuple(sorted(direct)))

    def _rings(self, worst: int, wires: list[int]) -> Iterator[NetFault]:
        """Yield rings through `worst` whose links fit what was seen; one link may be hidden by another fault."""
        comes_from = {w: [o for o in wires if o != w and self._fits(w, o)] for w in wires}
        lost = [w for w in wires if not comes_from[w] and self.base[w]]
        taken = {o for row in comes_from.values() for o in row}
        loose = [o for o in wires if o not in taken and self.base[o]]
        found = looked = 0
        stack: list[tuple[tuple[int, ...], bool]] = [((worst,), False)]
        while stack and found < 12 and looked < MOST_CHAINS:
            chain, hidden = stack.pop()
            looked += 1
            at = chain[-1]
            steps = [(o, hidden) for o in comes_from[at]]
            if not hidden and at in lost:
                steps += [(o, True) for o in (loose or [worst])]
            for source, covered in steps:
                if source == worst:
                    if len(chain) > 2:
                        found += 1
                        yield NetFault("ring", ring(tuple(reversed(chain))))
                elif source not in chain and len(chain) < 16:
                    stack.append(((*chain, source), covered))

    def _fits(self, wire: int, other: int) -> bool:
        """Return whether pin `wire` showed what part `other` did, except for one slip of the hand."""
        net = self.net
        off = (net.on[other] ^ net.seen[wire]) & net.known[other] & net.sure[wire]
        if off & (net.own[wire] | net.own[other]) & ~net.doubt[wire] & ~net.doubt[other]:
            return False
        return (off & ~(off << 1)).bit_count() <= 1 if net.lasting else not off

    def _shows(self, wire: int, other: int) -> bool:
        """Return whether pin `wire` was on whenever part `other` was, at the moments of that part."""
        net = self.net
        moments = net.own[other] & net.on[other] & net.known[other] & net.sure[wire]
        return bool(moments) and not moments & ~net.seen[wire] and bool(net.sure[wire] & ~net.seen[wire])
