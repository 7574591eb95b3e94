"""What is in a capture, for exports and verdicts: its boards by name, its values, and their units."""

from __future__ import annotations

from collections.abc import Mapping

from benchcon.state import BenchState
from benchcon.state.board import called
from benchcon.state.changes import DARK, REFUSED, RESETS
from benchcon.state.quantities import values_in
from benchcon.state_reader import StateReader
from benchcon.wire import events as ev

UNITS = {
    "contact": "1 made, 0 open",
    "selector": "position, 0 the first",
    "encoder": "counts since reset, signed",
    "pot": "counts",
    "lamp": "permille of lightness",
    "display": "segments, 80h point, 40h A to 01h G for each digit",
    DARK: "1 if the whole board is dark, else 0",
    RESETS: "resets of the board so far",
    REFUSED: "requests that the board has refused so far",
}
"""Kind of channel → the unit of its values, in words."""


def whole_state(reader: StateReader) -> BenchState:
    """Return the state at a capture's end, which has every channel there is; fast if there are keyframes. Rewinds."""
    state = reader.state_at(reader.last_us)
    reader.rewind()
    return state


def board_name(state: BenchState, source: int, later: Mapping[int, str] | None = None) -> str:
    """Return a board's printable name; if it has not said who it is yet, the one of `later` (see `names_in`)."""
    board = state.boards.get(source)
    if board is not None and (board.ident or board.name):
        return board.called
    return (later or {}).get(source, "") or called("", "", source)


def names_in(reader: StateReader) -> dict[int, str]:
    """Return number of a board → the name that it gives at any time in the capture. Rewinds."""
    state = whole_state(reader)
    return {source: board_name(state, source) for source in state.boards}


class LastValues:
    """The last value of each quantity of a rehearsal, so that only changes are written."""

    def __init__(self) -> None:
        self._last: dict[str, str] = {}

    def new_in(self, event: ev.Event) -> list[tuple[str, str]]:
        """Return (name, text) of each value that an event changes."""
        found = [(name, text) for name, text in values_in(event) if self._last.get(name) != text]
        self._last.update(found)
        return found
