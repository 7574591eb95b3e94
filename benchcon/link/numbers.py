"""Which board has which number in the stream: a board keeps its own, whatever port it is plugged into. No I/O."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from benchcon.wire.records import BENCH

MOST_BOARDS = 64
"""Most boards that get a number each. A board that takes a new ident at every start replaces one that is gone."""


class Given(NamedTuple):
    """The number of a board that has said who it is."""

    number: int
    forgotten: str
    """The ident of the board that had this number until now and is forgotten; empty if there is none."""


class Numbers:
    """The numbers of a bench's boards. One is lent to a port until the board there says who it is."""

    def __init__(self) -> None:
        self._of: dict[str, int] = {}
        self._last = BENCH

    def lend(self) -> int:
        """Return a number that nobody has had."""
        self._last += 1
        return self._last

    def belongs_to_a_board(self, number: int) -> bool:
        """Return whether a board has this number, so that it is not merely lent."""
        return number in self._of.values()

    def known(self) -> set[int]:
        """Return the numbers of all boards that have ever said who they are."""
        return set(self._of.values())

    def give(self, ident: str, lent: int, linked: Collection[int]) -> Given:
        """Return the number of the board `ident`, which had the number `lent` until now.

        A new board keeps the number it was lent, unless that is another board's. If there are `MOST_BOARDS` already, it
        gets the number of a board that is not linked; `linked` are the numbers of those that are.
        """
        if ident in self._of:
            return Given(self._of[ident], "")
        owners = {number: name for name, number in self._of.items()}
        number, forgotten = lent, ""
        gone = next((each for each in owners if each not in linked), None) if len(owners) >= MOST_BOARDS else None
        if gone is not None:
            number, forgotten = gone, owners[gone]
            del self._of[forgotten]
        elif lent in owners:
            number = self.lend()
        self._of[ident] = number
        return Given(number, forgotten)

    def rename(self, ident: str, new: str) -> None:
        """Let the board `ident` keep its number under the ident `new`; does nothing if another board has that ident."""
        if ident in self._of and new not in self._of:
            self._of[new] = self._of.pop(ident)
