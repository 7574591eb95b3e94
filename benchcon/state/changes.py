"""What changed when: a stream of records, and the time, as changes of channels and of whole boards.

Whatever draws, judges or writes down what channels did is made of these. Who wants them makes a `Changes` around the
state; where nobody does, none are made.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from benchcon.state.bench import BenchState
from benchcon.state.board import BoardState
from benchcon.wire import events as ev
from benchcon.wire.notifications import settings
from benchcon.wire.records import KEYFRAME, LINE_UP, Batch

DARK = "(dark)"
"""Stands for a channel: whether the board is dark, 1 or 0."""
RESETS = "(resets)"
"""Stands for a channel: resets of the board, but for the one that opening its port makes with many boards."""
REFUSED = "(refused)"
"""Stands for a channel: requests that the board has refused."""
OF_BOARDS = (DARK, RESETS, REFUSED)

_NEVER_US = 1 << 70
_OF_NO_VALUE = frozenset({ev.Asked, ev.Edge, ev.Reading, ev.Note, ev.Odd, ev.Gap})
"""Events that change no value."""


class ValueChange(NamedTuple):
    """One channel has another value than before."""

    at_us: int
    """Host stamp."""
    source: int
    channel: str
    """Its id, or one of `OF_BOARDS`."""
    value: int | None
    """As on the wire, encoders as signed counts; None: not known any more."""
    clock_us: int = 0
    """Board clock, unwrapped, if the board reported the change itself; else 0."""


def take_observed(
    state: BenchState, changes: Changes | None, batches: Sequence[Batch], observed: Sequence[Sequence[ev.Event]]
) -> tuple[list[ValueChange], Sequence[ev.Event]]:
    """Have `state` take batches and what the bench's observer has made of each; return what changed, and all events.

    `changes` is made around the state; without one nothing is worked out of what changed.
    """
    found: list[ValueChange] = []
    for batch, events in zip(batches, observed, strict=True):
        if changes is not None:
            found += changes.take(batch, events)
        else:
            state.take(batch, events)
    return found, observed[0] if len(observed) == 1 else [event for events in observed for event in events]


class Changes:
    """Eats batches and gives changes, in order; a value that is first known is one too.

    As channels were last reported, whatever became of their board; or, with `shown`, as they may be shown as current:
    not known while the board is silent, lost or not there, and after it was lost until it has reported them again.
    Silence is not a record, so call `tick` as well. The stamps of a board's changes never decrease.
    """

    def __init__(self, state: BenchState | None = None, *, shown: bool = False) -> None:
        self.state = state or BenchState()
        self.events: Sequence[ev.Event] = []
        """What the last batch meant."""
        self._shown = shown
        # All by the board's number:
        self._last: dict[int, dict[str, int | None]] = {}
        self._heard: set[int] = set()
        self._resets: dict[int, int] = {}
        self._refused_before: dict[int, int] = {}
        self._dark_known: set[int] = set()
        # And, if only what may be shown counts:
        self._live: set[int] = set()
        self._silent_since: dict[int, int] = {}
        self._doubted: dict[int, set[str]] = {}
        """Channels whose value is from before the board was lost."""
        self._look_us = _NEVER_US
        """No live board can have fallen silent before."""

    def begin(self, now_us: int) -> list[ValueChange]:
        """Return how all boards stand at `now_us`, as changes; what comes after follows on that."""
        changes: list[ValueChange] = []
        for board in self.state.boards.values():
            self._see(board, now_us)
            self._board(now_us, board, changes)
        return changes

    def standing(self, now_us: int) -> list[ValueChange]:
        """Return all that is known, as if it had changed just now: for who comes later, or has missed something."""
        return [
            ValueChange(now_us, source, name, value)
            for source, last in self._last.items()
            for name, value in last.items()
            if value is not None
        ]

    def feed(self, batch: Batch) -> list[ValueChange]:
        """Take one batch, which the state has not seen yet."""
        changes = self.tick(batch.at_us)
        self.events = self.state.feed(batch)
        self._look(batch, self.events, changes)
        return changes

    def take(self, batch: Batch, events: Sequence[ev.Event]) -> list[ValueChange]:
        """Take one batch as `feed` does, with what the bench's observer has made of it (see `BenchState.take`)."""
        changes = self.tick(batch.at_us)
        self.events = events
        self.state.take(batch, events)
        self._look(batch, events, changes)
        return changes

    def tick(self, now_us: int) -> list[ValueChange]:
        """Take the time; return what silence alone has changed until then, stamped with when it became silence."""
        changes: list[ValueChange] = []
        if now_us <= self._look_us:
            return changes
        boards = [self.state.boards[source] for source in self._live]
        for board in sorted(boards, key=lambda board: board.silent_from_us):
            if not board.is_silent(now_us):
                break
            self._see(board, now_us)
            self._silent_since[board.source] = board.silent_from_us
            self._board(board.silent_from_us, board, changes)
        self._look_us = min((board.silent_from_us for board in boards if board.source in self._live), default=_NEVER_US)
        return changes

    # --- inside -----------------------------------------------------------------------------------------------------

    def _look(self, batch: Batch, events: Sequence[ev.Event], changes: list[ValueChange]) -> None:
        at_us, source, kind, _ = batch
        if kind == KEYFRAME:
            for gone in [number for number in self._last if number not in self.state.boards] if self._shown else ():
                self._gone(at_us, gone, changes)
            for each in self.state.boards.values():
                if each.known:
                    # A keyframe does not say whether the board has told; one whose inputs were read has, mostly.
                    self._dark_known.add(each.source)
                self._see(each, at_us)
                self._board(at_us, each, changes)
            return
        board = self.state.boards.get(source)
        if board is None:
            if self._shown:
                self._gone(at_us, source, changes)
            return
        look = False
        if self._shown and kind == LINE_UP and source not in self._live:
            self._see(board, at_us)
            look = source in self._live
            at_us = max(at_us, self._silent_since.pop(source, at_us))
        if type(events) is ev.AllMoved:
            self._heard.add(source)
            for clock_us, values in zip(events.clocks, events.values, strict=True):
                self._moved(at_us, board, values, clock_us, changes)
        else:
            for event in events:
                sort = type(event)
                if sort is ev.Moved:
                    self._moved(at_us, board, event.values, event.clock_us, changes)  # type: ignore[union-attr]
                elif sort not in _OF_NO_VALUE:
                    look = self._happened_to(board, event, changes) or look
                if sort is not ev.Asked and sort is not ev.Link:
                    self._heard.add(source)
        if look:
            self._see(board, at_us)
            self._board(at_us, board, changes)

    def _happened_to(self, board: BoardState, event: ev.Event, changes: list[ValueChange]) -> bool:
        """Take an event that may have changed values; return whether all of the board is to be looked at."""
        source = board.source
        if isinstance(event, ev.Answered):
            word = event.words[0]
            if word == "set" and event.request is not None:
                for channel_id, value in settings(event.request.words[1:]):
                    self._told(event.at_us, board, channel_id, value, 0, changes)
                return False
            if word == "read" and source in self._doubted:
                self._doubted[source].difference_update(channel_id for channel_id, _ in settings(event.words[4:]))
            if word in ("dark", "light"):
                self._dark_known.add(source)
            return word != "ping"
        if isinstance(event, ev.Alive | ev.Boot) or (isinstance(event, ev.Told) and event.words[0] == "dark"):
            self._dark_known.add(source)
        if isinstance(event, ev.Boot) and source in self._heard:
            self._resets[source] = self._resets.get(source, 0) + 1
        if isinstance(event, ev.Link) and event.word in ("opened", "lost"):
            self._heard.discard(source)
        return True

    def _moved(
        self, at_us: int, board: BoardState, values: dict[str, int], clock_us: int, changes: list[ValueChange]
    ) -> None:
        for channel_id, value in values.items():
            self._told(at_us, board, channel_id, value, clock_us, changes)

    def _told(
        self, at_us: int, board: BoardState, channel_id: str, value: int, clock_us: int, changes: list[ValueChange]
    ) -> None:
        """The board has told this value of a channel, as on the wire."""
        source = board.source
        if self._shown:
            if source not in self._live:
                return
            if source in self._doubted:
                self._doubted[source].discard(channel_id)
        if value & 0x8000:
            value = board.channel(channel_id).as_signed(value)
        last = self._last.get(source) or self._last.setdefault(source, {})
        if last.get(channel_id) != value:
            last[channel_id] = value
            changes.append(ValueChange(at_us, source, channel_id, value, clock_us))

    def _see(self, board: BoardState, now_us: int) -> None:
        """Note whether what a board's channels say is current."""
        if not self._shown:
            return
        source = board.source
        if board.standing(now_us) == "live":
            self._live.add(source)
            self._look_us = min(self._look_us, board.silent_from_us)
            if board.known:
                self._doubted.pop(source, None)
        else:
            self._live.discard(source)
            if board.link != "linked":
                self._doubted[source] = set(board.channels)

    def _board(self, at_us: int, board: BoardState, changes: list[ValueChange]) -> None:
        """Find what is different in all of a board."""
        source = board.source
        current = not self._shown or source in self._live
        doubted = self._doubted.get(source, ())
        values = [
            (channel.id, channel.signed if current and channel.id not in doubted else None)
            for channel in board.channels.values()
        ]
        refused = board.refused - self._refused_before.setdefault(source, board.refused)
        if board.dark:
            self._dark_known.add(source)
        dark = int(board.dark) if source in self._dark_known else None
        last = self._last.setdefault(source, {})
        for name, value in (*values, (DARK, dark), (RESETS, self._resets.get(source, 0)), (REFUSED, refused)):
            if last.get(name) != value:
                last[name] = value
                changes.append(ValueChange(at_us, source, name, value))

    def _gone(self, at_us: int, source: int, changes: list[ValueChange]) -> None:
        """The number was only lent to a board, or belongs to another one from now on."""
        for name, value in self._last.pop(source, {}).items():
            if value is not None:
                changes.append(ValueChange(at_us, source, name, None))
        self._live.discard(source)
        self._heard.discard(source)
        self._dark_known.discard(source)
        for kept in (self._doubted, self._resets, self._refused_before, self._silent_since):
            kept.pop(source, None)
