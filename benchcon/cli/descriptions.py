"""What boards say of themselves while they are asked."""

from __future__ import annotations

import threading

from benchcon.panel.draft import Said
from benchcon.state import BenchState
from benchcon.wire.events import Answered
from benchcon.wire.items import Item, item_of
from benchcon.wire.records import Batch


class Descriptions:
    """Gathers the boards' descriptions from a bench's stream; `take` is called on the link's thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._state = BenchState()
        self._items: dict[int, dict[int, Item | None]] = {}

    def take(self, batches: list[Batch]) -> None:
        """Take batches."""
        with self._lock:
            for batch in batches:
                for event in self._state.feed(batch):
                    if isinstance(event, Answered) and event.request and event.request.words[:1] == ("item",):
                        index = int(event.request.words[1], 16)
                        self._items.setdefault(event.source, {})[index] = item_of(event.words)

    def whole(self, port: str, source: int) -> Said | None:
        """Return the description of a board, which is on `port`; None until all of it is there."""
        with self._lock:
            board = self._state.boards.get(source)
            items = self._items.get(source, {})
            if not source or board is None or not board.ident or not 0 < board.item_count <= len(items):
                return None
            return port, board.ident, board.name, [item for _, item in sorted(items.items()) if item]

    def spoke(self, source: int) -> bool:
        """Return whether a board with this number was heard at all."""
        with self._lock:
            board = self._state.boards.get(source)
            return board is not None and board.last_heard_us is not None
