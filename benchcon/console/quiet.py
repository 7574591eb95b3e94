"""When boards fall silent, are lost, and are heard again: what the time line must not draw as known. No clock here."""

from __future__ import annotations

from benchcon.state import BenchState
from benchcon.state.bench import LINK_STANDING
from benchcon.wire import events as ev
from benchcon.wire.silence import ALIVE_US, silent_after_us

HEARD = frozenset({ev.Moved, ev.Alive, ev.Edge, ev.Reading, ev.Boot, ev.Told, ev.Answered})
"""Events that are a heartbeat."""


class Quiet:
    """Follows who was heard when; `learn` says how long silence may last."""

    def __init__(self) -> None:
        self.heard: dict[int, int] = {}
        """By source: when its board was heard last. Lost boards are not in it."""
        self.silent: set[int] = set()
        self._limits: dict[int, int] = {}

    def learn(self, state: BenchState) -> None:
        """Take the boards' periods of heartbeats, and when those were heard that are new here."""
        for board in state.boards.values():
            self._limits[board.source] = board.silent_after_us
            if board.link == "linked" and board.last_heard_us is not None:
                self.heard.setdefault(board.source, board.last_heard_us)

    def fallen(self, now_us: int) -> list[tuple[int, int]]:
        """Return when and who has fallen silent until `now_us` and was not told before, in order of time."""
        found = []
        for source, heard_us in self.heard.items():
            since_us = heard_us + self._limits.get(source, silent_after_us(ALIVE_US))
            if since_us < now_us and source not in self.silent:
                found.append((since_us, source))
        self.silent.update(source for _, source in found)
        return sorted(found)

    def back(self, source: int, at_us: int) -> bool:
        """A board was heard; returns whether it was silent until now."""
        self.heard[source] = at_us
        if source in self.silent:
            self.silent.discard(source)
            return True
        return False

    def lost(self, event: ev.Event) -> bool:
        """Whether an event says that a board is no longer there; nothing of it is known from then on."""
        if not isinstance(event, ev.Link) or LINK_STANDING.get(event.word, "linked") == "linked":
            return False
        self.heard.pop(event.source, None)
        self.silent.discard(event.source)
        return True
