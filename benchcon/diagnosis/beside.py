"""One cause of many wires' faults, together with a second fault on a few of these wires.

`benchcon.diagnosis.causes` and `benchcon.diagnosis.connectors` find causes that explain everything their wires showed.
Here a cause may leave a few wires unexplained, if single faults explain those: the effect of the cause is undone
(`benchcon.diagnosis.restored`), and single faults are searched in what remains.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import chain, islice

from benchcon.diagnosis import causes, connectors
from benchcon.diagnosis.chains import of_chains
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import Net
from benchcon.diagnosis.restored import key_of_name, put_back
from benchcon.diagnosis.search import FAULT, Explanation, explain
from benchcon.diagnosis.sources import OFF, ON, OTHER_WAY, Cause
from benchcon.diagnosis.wires import LEAST, WireEvidence

MOST_BESIDE = 3
"""Most wires of a cause that may do something else; three crossed contacts are this many wires (no source)."""
_TRIED = 4
"""How many causes, those that explain most, are compared with single faults."""
_ROUNDS = 3
LOOMS = "looms interchanged"


def find(
    layout: PanelIndex, nets: Sequence[Net | None], wires: Mapping[str, WireEvidence], but: Collection[str]
) -> tuple[list[Choices], list[Cause]]:
    """Return as choices, and as causes, those that fit except for faults on a few of their wires.

    The faults on these few wires are not in the result. `nets` are the contacts' and the lamps', None where there are
    none; wires in `but` are explained already.
    """
    out: list[Choices] = []
    found: list[Cause] = []
    explained = set(but)
    for _ in range(_ROUNDS):
        best = _best(layout, nets, wires, explained)
        if not best:
            break
        out.append([[BareFinding(cause.kind, cause.channels, cause.detail)] for cause in best])
        found.append(best[0])
        explained |= set(best[0].channels)
    return out, found


def _best(
    layout: PanelIndex, nets: Sequence[Net | None], wires: Mapping[str, WireEvidence], explained: Collection[str]
) -> list[Cause]:
    likely: list[tuple[int, int, Cause]] = []
    makers = (
        causes.of_looms(layout),
        causes.of_boards(layout),
        connectors.causes_of(layout, wires),
        of_chains(layout),
        causes.of_matrices(layout),
        causes.of_parts(layout),
    )
    for number, cause in enumerate(chain(*makers)):
        there = [wires[key] for key in cause.sent if key in wires and key not in explained]
        beside = [wires[key] for key in cause.besides if key in wires]
        if not all(wire.dead for wire in beside):
            continue
        off = {wire.key: _off(wires, cause, wire) for wire in there}
        odd = [wire for wire in there if off[wire.key]]
        fits = [wire for wire in there if wire.wrong and not off[wire.key]]
        # If a ground is broken on its way, everything before the break may be well except one wire. If a plug and its
        # ground sit in the wrong place, its lamps are dark.
        if not odd and not cause.detail.get("from") and not cause.gate:
            continue
        least = max(cause.least - len(odd), min(cause.least, LEAST))
        if len(odd) > MOST_BESIDE or len(fits) + len(beside) < least:
            continue
        if len(fits) <= len(odd) or any(causes.works(wire, cause) for wire in odd):
            continue
        moves = any(source not in (OFF, ON, OTHER_WAY, key) for key, source in cause.sent.items())
        if (moves or cause.kind == LOOMS) and not any(causes.elsewhere(wires, wire, cause) for wire in fits):
            continue  # no signal has shown up in a wrong place
        likely.append((2 * len(odd) - len(fits) - len(beside), number, cause))
    weighed: list[tuple[float, int, Cause]] = []
    without = [explain(net) if likely and net else [] for net in nets]
    for rank, _, cause in islice(sorted(likely, key=lambda each: each[:2]), _TRIED):
        price = FAULT
        before = 0.0
        for net, plain in zip(nets, without, strict=True):
            if net is None:
                continue
            mine = _numbers(layout, net, cause)
            before += sum(each.price for each in plain if not mine.isdisjoint(each.wires))
            rest = [each for each in explain(put_back(layout, net, [cause])) if not mine.isdisjoint(each.wires)]
            price += sum(map(_price, rest))
        if price < before:
            weighed.append((price - before, rank, cause))
    # The cause that saves most single faults comes first, of whatever kind it is.
    most = min((spared for spared, *_ in weighed), default=0.0)
    best = [cause for spared, _, cause in weighed if spared == most]
    return [each for n, each in enumerate(best) if not any(each.shadowed_by(other) for other in best[:n])][
        : causes.AS_GOOD
    ]


def _price(rest: Explanation) -> float:
    return rest.price + (1000.0 if rest.odd else 0.0)


def _numbers(layout: PanelIndex, net: Net, cause: Cause) -> set[int]:
    return {n for n, name in enumerate(net.names) if key_of_name(layout, name) in cause.sent}


def _off(wires: Mapping[str, WireEvidence], cause: Cause, wire: WireEvidence) -> int:
    """Return at how many moments `wire` showed something other than `cause` predicts."""
    return causes.off(wires, wire, cause.sent[wire.key], ~causes.two_made(wires, cause.tangled), cause.gate)
