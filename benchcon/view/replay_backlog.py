"""What happened in a capture before the replay's position, read without disturbing the replay."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from itertools import islice

from benchcon.session import ReplaySession
from benchcon.state import BenchState
from benchcon.state_reader import StateReader
from benchcon.wire.events import Event
from benchcon.wire.records import KEYFRAME

SETTLING_US = 5_000_000
"""How long after the start boards may take to say who they are, as opening a port resets many of them."""
MOST_SETTLING = 4_000
"""Most batches searched for that."""
_NOTHING = -1
MOST_READ_BACK = 100_000
"""Most batches read to find what happened before a moment."""


def first_known(session: ReplaySession) -> int:
    """Return the first time at which something is known, as captures often begin with requests only.

    That is the start if a board is known there, or if nothing becomes known within `SETTLING_US`; else the time at
    which all that becomes known within `SETTLING_US` is.
    """
    state = BenchState(session.panel.text, session.panel.digest)
    best, best_us = (0, 0), session.first_us
    with StateReader(session.path) as reader:
        for batch in islice(reader, MOST_SETTLING):
            if best[0] and batch.at_us > session.first_us + SETTLING_US:
                break
            state.feed(batch)
            found = _known(state, batch.at_us)
            if found > best:
                best, best_us = found, batch.at_us
                if best_us == session.first_us:
                    break
    return best_us


def _known(state: BenchState, at_us: int) -> tuple[int, int]:
    """Return how many boards are known, and how many of their channels."""
    known = [board for board in state.boards.values() if board.known and board.liveness(at_us) == "live"]
    values = (board.value_now(channel, at_us) for board in known for channel in board.channels)
    return len(known), sum(value is not None for value in values)


class ReplayBacklog:
    """Reads what is before a replay's position. It must be closed."""

    def __init__(self, session: ReplaySession) -> None:
        self._session = session
        self._reader: StateReader | None = None

    def close(self) -> None:
        """Close the file."""
        if self._reader is not None:
            self._reader.close()

    def events(self, most: int, worth: Callable[[Event], bool]) -> tuple[list[Event], bool]:
        """Return the last `most` events for which `worth` is true, oldest first, and whether there are no others.

        The file is read backwards, keyframe by keyframe, up to `MOST_READ_BACK` batches.
        """
        pieces: list[deque[Event]] = []
        found = read = 0
        edge_us, before = self._session.now_us(), _NOTHING
        while True:
            begun_us, batches = self._piece(edge_us, before)
            piece: deque[Event] = deque(maxlen=most)
            for happened in batches:
                read += 1
                for event in happened:
                    if worth(event):
                        found += 1
                        piece.append(event)
            pieces.append(piece)
            whole = begun_us is None or begun_us <= self._session.first_us
            if begun_us is None or whole or found >= most or read >= MOST_READ_BACK:
                break
            edge_us = before = begun_us
        events = [event for piece in reversed(pieces) for event in piece]
        return events[-most:], whole and found <= most

    def _piece(self, edge_us: int, before: int) -> tuple[int | None, Iterator[list[Event]]]:
        """Return the events from a keyframe to `edge_us`, or to the keyframe at `before`, and the first one's time."""
        if self._reader is None:
            self._reader = StateReader(self._session.path)
        reader = self._reader
        keyframe = reader.seek(edge_us if before == _NOTHING else before - 1)
        state = BenchState(self._session.panel.text, self._session.panel.digest)
        if keyframe is not None:
            state.feed(keyframe)

        def happened() -> Iterator[list[Event]]:
            for batch in reader.until(edge_us):
                if batch.kind == KEYFRAME and batch.at_us == before:
                    return  # the next piece begins here
                yield state.feed(batch)

        return keyframe.at_us if keyframe is not None else None, happened()
