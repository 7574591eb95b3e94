"""Causes in chains of shift registers: what their inputs or outputs show if one thing about the chain is wrong.

A 74HC165 shifts out its input H first and A last, then what comes from the next chip; a 74HC595 takes a bit into QA and
shifts it on to QH (data sheets, Texas Instruments SCLS116 and SCLS041, function tables; from memory). So a chip that
passes nothing on also stops everything that comes through it: the chips behind it, seen from the board.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from itertools import combinations, permutations
from typing import Any

from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.sources import OFF, ON, Cause
from benchcon.diagnosis.wires import LEAST
from benchcon.panel.pins import CHAINS, Pin, read_pins

_ALL_ORDERS = 4
"""Longest chain for which every order of chips is tried; for longer ones, only two swapped or all reversed."""
_CONTACTS, _LAMPS = "165", "595"


def other_orders(chips: int) -> Iterator[tuple[int, ...]]:
    """Yield the orders, other than the right one, in which the chips of a chain may have been wired.

    Each gives for every place in the chain, from the board on, the number of the chip that is there (from 0).
    """
    right = tuple(range(chips))
    if chips <= _ALL_ORDERS:
        yield from (order for order in permutations(right) if order != right)
        return
    yield right[::-1]
    for one, other in combinations(right, 2):
        order = list(right)
        order[one], order[other] = other, one
        yield tuple(order)


def of_chains(layout: PanelIndex) -> Iterator[Cause]:
    """Yield the possible causes in each chain of 74HC165 or 74HC595 on the panel."""
    chains: dict[tuple[str, str], dict[int, str]] = {}
    encoders: dict[tuple[str, str], dict[int, str]] = {}
    for key, spot in layout.spots.items():
        pins: tuple[Pin, ...] = ()
        with contextlib.suppress(ValueError):
            pins = read_pins(spot.channel.wire.pin)
        for pin in pins if spot.part.wired else ():
            if pin.kind in (_CONTACTS, _LAMPS):
                home = chains if spot.kind in ("contact", "lamp") else encoders
                home.setdefault((spot.channel.board, pin.kind), {})[pin.bit] = key
    for (board, kind), at in chains.items():
        chips = max(bit // 8 for bit in at) + 1
        known = layout.panel.board(board)
        chips = max([chips, *(chain.chips for chain in known.chains if chain.kind == kind)] if known else [chips])
        yield from _Chain(board, kind, chips, at, encoders.get((board, kind), {})).causes()


class _Chain:
    def __init__(self, board: str, kind: str, chips: int, at: Mapping[int, str], besides: Mapping[int, str]) -> None:
        self.board, self.kind, self.chips, self.at, self.besides = board, kind, chips, at, besides

    def causes(self) -> Iterator[Cause]:
        chips = range(self.chips)
        for chip in chips:
            # The chip is dead alone, or with everything that comes through it; for the last chip these are the same.
            for level in (OFF, ON):
                for last in {chip, self.chips - 1}:
                    detail: dict[str, Any] = {"chip": chip + 1, "behind": last > chip, "reads": int(level == ON)}
                    yield self._cause("chip dead", detail, dict.fromkeys(self._bits(chip, last), level))
        for order in other_orders(self.chips):
            # An input place shows what the chip there reads; a lamp is lit by the bits sent to its chip's place.
            source = [order.index(chip) for chip in chips] if self.kind == _LAMPS else order
            moved = {bit: 8 * source[bit // 8] + bit % 8 for bit in self.at if source[bit // 8] != bit // 8}
            yield self._cause("chips in another order", {"order": [chip + 1 for chip in order]}, moved)
        for by in (1, -1):
            yield self._cause("chain shifted", {"by": by}, {bit: self._shifted(bit, by) for bit in self.at})
        for several in [*((chip,) for chip in chips), *([tuple(chips)] if self.chips > 1 else [])]:
            moved = {bit: bit // 8 * 8 + 7 - bit % 8 for bit in self.at if bit // 8 in several}
            yield self._cause("chip pins reversed", {"chips": [chip + 1 for chip in several]}, moved)
        for chip in chips[:-1] if self.kind == _LAMPS else ():
            # The next chip puts out the bits that were meant for the chip that is left out.
            behind: dict[int, int | str] = {bit: bit - 8 for bit in self._bits(chip + 1, self.chips - 1)}
            behind |= dict.fromkeys(self._bits(chip, chip), OFF)
            yield self._cause("chip bridged", {"chip": chip + 1}, behind)
        for chip in chips[:-1]:
            through = {bit: bit + 8 for bit in self._bits(chip, self.chips - 2)}
            for level in (OFF, ON) if self.kind == _CONTACTS else ():
                yield self._cause(
                    "chip bridged",
                    {"chip": chip + 1},
                    through | dict.fromkeys(self._bits(self.chips - 1, self.chips - 1), level),
                )

    def _bits(self, first: int, last: int) -> list[int]:
        return [bit for bit in self.at if first <= bit // 8 <= last]

    def _shifted(self, bit: int, by: int) -> int:
        """Return the place whose signal is seen at `bit` if the chain is one bit late (`by` 1) or early (-1)."""
        if self.kind == _LAMPS:
            return bit - by
        # Bits in the order in which they are shifted out: H to A of the nearest chip, then of the next.
        came = bit // 8 * 8 + 7 - bit % 8 - by
        return came // 8 * 8 + 7 - came % 8

    def _cause(self, kind: str, detail: dict[str, Any], moved: Mapping[int, int | str]) -> Cause:
        sent = {
            self.at[bit]: source if isinstance(source, str) else self.at.get(source, OFF)
            for bit, source in moved.items()
        }
        chips = {bit // 8 for bit in moved}
        besides = tuple(dict.fromkeys(key for bit, key in self.besides.items() if bit // 8 in chips))
        # If the chain has only two wires, one of them seen in the other's place is enough to show that it is late.
        least = 2 if kind == "chain shifted" and len(self.at) == 2 else LEAST
        group, detail = f"{self.kind} of {self.board}", {"chain": CHAINS[self.kind], **detail}
        return Cause(kind, detail, sent, group, least=least, besides=besides)
