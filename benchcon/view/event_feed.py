"""From the session's events to what the widgets look at once a frame.

The session calls `Feed.take` on the link's thread: it only appends. Everything else happens on the console's side, once
a frame, in `Feed.drain`. What is kept is bounded; what was dropped from the bounded store is counted.
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
"""Events that the list can look back on."""
MOST_WAITING = 20_000
"""Events that may wait for the screen (a flood, a terminal that hangs); beyond that the oldest go, counted. The screen
sorts this many in a tenth of a second."""
FRESH_US = 700_000
"""How long a part that moved stands out."""


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
        """Events handed over so far."""
        self.events_seen = 0
        """Events sorted so far."""
        self.events_dropped = 0
        """Events that were never sorted because the screen stood still for too long; told among the notices."""
        self.listed: deque[tuple[int, ev.Event]] = deque(maxlen=EVENTS_KEPT)
        """The latest events with their running count, oldest first; heartbeats and plain answers are left out."""
        self.listed_count = 0
        self.whole = True
        """Whether nothing happened before the first event that was ever listed."""
        self.refills = 0
        """How often the list was rebuilt."""
        self.folding = Folding()
        """Entries that stand for several events, by their number."""
        self.touched: Touch | None = None
        self.fresh: dict[str, int] = {}
        """By part name: when it last moved."""
        self.moves: dict[str, int] = {}
        """By part name: how often any of its channels changed."""
        self.alive: set[int] = set()
        """Sources that have sent a heartbeat: how they stand, dark or not, is known only from then on."""
        self.listeners: list[Callable[[list[ev.Event]], None]] = []
        """Called once a frame with the events since the last one, on the console's thread."""
        self.watchers: list[Callable[[list[ValueChange]], None]] = []
        """As `listeners`, with what has changed."""
        self.changes_missed = False
        """Some changes went unseen, because the screen stood still: everything has to be read in again."""
        self._changes: deque[list[ValueChange]] = deque()
        self._changes_count = 0

    def take(self, events: list[ev.Event]) -> None:
        """Hand over events; called on any thread, returns at once."""
        with self._lock:
            self._waiting.append(events)
            self.events_taken += len(events)
            self._count += len(events)
            while self._count > MOST_WAITING and len(self._waiting) > 1:
                gone = len(self._waiting.popleft())
                self._count -= gone
                self.events_dropped += gone

    def change(self, changes: list[ValueChange]) -> None:
        """Hand over what has changed; called on any thread, returns at once."""
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
        """Learn which part sits on which channel of which board."""
        self._by_channel = {
            (boards[channel.board].source, channel.id): part
            for part in panel.parts
            for channel in part.channels
            if channel.board in boards
        }

    def part_on(self, source: int, channel_id: str) -> Part | None:
        """Return the part on a channel, if there is one."""
        return self._by_channel.get((source, channel_id))

    def drain(self) -> int:
        """Sort what has come since the last call; returns how many events that was."""
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
            part = find((source, channel_id)) if clock_us else None  # else the board has not reported it by itself
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
        """List these instead, oldest first: what happened in a recording until where it stands."""
        self.listed.clear()
        self.folding.clear()
        self.listed_count = 0
        self.whole = whole
        self.refills += 1
        for event in events:
            self._list(event)

    def _folded(self, event: ev.Event) -> bool:
        """Whether a request is one more of an entry that stands already."""
        if not isinstance(event, ev.Asked) or event.words[:1] != ("set",):
            return False
        return self.folding.take(event, self.listed_count + 1)

    def is_fresh(self, name: str, now_us: int) -> bool:
        """Return whether a part was moved a moment ago."""
        at_us = self.fresh.get(name)
        return at_us is not None and 0 <= now_us - at_us < FRESH_US

    def start_again(self) -> None:
        """Forget what was seen: a replay has jumped elsewhere."""
        self.refill((), whole=True)
        self.fresh.clear()
        self.touched = None


def worth_telling(event: ev.Event) -> bool:
    """Whether an event is listed. Left out are heartbeats, requests and answers that change and refuse nothing, and
    values from elsewhere: twenty a second would leave room for nothing else."""
    if isinstance(event, ev.Link) and event.word == "values":
        return False
    if isinstance(event, ev.Answered):
        return event.words[:1] == ("no",)
    if isinstance(event, ev.Asked):
        return event.words[:1] in (("dark",), ("light",), ("set",))
    return not isinstance(event, ev.Alive)
