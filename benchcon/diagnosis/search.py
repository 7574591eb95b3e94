"""The search for the smallest set of faults that explains what a set of wires showed.

The faults that may lie between the parts and the pins of a net (`benchcon.diagnosis.net`), in this order:

    part   off (never) · on (always) · inverted · joined (touching: one on, all on)
    way    ring (wires swapped: each arrives where the next one belongs)
    pin    joined · follows (shows another's signal too) · off · on · inverted

What no fault explains has a cost as well: a brushed neighbour is cheap, a contact that did not move when its own
control was moved is expensive. The answer is the set of faults with the least total cost; if several are equally cheap,
all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import permutations, product
from math import prod
from typing import NamedTuple

from benchcon.diagnosis.net import Net, NetFault, merge_shorts
from benchcon.diagnosis.suspects import Suspects

FAULT = 10.0
"""Cost of one fault; all other costs are relative to it."""
OWN = 25.0
"""Cost of a moment at which a wire did not do what its own part was asked to."""
DOUBTFUL = 6.0
"""Cost of such a moment if the evidence is doubtful: a timeout, or the same step done right another time."""

MOST_TRIES = 12_000
"""Most sets of faults tried for one group of wires, which take about half a second. Even three or four real faults take
less than half of that. Evidence that takes more contradicts itself, and the best set found by then is reported."""

NO_SLIP = 40.0
"""Cost from which differences without a cheaper fault (seven brushed neighbours in one group) are reported as
unexplained."""

SLIPS = 24.0
"""Cost of what faults leave unexplained (four brushed neighbours) from which these faults are not certain."""

_DEEPEST = 4
_WORSE = 20.0
"""A set of faults is dropped if its last fault adds this much to what is unexplained."""
_BEAM = 14
_SAME = 0.5
_MOST_TOUCHING = 3
"""Most wires that are named as what a wire which is on at all times may touch."""


class Explanation(NamedTuple):
    """Sets of faults that explain the same part of the evidence equally well; a single set is certain."""

    choices: tuple[tuple[NetFault, ...], ...]
    wires: frozenset[int]
    """The wires whose evidence they explain."""
    odd: tuple[int, ...] = ()
    """Those of the wires that still did something unexplained, more often than hands slip."""
    price: float = 0.0
    """Cost of the faults and of what they leave unexplained."""


def explain(net: Net) -> list[Explanation]:
    """Return the cheapest explanation of each group of connected wires."""
    search = _Search(net)
    solved = [(wires, search.solve(wires)) for wires in search.components()]
    # If one of two touching contacts is made at all times, nothing shows that they belong together.
    always_on = [(wires, choices) for wires, choices in solved if all(_only_on(faults) for faults in choices)]
    if 1 < len(always_on) <= 6:
        wires = sorted(wire for each, _ in always_on for wire in each)
        together = search.solve(wires)
        least = min(map(len, together))
        if least < sum(min(map(len, choices)) for _, choices in always_on):
            solved = [each for each in solved if each not in always_on]
            solved.append((wires, together))
    explained = [
        Explanation(tuple(choices), frozenset(wires), search.odd.get(tuple(wires), ()), search.prices[tuple(wires)])
        for wires, choices in solved
    ]
    return [search.or_touching(each) for each in explained if any(each.choices) or each.odd]


def _only_on(faults: tuple[NetFault, ...]) -> bool:
    kinds = {fault.kind for fault in faults}
    return "on" in kinds and kinds <= {"on", "joined"}


class _State(NamedTuple):
    price: float
    residual: float
    faults: tuple[NetFault, ...]
    diffs: dict[int, int]
    """For each wire that the faults touch, and the other wires of its part, the moments that differ."""


class _Search:
    def __init__(self, net: Net) -> None:
        self.net = net
        self.all = (1 << net.moments) - 1
        self.wires_of: dict[int, list[int]] = {}
        for wire, owner in enumerate(net.owner):
            self.wires_of.setdefault(owner, []).append(wire)
        self.joint = sum(1 << moment for moment, acting in enumerate(net.acting) if len(acting) > 1)
        """Moments at which several parts were asked for something at once."""
        self.choice: dict[int, int] = {}
        self.tries = 0
        self.signals: dict[tuple[int, int], tuple[int, int]] = {}
        """Cache of `signal`: by wire and the position its part was in before it was moved, its masks on and known."""
        self.odd: dict[tuple[int, ...], tuple[int, ...]] = {}
        """For each group of wires that was solved, those that are not explained."""
        self.prices: dict[tuple[int, ...], float] = {}
        """For each group of wires that was solved, the cost of the cheapest set of faults and what it leaves."""
        self.base: dict[int, int] = {}
        self.owner_price: dict[int, float] = {}
        self.weighed = {
            owner: [(w, net.own[w] | net.driven.get(w, 0), net.doubt[w]) for w in wires]
            for owner, wires in self.wires_of.items()
        }
        """By part, for `price`: each wire, the moments at which it was to show something, and those in doubt."""
        for owner, wires in self.wires_of.items():
            best: tuple[float, int, dict[int, int]] | None = None
            for number in range(len(net.free[owner].options) if owner in net.free else 1):
                self.choice[owner] = number
                diffs = {w: self.diff(w, *self.signal(w, self.choice)) for w in wires}
                price = self.price(owner, diffs)
                if best is None or price < best[0]:
                    best = (price, number, diffs)
            assert best is not None
            self.owner_price[owner], self.choice[owner] = best[0], best[1]
            self.base |= best[2]
        self.suspects = Suspects(net, self.base)
        self.always_on = {w for w, sure in enumerate(net.sure) if sure and not sure & ~net.seen[w]}
        """Wires that are on at all times."""

    def or_touching(self, each: Explanation) -> Explanation:
        """Return `each` with a short beside a wire that is on at all times, where that explains it as well.

        It does if the other wire is on at all times too, and its switch was never asked to open it: it may have stood
        so all the while, and nothing was worked that would show the short.
        """
        if len(each.choices) != 1 or len(each.choices[0]) != 1 or each.choices[0][0].kind != "on":
            return each
        (wire,) = each.choices[0][0].wires
        net = self.net
        others = [
            other
            for other in sorted(self.always_on - each.wires)
            if net.board[other] == net.board[wire] and not self.base[other] and not net.known[other] & ~net.on[other]
        ]
        touching = ((NetFault("joined", (min(wire, other), max(wire, other))),) for other in others[:_MOST_TOUCHING])
        return each._replace(choices=(*each.choices, *touching))

    # What should be seen -------------------------------------------------------------------------------------------

    def signal(self, wire: int, choice: dict[int, int]) -> tuple[int, int]:
        net = self.net
        free = net.free.get(net.owner[wire])
        if free is None:
            return net.on[wire], net.known[wire]
        number = choice[net.owner[wire]]
        found = self.signals.get((wire, number))
        if found is None:
            found = net.on[wire] | free.options[number].get(wire, 0), net.known[wire] | free.span
            self.signals[wire, number] = found
        return found

    def diff(self, wire: int, on: int, known: int) -> int:
        net = self.net
        return (on ^ net.seen[wire]) & known & net.sure[wire]

    def price(self, owner: int, diffs: dict[int, int], missed: dict[int, int] | None = None) -> float:
        """Return the cost of the differences of one part's wires.

        `missed` are the moments at which a wire did not show what, under the assumed faults, another part sends there.
        A slip of the hand cannot do that, so they cost as much as the wire's own.
        """
        net = self.net
        own = doubt = other = 0
        for wire, mine, doubtful in self.weighed[owner]:
            d = diffs[wire]
            if d:
                if missed:
                    mine |= missed[wire]
                unsure = d & doubtful
                clear = d ^ unsure
                meant = clear & mine
                doubt |= unsure
                own |= meant
                rest = clear ^ meant
                # A nudged switch stays as it is: that is one slip, however long it lasts, for all its contacts.
                other |= rest & ~(d << 1) if net.lasting else rest
        if not own | doubt | other:
            return 0.0
        # Several parts that should have been held together and were not are one slip of the hand.
        shared = sum(1 / len(net.acting[moment]) for moment in _bits(doubt & self.joint))
        doubts = (doubt & ~self.joint).bit_count() + shared
        return OWN * own.bit_count() + DOUBTFUL * doubts + net.stray * other.bit_count()

    def predict(
        self, faults: Iterable[NetFault], wires: Iterable[int], choice: dict[int, int]
    ) -> dict[int, tuple[int, int]]:
        self.tries += 1
        at = {wire: self.signal(wire, choice) for wire in wires}
        for fault in faults:
            if fault.stage == "part":
                self._apply(fault, at)
        for fault in faults:
            if fault.kind == "ring":
                arriving = [at[w] for w in fault.wires]
                for index, wire in enumerate(fault.wires):
                    at[wire] = arriving[index - 1]
        for kinds in (("joined", "follows"), ("off", "on", "inverted")):
            for fault in faults:
                if fault.stage == "pin" and fault.kind in kinds:
                    self._apply(fault, at)
        return at

    def _apply(self, fault: NetFault, at: dict[int, tuple[int, int]]) -> None:
        every = self.all
        if fault.kind == "off":
            at[fault.wires[0]] = (0, every)
        elif fault.kind == "on":
            at[fault.wires[0]] = (every, every)
        elif fault.kind == "inverted":
            on, known = at[fault.wires[0]]
            at[fault.wires[0]] = (~on & known, known)
        elif fault.kind in ("joined", "follows"):
            on, known = 0, every
            for wire in fault.wires:
                on |= at[wire][0]
                known &= at[wire][1]
            both = (on, known | on)
            for wire in fault.wires if fault.kind == "joined" else fault.wires[:1]:
                at[wire] = both

    # What goes together --------------------------------------------------------------------------------------------

    def components(self) -> list[list[int]]:
        """Group the wires that showed something unexpected with those whose parts moved them."""
        net = self.net
        wrong = [w for w, d in self.base.items() if d]
        root = list(range(len(net.names)))

        def find(w: int) -> int:
            while root[w] != w:
                root[w] = root[root[w]]
                w = root[w]
            return w

        members = set(wrong)
        for wire in wrong:
            for other in self.wires_of[net.owner[wire]]:  # the other contacts of the same switch
                members.add(other)
                root[find(other)] = find(wire)
            if net.lasting:
                moved = (net.seen[wire] ^ (net.seen[wire] << 1)) & net.sure[wire] & (net.sure[wire] << 1) & ~1
            else:
                moved = net.seen[wire] & self.base[wire]
                if moved.bit_count() > max(3, net.moments // 3):
                    moved = 0  # a wire that is on whatever is asked is moved by no part in particular
            for moment in _bits(moved):
                for owner in net.acting[moment]:
                    if owner != net.owner[wire]:
                        for other in self._moved(owner, moment):
                            members.add(other)
                            root[find(other)] = find(wire)
        groups: dict[int, list[int]] = {}
        for wire in sorted(members):
            groups.setdefault(find(wire), []).append(wire)
        return [wires for wires in groups.values() if any(self.base[w] for w in wires)]

    def _moved(self, owner: int, moment: int) -> list[int]:
        net = self.net
        wires = self.wires_of[owner]
        if not net.lasting or not moment:
            return wires
        pair = 3 << (moment - 1)
        moved = [w for w in wires if net.known[w] & pair != pair or net.on[w] & pair not in (0, pair)]
        return moved or wires

    # The search ----------------------------------------------------------------------------------------------------

    def solve(self, wires: list[int]) -> list[tuple[NetFault, ...]]:
        """Return the cheapest sets of faults for one group; an empty set where no fault is worth its cost."""
        total = sum(self.owner_price[o] for o in {self.net.owner[w] for w in wires})
        start = _State(total, total, (), {})
        self.prices[tuple(wires)] = total
        if total <= FAULT:
            return [()]
        best = total
        found = [start]
        seen: set[frozenset[NetFault]] = set()
        level = [start]
        self.tries = 0
        for _ in range(_DEEPEST if len(wires) < 40 else 3):
            following: list[_State] = []
            for state in level:
                if state.price - state.residual + FAULT > best + _SAME:
                    continue
                diffs = {w: state.diffs.get(w, self.base[w]) for w in wires}
                for faults in self._with_one_more(state.faults, diffs, wires):
                    if self.tries > MOST_TRIES:
                        break
                    key = frozenset(faults)
                    if key in seen or faults == state.faults:
                        continue
                    seen.add(key)
                    new = self._evaluate(faults, total, state.residual + _WORSE)
                    if new.residual > state.residual + _WORSE:
                        continue
                    following.append(new)
                    if new.price <= best + _SAME:
                        best = min(best, new.price)
                        found.append(new)
            following.sort(key=lambda state: state.residual + (state.price - state.residual))
            level = [s for s in following[: _BEAM * 3] if s.residual > 0][:_BEAM]
            if not level:
                break
        least = min(found, key=lambda state: state.price)
        self.prices[tuple(wires)] = least.price
        if least.residual > (SLIPS if least.faults else NO_SLIP):
            self.odd[tuple(wires)] = tuple(w for w in wires if least.diffs.get(w, self.base[w]))
        return _distinct([s for s in found if s.price <= best + _SAME])

    def _with_one_more(
        self, faults: tuple[NetFault, ...], diffs: dict[int, int], wires: list[int]
    ) -> Iterator[tuple[NetFault, ...]]:
        """Yield `faults` with one more that is worth trying, at either end of wires that are swapped or touch."""
        for fault in self.suspects.of(faults, diffs, wires):
            more = merge_shorts((*faults, fault), "joined", NetFault)
            yield more
            if len(more) > 1:
                yield from _other_ends(more, fault)

    def _evaluate(self, faults: tuple[NetFault, ...], total: float, most: float) -> _State:
        """Return what `faults` leave unexplained; a cost above `most` need not be exact."""
        net, seen, sure = self.net, self.net.seen, self.net.sure
        touched = {w for fault in faults for w in fault.wires}
        owners = {net.owner[w] for w in touched}
        free = [o for o in owners if o in net.free]
        before = sum(self.owner_price[o] for o in owners)

        sent: dict[int, int] = {}
        broken = [f.wires[0] for f in faults if f.kind == "off" and f.stage == "pin"] if net.lasting else []
        jammed = [f.wires[0] for f in faults if f.kind == "on" and f.stage == "pin"] if net.lasting else []
        for fault in faults:
            if len(fault.wires) > 1:
                moments = 0
                for wire in fault.wires:
                    moments |= net.own[wire] & ~net.doubt[wire]
                for wire in fault.wires:
                    sent[wire] = sent.get(wire, 0) | moments

        touched_of = {owner: [w for w in self.wires_of[owner] if w in touched] for owner in owners}
        known_costs: dict[tuple[object, ...], tuple[float, dict[int, int]]] = {}

        def tried(choice: dict[int, int], but: int = 0) -> tuple[float, list[dict[int, int]]]:
            """Return the cost, and the differences part by part, without the moments in the mask `but`."""
            at = self.predict(faults, touched, choice)
            cost, parts = 0.0, []
            for owner in owners:
                # Of the many choices tried, most differ in parts that this one has nothing to do with.
                key = (owner, but, choice.get(owner), *[at[w] for w in touched_of[owner]])
                found = known_costs.get(key)
                if found is None:
                    found = known_costs[key] = of_one(owner, at, choice, but)
                cost += found[0]
                parts.append(found[1])
            return cost, parts

        def of_one(
            owner: int, at: dict[int, tuple[int, int]], choice: dict[int, int], but: int
        ) -> tuple[float, dict[int, int]]:
            diffs, missed = {}, {}
            for wire in self.wires_of[owner]:
                on, known = at[wire] if wire in at else self.signal(wire, choice)
                diffs[wire] = (on ^ seen[wire]) & known & sure[wire] & ~but
                lost = sent.get(wire, 0) & on & ~seen[wire]
                if wire in broken:  # a brush of the hand cannot make a broken contact
                    lost |= seen[wire]
                if wire in jammed:  # nor open a welded one
                    lost |= ~seen[wire] & sure[wire]
                missed[wire] = lost
            return self.price(owner, diffs, missed), diffs

        best = self._best_choice(free, tried, most - (total - before))
        residual = total - before + best[0]
        diffs = {wire: off for part in best[1] for wire, off in part.items()}
        return _State(residual + sum(self._cost(f) for f in faults) + self._unshown(faults), residual, faults, diffs)

    def _unshown(self, faults: tuple[NetFault, ...]) -> float:
        """Return the cost of assuming that wires touch that are on at all times anyway because one of them is.

        A short shows only when somebody works it: three wires that are always on are three faults, not one short.
        """
        on = {fault.wires[0] for fault in faults if fault.kind == "on"}
        hidden = [f for f in faults if f.kind == "joined" and not on.isdisjoint(f.wires)]
        if len(self.always_on) < 3:
            return 0.0
        return sum(FAULT * max(0, len(self.always_on.intersection(f.wires)) - 1) for f in hidden)

    def _best_choice(
        self, free: list[int], tried: Callable[[dict[int, int], int], tuple[float, list[dict[int, int]]]], most: float
    ) -> tuple[float, list[dict[int, int]]]:
        """Return the cost and the differences for the initial positions of the `free` parts that explain most."""
        best = tried(self.choice, 0)
        # Another initial position changes only what was seen before the part was first moved: if that is explained
        # already, nothing can be gained; if too much is wrong elsewhere, not enough can.
        off = spans = 0
        for part in best[1]:
            for diff in part.values():
                off |= diff
        free = [owner for owner in free if off & self.net.free[owner].span]
        for owner in free:
            spans |= self.net.free[owner].span
        if not free or (best[0] > most and tried(self.choice, spans)[0] > most):
            return best
        ranges = [range(len(self.net.free[owner].options)) for owner in free]
        if prod(map(len, ranges)) <= 24:
            for numbers in product(*ranges):
                if not best[0]:
                    break
                best = min(best, tried({**self.choice, **dict(zip(free, numbers, strict=True))}, 0), key=_first)
            return best
        choice = dict(self.choice)
        for _ in range(2):  # there are too many combinations, so vary one part after the other
            for owner, row in zip(free, ranges, strict=True):
                for number in row:
                    new = tried({**choice, owner: number}, 0)
                    if new[0] < best[0]:
                        best, choice = new, {**choice, owner: number}
                if not best[0]:
                    return best
        return best

    def _cost(self, fault: NetFault) -> float:
        net = self.net
        if fault.kind in ("off", "on", "inverted"):
            return FAULT
        price = FAULT + len(fault.wires) - 2
        if net.board and len({net.board[w] for w in fault.wires}) > 1:
            price += 1.0
        if fault.kind == "joined":
            late = sum(net.apart.get((a, b), 0) for a, b in permutations(fault.wires, 2))
            price += min(8.0 * late, 32.0)
        elif fault.kind == "follows":
            price += 2.0 + min(8.0 * net.apart.get((fault.wires[1], fault.wires[0]), 0), 32.0)
        return price


def _other_ends(faults: tuple[NetFault, ...], fresh: NetFault) -> Iterator[tuple[NetFault, ...]]:
    """Yield `faults` with one of them moved to the other end of wires that are swapped or touch.

    Only pairs that include the `fresh` fault are varied; the others were tried before it was added.
    """
    for single in (fault for fault in faults if len(fault.wires) == 1):
        rest = tuple(fault for fault in faults if fault != single)
        for mixed in (fault for fault in rest if len(fault.wires) > 1 and single.wires[0] in fault.wires):
            if single != fresh and not set(fresh.wires) <= set(mixed.wires):
                continue
            for wire in mixed.wires:
                for stage in ("part", "pin"):
                    moved = NetFault(single.kind, (wire,), stage)
                    if moved != single:
                        yield merge_shorts((*rest, moved), "joined", NetFault)


def _first(pair: tuple[float, list[dict[int, int]]]) -> float:
    return pair[0]


def _bits(mask: int) -> Iterator[int]:
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low


def _distinct(states: list[_State]) -> list[tuple[NetFault, ...]]:
    """Return each distinct set of faults once, cheapest first, without sets that contain another one."""
    out: dict[frozenset[tuple[str, tuple[int, ...]]], tuple[float, tuple[NetFault, ...]]] = {}
    for state in sorted(states, key=lambda s: (s.price, len(s.faults), s.faults)):
        names = frozenset((f.kind, f.wires) for f in state.faults)  # at whichever end of the wire it is
        if names not in out and not any(kept < names for kept in out):
            out[names] = (state.price, state.faults)
    return [faults for _, faults in out.values()]
