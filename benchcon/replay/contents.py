"""What is in a capture, for exports and verdicts: its boards by name, its values, and what they are counted in."""

from __future__ import annotations

from collections.abc import Mapping

from benchcon.state import BenchState
from benchcon.state.changes import DARK, REFUSED, RESETS
from benchcon.state.quantities import told_in
from benchcon.state_reader import StateReader
from benchcon.wire import events as ev

UNITS = {
    "contact": "1 made, 0 open",
    "selector": "position, 0 the first",
    "encoder": "counts since reset, signed",
    "pot": "counts",
    "lamp": "permille of lightness",
    "display": "segments, 80h point, 40h A to 01h G for each digit",
    DARK: "1 the whole board is dark, 0 it is not",
    RESETS: "resets of the board so far",
    REFUSED: "requests that the board has refused so far",
}
"""What a value of each kind is counted in."""


def whole_state(reader: StateReader) -> BenchState:
    """Return the state at a capture's end, quickly where there are keyframes: every channel there is. Rewinds."""
    state = reader.state_at(reader.last_us)
    reader.rewind()
    return state


def board_name(state: BenchState, source: int, later: Mapping[int, str] | None = None) -> str:
    """Return what a board is called, printable; one that has not said yet, by what it says `later`."""
    board = state.boards.get(source)
    if board is not None and (board.ident or board.name):
        return board.called
    return (later or {}).get(source, "") or f"board {source}"


def names_in(reader: StateReader) -> dict[int, str]:
    """Return what each board of a capture says that it is called, from its first record on. Rewinds."""
    state = whole_state(reader)
    return {source: board_name(state, source) for source in state.boards}


class ToldValues:
    """The last value of each of the rehearsal's quantities, so that only changes are written."""

    def __init__(self) -> None:
        self._last: dict[str, str] = {}

    def new_in(self, event: ev.Event) -> list[tuple[str, str]]:
        """Return the values that an event changes, by name, as text."""
        found = [(name, text) for name, text in told_in(event) if self._last.get(name) != text]
        self._last.update(found)
        return found
