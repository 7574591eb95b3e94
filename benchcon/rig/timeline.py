"""What is to happen when: one queue for a whole simulated board, in microseconds, without a clock of its own."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable

Action = Callable[[int], None]
"""Called with the moment it was due, which may lie before the moment the queue was run."""


class Timeline:
    """Actions in the order of their times; those of the same time in the order they were put in."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, list[Action]]] = []
        self._count = itertools.count()
        self.now_us = 0
        """The moment up to which everything has happened."""

    def at(self, at_us: int, action: Action) -> list[Action]:
        """Call `action` at `at_us`. Clear the list that comes back to call it off."""
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
