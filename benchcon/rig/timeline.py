"""When things happen: one queue for a whole simulated board, in microseconds, without a clock of its own."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable

Action = Callable[[int], None]
"""Called with the moment at which it was due, which may be before the moment at which the queue was run."""


class Timeline:
    """Actions in order of time; those of the same time in the order in which they were added."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, list[Action]]] = []
        self._count = itertools.count()
        self.now_us = 0
        """The moment up to which everything has happened."""

    def at(self, at_us: int, action: Action) -> list[Action]:
        """Call `action` at `at_us`. Clear the returned list to cancel that."""
        due = [action]
        heapq.heappush(self._heap, (at_us, next(self._count), due))
        return due

    def next_us(self) -> int | None:
        """Return when the next action is due, or None."""
        while self._heap and not self._heap[0][2]:
            heapq.heappop(self._heap)
        return self._heap[0][0] if self._heap else None

    def run(self, now_us: int) -> None:
        """Let everything happen that is due up to `now_us`."""
        while (due_us := self.next_us()) is not None and due_us <= now_us:
            _, _, due = heapq.heappop(self._heap)
            self.now_us = max(self.now_us, due_us)
            action = due.pop()
            action(due_us)
        self.now_us = max(self.now_us, now_us)
