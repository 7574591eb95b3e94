"""What changed, and when: turns a stream of records, and the time, into changes of channels and boards.

Whatever draws, judges or exports what channels did is made of these. Whoever needs them makes a `Changes` around the
state; otherwise none are worked out.
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
"""In place of a channel id: whether the board is dark, 1 or 0."""
RESETS = "(resets)"
"""In place of a channel id: how often the board was reset, without the reset that opening its port may cause."""
REFUSED = "(refused)"
"""In place of a channel id: how many requests the board has refused."""
OF_BOARDS = (DARK, RESETS, REFUSED)
"""What is said about a whole board, in place of a channel id."""

_NEVER_US = 1 << 70
_OF_NO_VALUE = frozenset({ev.Asked, ev.Edge, ev.Reading, ev.Note, ev.Odd, ev.Gap})
"""Events that change no value."""


class ValueChange(NamedTuple):
    """The new value of one channel, different from the one before."""

    at_us: int
    """Host stamp."""
    source: int
    """The board's number."""
    channel: str
    """Its id, or one of `OF_BOARDS`."""
    value: int | None
    """As on the wire, but encoders as signed counts; None: not known any more."""
    clock_us: int = 0
    """Board clock of the change, unwrapped, in µs, if the board reported it by itself; else 0."""


def take_observed(
    state: BenchState, changes: Changes | None, batches: Sequence[Batch], observed: Sequence[Sequence[ev.Event]]
) -> tuple[list[ValueChange], Sequence[ev.Event]]:
    """Give `state` batches and the events that the bench's observer made of each; return changes and all events.

    `changes` must have been made around `state`; if it is None, no changes are worked out.
    """
    found: list[ValueChange] = []
    for batch, events in zip(batches, observed, strict=True):
        if changes is not None:
            found += changes.take(batch, events)
        else:
            state.take(batch, events)
    return found, observed[0] if len(observed) == 1 else [event for events in observed for event in events]


class Changes:
    """Turns batches into changes, in order. The first value that becomes known is a change too.

    A channel keeps its last reported value, whatever happens to its board. With `shown`, it has the value that may be
    shown as current: not known (None) while the board is silent, lost or not linked, and after it was lost until the
    board has reported that channel again. Silence is not a record, so call `tick` as well. The stamps of a board's
    changes never decrease.
    """

    def __init__(self, state: BenchState | None = None, *, shown: bool = False) -> None:
        self.state = state or BenchState()
        self.events: Sequence[ev.Event] = []
        """The events of the last batch."""
        self._shown = shown
        # All of these by the board's number:
        self._last: dict[int, dict[str, int | None]] = {}
        self._heard: set[int] = set()
        self._resets: dict[int, int] = {}
        self._refused_before: dict[int, int] = {}
        self._dark_known: set[int] = set()
        # These are used only with `shown`:
        self._live: set[int] = set()
        self._silent_since: dict[int, int] = {}
        self._doubted: dict[int, set[str]] = {}
        """Channels whose value dates from before the board was lost."""
        self._look_us = _NEVER_US
        """Until then no live board can fall silent."""

    def begin(self, now_us: int) -> list[ValueChange]:
        """Return the values of all boards at `now_us` as changes; call it first if the state is not new."""
        changes: list[ValueChange] = []
        for board in self.state.boards.values():
            self._see(board, now_us)
            self._board(now_us, board, changes)
        return changes

    def known_values(self, now_us: int) -> list[ValueChange]:
        """Return every known value as a change at `now_us`, for a listener that comes later or missed something."""
        return [
            ValueChange(now_us, source, name, value)
            for source, last in self._last.items()
            for name, value in last.items()
            if value is not None
        ]

    def feed(self, batch: Batch) -> list[ValueChange]:
        """Feed one batch to the state, and return what it changed."""
        changes = self.tick(batch.at_us)
        self.events = self.state.feed(batch)
        self._look(batch, self.events, changes)
        return changes

    def take(self, batch: Batch, events: Sequence[ev.Event]) -> list[ValueChange]:
        """Take one batch as `feed` does, with the events that the bench's observer made (see `BenchState.take`)."""
        changes = self.tick(batch.at_us)
        self.events = events
        self.state.take(batch, events)
        self._look(batch, events, changes)
        return changes

    def tick(self, now_us: int) -> list[ValueChange]:
        """Return what silence alone has changed up to `now_us`, stamped with when each board became silent."""
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
                    # A keyframe does not say whether the board said that it is dark or not; one whose inputs were read
                    # nearly always has.
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
        """Take an event that may have changed values; return whether the whole board has to be compared."""
        source = board.source
        if isinstance(event, ev.Answered):
            word = event.words[0]
            if word == "set" and event.request is not None:
                for channel_id, value in settings(event.request.words[1:]):
                    self._reported(event.at_us, board, channel_id, value, 0, changes)
                return False
            if word == "read" and source in self._doubted:
                self._doubted[source].difference_update(channel_id for channel_id, _ in settings(event.words[4:]))
            if word in ("dark", "light"):
                self._dark_known.add(source)
            return word != "ping"
        if isinstance(event, ev.Alive | ev.Boot) or (isinstance(event, ev.Notification) and event.words[0] == "dark"):
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
            self._reported(at_us, board, channel_id, value, clock_us, changes)

    def _reported(
        self, at_us: int, board: BoardState, channel_id: str, value: int, clock_us: int, changes: list[ValueChange]
    ) -> None:
        """Take a value that the board has reported for a channel, as on the wire."""
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
        """Note whether the values of a board's channels are current."""
        if not self._shown:
            return
        source = board.source
        if board.liveness(now_us) == "live":
            self._live.add(source)
            self._look_us = min(self._look_us, board.silent_from_us)
            if board.known:
                self._doubted.pop(source, None)
        else:
            self._live.discard(source)
            if board.link != "linked":
                self._doubted[source] = set(board.channels)

    def _board(self, at_us: int, board: BoardState, changes: list[ValueChange]) -> None:
        """Compare all values of a board with the last ones, and add what has changed."""
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
        """Forget a board whose number was only lent to it, or belongs to another one from now on."""
        for name, value in self._last.pop(source, {}).items():
            if value is not None:
                changes.append(ValueChange(at_us, source, name, None))
        self._live.discard(source)
        self._heard.discard(source)
        self._dark_known.discard(source)
        for kept in (self._doubted, self._resets, self._refused_before, self._silent_since):
            kept.pop(source, None)
