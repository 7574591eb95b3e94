"""One window of a capture on the time line, filled column by column as its records are read."""

from __future__ import annotations

from collections.abc import Iterable

from benchcon.state import BenchState
from benchcon.state.changes import OF_BOARDS, Changes, ValueChange
from benchcon.state.quantities import values_in
from benchcon.view.history import UNKNOWN, Key, in_thousandths
from benchcon.wire.records import BENCH, Batch


class Exact:
    """One channel in a window, column by column; values are whole numbers of any size, as in `HistoryTrack`."""

    __slots__ = ("changes", "greatest", "least", "values")

    def __init__(self, count: int) -> None:
        self.values = [UNKNOWN] * count
        self.changes = [0] * count
        self.least = [UNKNOWN] * count
        self.greatest = [UNKNOWN] * count


class WindowReading:
    """Fills one window column by column as its records come."""

    def __init__(self, exact: dict[Key, Exact], state: BenchState, start: int, each: float, count: int) -> None:
        self._exact = exact
        self._start, self._each, self._count = start, each, count
        self.column = 0
        """Number of the current column; those before it are done."""
        self._changes = Changes(state, shown=True)
        self._now: dict[Key, int] = _quantities(state) | _values(self._changes.begin(start - 1))

    def _to(self, at_us: float) -> None:
        """Finish the columns up to `at_us`."""
        here = max(0, min(int((at_us - self._start) / self._each), self._count - 1))
        if here > self.column:
            for key, value in self._now.items():
                _fill(self._exact, key, self.column, here, value, self._count)
            self.column = here

    def take(self, batch: Batch) -> None:
        """Take one batch, in order."""
        self._put(self._changes.feed(batch))
        for event in self._changes.events:
            for name, text in values_in(event):
                self._put_value(event.at_us, (BENCH, name), in_thousandths(text))
        self._to(batch.at_us)

    def _put(self, changes: Iterable[ValueChange]) -> None:
        for at_us, source, channel_id, known, _ in changes:
            if channel_id in OF_BOARDS:
                continue
            self._put_value(at_us, (source, channel_id), UNKNOWN if known is None else known)

    def _put_value(self, at_us: int, key: Key, value: int) -> None:
        self._to(at_us)
        before = self._now.get(key, UNKNOWN)
        self._now[key] = value
        if UNKNOWN not in (before, value) and before != value:  # becoming known, or unknown, is not a change
            _change(self._exact, key, self.column, value, before, self._count)

    def end(self, last_us: int) -> None:
        """Finish the window: no record follows in it, or in the file."""
        self._put(self._changes.tick(last_us))
        for key, value in self._now.items():
            _fill(self._exact, key, self.column, self._count, value, self._count)


def _fill(exact: dict[Key, Exact], key: Key, begin: int, end: int, value: int, count: int) -> None:
    """Fill in that a channel kept its value from column `begin` (which may have changes) up to `end`."""
    track = exact.get(key)
    if track is None:
        track = exact[key] = Exact(count)
    track.values[begin] = value
    if not track.changes[begin]:
        track.least[begin] = track.greatest[begin] = value
    for column in range(begin + 1, end):
        track.values[column] = track.least[column] = track.greatest[column] = value


def _change(exact: dict[Key, Exact], key: Key, column: int, value: int, before: int, count: int) -> None:
    track = exact.get(key)
    if track is None:
        track = exact[key] = Exact(count)
    if not track.changes[column]:
        track.least[column] = min(before, value)
        track.greatest[column] = max(before, value)
    else:
        track.least[column] = min(track.least[column], value)
        track.greatest[column] = max(track.greatest[column], value)
    track.changes[column] += 1
    track.values[column] = value


def values_of(state: BenchState, at_us: int) -> dict[Key, int]:
    """Return every channel's value at the time `at_us`, without boards that are silent or not there then."""
    return _quantities(state) | _values(Changes(state, shown=True).begin(at_us))


def _quantities(state: BenchState) -> dict[Key, int]:
    """Return the values of a rehearsal, in thousandths."""
    return {(BENCH, name): in_thousandths(each.text) for name, each in state.values.items()}


def _values(changes: Iterable[ValueChange]) -> dict[Key, int]:
    return {
        (change.source, change.channel): change.value
        for change in changes
        if change.value is not None and change.channel not in OF_BOARDS
    }
