"""Collects the session's events for the widgets, which look at them once a frame.

The session calls `Feed.take` on the link's thread, which only appends. Everything else happens on the console's thread,
once a frame, in `Feed.drain`. All storage is bounded, and what is dropped is counted.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable
from typing import NamedTuple

from benchcon.panel.model import Control, Panel, Part
from benchcon.state import BoardState
from benchcon.state.changes import ValueChange
from benchcon.view.folding import Folding
from benchcon.wire import events as ev

EVENTS_KEPT = 20_000
"""Number of events that the list keeps."""
MOST_WAITING = 20_000
"""Most events that wait for the screen, as in a flood or while the terminal hangs; the oldest of more are dropped and
counted. The screen sorts this many in a tenth of a second."""
FRESH_US = 700_000
"""How long a part that moved is highlighted."""


class Touch(NamedTuple):
    """A control that was moved, and when."""

    control: Control
    at_us: int


class Feed:
    """Collects events from another thread and sorts them once a frame."""

    def __init__(self) -> None:
        self._waiting: deque[list[ev.Event]] = deque()
        self._count = 0
        self._lock = threading.Lock()
        self._by_channel: dict[tuple[int, str], Part] = {}
        self.events_taken = 0
        """Number of events handed over so far."""
        self.events_seen = 0
        """Number of events sorted so far."""
        self.events_dropped = 0
        """Number of events that were dropped because the screen stood still for too long; a notice reports it."""
        self.listed: deque[tuple[int, ev.Event]] = deque(maxlen=EVENTS_KEPT)
        """The latest events with their running number, oldest first, without heartbeats and plain answers."""
        self.listed_count = 0
        self.whole = True
        """Whether nothing happened before the first listed event."""
        self.refills = 0
        """How often the list was rebuilt."""
        self.folding = Folding()
        """The entries that stand for several events."""
        self.touched: Touch | None = None
        self.fresh: dict[str, int] = {}
        """For each part, by name, when it last moved (µs)."""
        self.moves: dict[str, int] = {}
        """For each part, by name, how often any of its channels changed."""
        self.alive: set[int] = set()
        """Sources that have sent a heartbeat; only from then on is it known whether they are dark."""
        self.listeners: list[Callable[[list[ev.Event]], None]] = []
        """Functions called once a frame, on the console's thread, with the events since the last frame."""
        self.watchers: list[Callable[[list[ValueChange]], None]] = []
        """Functions called in the same way with the changes since the last frame."""
        self.changes_missed = False
        """Changes were dropped because the screen stood still, so everything must be read again."""
        self._changes: deque[list[ValueChange]] = deque()
        self._changes_count = 0

    def take(self, events: list[ev.Event]) -> None:
        """Hand over events. It may be called on any thread, and returns at once."""
        with self._lock:
            self._waiting.append(events)
            self.events_taken += len(events)
            self._count += len(events)
            while self._count > MOST_WAITING and len(self._waiting) > 1:
                gone = len(self._waiting.popleft())
                self._count -= gone
                self.events_dropped += gone

    def change(self, changes: list[ValueChange]) -> None:
        """Hand over changes. It may be called on any thread, and returns at once."""
        with self._lock:
            self._changes.append(changes)
            self._changes_count += len(changes)
            while self._changes_count > MOST_WAITING and len(self._changes) > 1:
                self._changes_count -= len(self._changes.popleft())
                self.changes_missed = True

    @property
    def waiting(self) -> bool:
        """Whether anything came since the last `drain`."""
        return bool(self._waiting or self._changes)

    def wire(self, panel: Panel, boards: dict[str, BoardState]) -> None:
        """Set which part is on which channel of which board."""
        self._by_channel = {
            (boards[channel.board].source, channel.id): part
            for part in panel.parts
            for channel in part.channels
            if channel.board in boards
        }

    def part_on(self, source: int, channel_id: str) -> Part | None:
        """Return the part on a channel, or None."""
        return self._by_channel.get((source, channel_id))

    def drain(self) -> int:
        """Sort what has come since the last call; return the number of events."""
        with self._lock:
            waiting, self._waiting = self._waiting, deque()
            changed, self._changes = self._changes, deque()
            self._count = self._changes_count = 0
        for changes in changed:
            self._moved(changes)
            for watcher in self.watchers:
                watcher(changes)
        count = 0
        for events in waiting:
            count += len(events)
            for event in events:
                sort = type(event)
                if sort is ev.Alive:
                    self.alive.add(event[1])
                else:
                    self._list(event)
            for listener in self.listeners:
                listener(events)
        self.events_seen += count
        return count

    def _moved(self, changes: list[ValueChange]) -> None:
        """Note which parts were moved, and what was touched last."""
        find, fresh, moves = self._by_channel.get, self.fresh, self.moves
        touched: tuple[Control, int] | None = None
        for at_us, source, channel_id, _, clock_us in changes:
            part = find((source, channel_id)) if clock_us else None  # without a clock it was not a notification
            if part is not None:
                fresh[part.name] = at_us
                moves[part.name] = moves.get(part.name, 0) + 1
                if isinstance(part, Control):
                    touched = (part, at_us)
        if touched is not None:
            self.touched = Touch(*touched)

    def _list(self, event: ev.Event) -> None:
        if worth_telling(event) and not self._folded(event):
            self.listed_count += 1
            self.listed.append((self.listed_count, event))

    def refill(self, events: Iterable[ev.Event], whole: bool) -> None:
        """Replace the list by these events, oldest first: those of a capture up to its present position."""
        self.listed.clear()
        self.folding.clear()
        self.listed_count = 0
        self.whole = whole
        self.refills += 1
        for event in events:
            self._list(event)

    def _folded(self, event: ev.Event) -> bool:
        """Return whether a request is folded into an existing entry."""
        if not isinstance(event, ev.Asked) or event.words[:1] != ("set",):
            return False
        return self.folding.take(event, self.listed_count + 1)

    def is_fresh(self, name: str, now_us: int) -> bool:
        """Return whether the part `name` was moved within `FRESH_US`."""
        at_us = self.fresh.get(name)
        return at_us is not None and 0 <= now_us - at_us < FRESH_US

    def start_again(self) -> None:
        """Forget everything, because a replay has jumped."""
        self.refill((), whole=True)
        self.fresh.clear()
        self.touched = None


def worth_telling(event: ev.Event) -> bool:
    """Return whether an event is listed.

    Heartbeats, requests and answers that neither change nor refuse anything, and values from other programs are left
    out: at twenty a second they would leave no room for anything else.
    """
    if isinstance(event, ev.Link) and event.word == "values":
        return False
    if isinstance(event, ev.Answered):
        return event.words[:1] == ("no",)
    if isinstance(event, ev.Asked):
        return event.words[:1] in (("dark",), ("light",), ("set",))
    return not isinstance(event, ev.Alive)
