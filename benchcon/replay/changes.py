"""What changed when: a stream of records as changes of channels, outputs and what happened to whole boards included."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from benchcon.state import BenchState, BoardState
from benchcon.wire import events as ev
from benchcon.wire.notifications import settings
from benchcon.wire.records import Batch

DARK = "(dark)"
"""Stands for a channel: whether the board is dark, 1 or 0."""
RESETS = "(resets)"
"""Stands for a channel: resets of the board, but for the one that opening its port makes with many boards."""
REFUSED = "(refused)"
"""Stands for a channel: requests that the board has refused."""
OF_BOARDS = (DARK, RESETS, REFUSED)


class ValueChange(NamedTuple):
    """One channel has another value than before."""

    at_us: int
    source: int
    channel: str
    """Its id, or one of `OF_BOARDS`."""
    value: int | None
    """As on the wire, encoders as signed counts; None: not known any more."""


class Changes:
    """Eats batches and gives changes, in order; a value that is first known is one too."""

    def __init__(self) -> None:
        self.state = BenchState()
        self.events: list[ev.Event] = []
        """What the last batch meant."""
        self._last: dict[tuple[int, str], int | None] = {}
        self._heard: set[int] = set()
        self._resets: dict[int, int] = {}
        self._refused_before: dict[int, int] = {}
        self._dark_known: set[int] = set()

    def feed(self, batch: Batch) -> list[ValueChange]:
        """Take one batch."""
        self.events = events = self.state.feed(batch)
        changes: list[ValueChange] = []
        look = batch.kind == "="
        for event in events:
            if type(event) is ev.Moved:
                self._moved(event, changes)
            elif type(event) is ev.Answered and event.words[:1] == ("set",) and event.request is not None:
                self._set(event, changes)
            elif type(event) is not ev.Asked:
                look = True
                self._happened_to(event)
        if look:
            for source in self.state.boards if batch.kind == "=" else (batch.source,):
                board = self.state.boards.get(source)
                if board is not None:
                    if batch.kind == "=" and board.known:
                        # A keyframe does not say whether the board has told; one whose inputs were read has, mostly.
                        self._dark_known.add(source)
                    self._whole(batch.at_us, board, changes)
        return changes

    def _happened_to(self, event: ev.Event) -> None:
        source = event.source
        if type(event) in (ev.Alive, ev.Boot) or (
            isinstance(event, ev.Told | ev.Answered) and event.words[0] in ("dark", "light")
        ):
            self._dark_known.add(source)
        if type(event) is ev.Boot and source in self._heard:
            self._resets[source] = self._resets.get(source, 0) + 1
        if type(event) is not ev.Link:
            self._heard.add(source)
        elif event.word in ("opened", "lost"):
            self._heard.discard(source)

    def _moved(self, event: ev.Moved, changes: list[ValueChange]) -> None:
        at_us, source, _, _, values = event
        board = self.state.boards[source]
        for channel_id, value in values.items():
            if value & 0x8000:
                value = board.channel(channel_id).as_signed(value)
            self._stands(at_us, source, channel_id, value, changes)

    def _set(self, event: ev.Answered, changes: list[ValueChange]) -> None:
        assert event.request is not None
        for channel_id, value in settings(event.request.words[1:]):
            self._stands(event.at_us, event.source, channel_id, value, changes)

    def _whole(self, at_us: int, board: BoardState, changes: list[ValueChange]) -> None:
        for channel in board.channels.values():
            self._stands(at_us, board.source, channel.id, channel.signed, changes)
        source = board.source
        refused = board.refused - self._refused_before.setdefault(source, board.refused)
        if board.dark:
            self._dark_known.add(source)
        dark = int(board.dark) if source in self._dark_known else None
        for name, value in ((DARK, dark), (RESETS, self._resets.get(source, 0)), (REFUSED, refused)):
            self._stands(at_us, source, name, value, changes)

    def _stands(self, at_us: int, source: int, channel: str, value: int | None, changes: list[ValueChange]) -> None:
        key = (source, channel)
        if self._last.get(key) != value:
            self._last[key] = value
            changes.append(ValueChange(at_us, source, channel, value))


def changes_of(batches: Iterable[Batch]) -> Iterable[ValueChange]:
    """Yield the changes of a whole stream."""
    changes = Changes()
    for batch in batches:
        yield from changes.feed(batch)
