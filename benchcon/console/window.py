"""One window of a capture on the time line, filled column by column as its records are read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from benchcon.console.history import UNKNOWN, Key, read_values
from benchcon.console.quiet import HEARD, Quiet
from benchcon.state import BenchState
from benchcon.wire import events as ev
from benchcon.wire.records import KEYFRAME, Batch


class Exact:
    """One channel in a window, column by column; values are whole numbers of any size, as in `Track`."""

    __slots__ = ("changes", "greatest", "least", "values")

    def __init__(self, count: int) -> None:
        self.values = [UNKNOWN] * count
        self.changes = [0] * count
        self.least = [UNKNOWN] * count
        self.greatest = [UNKNOWN] * count


class WindowReading:
    """One window, filled column by column as its records come."""

    def __init__(self, exact: dict[Key, Exact], state: BenchState, start: int, each: float, count: int) -> None:
        self._exact, self._state = exact, state
        self._start, self._each, self._count = start, each, count
        self.column = 0
        """Columns before this one are done."""
        self._now: dict[Key, int] = dict(values_of(state, start - 1))
        self._quiet = Quiet()
        self._quiet.learn(state)
        self._quiet.fallen(start - 1)
        self._before: dict[int, dict[Key, int]] = {
            source: {key: value for key, value in values_of(state) if key[0] == source} for source in self._quiet.silent
        }

    def _to(self, at_us: float) -> None:
        """All that is known until then is drawn."""
        here = max(0, min(int((at_us - self._start) / self._each), self._count - 1))
        if here > self.column:
            for key, value in self._now.items():
                _fill(self._exact, key, self.column, here, value, self._count)
            self.column = here

    def _silence(self, until_us: int) -> None:
        for at_us, source in self._quiet.fallen(until_us):
            self._to(at_us)
            self._before[source] = {key: value for key, value in self._now.items() if key[0] == source}
            self._unknown(source)

    def _unknown(self, source: int) -> None:
        self._now.update({key: UNKNOWN for key in self._now if key[0] == source})

    def take(self, batch: Batch) -> None:
        """One batch, in order."""
        self._silence(batch.at_us)
        self._to(batch.at_us)
        happened = self._state.feed(batch)
        if batch.kind == KEYFRAME:
            self._quiet.learn(self._state)
            self._put(values_of(self._state, batch.at_us))
        for event in happened:
            if type(event) in HEARD:
                if self._quiet.back(event[1], event[0]):
                    self._put(self._before.pop(event[1], {}).items())
                self._put(_changes_of(self._state, event))
                if isinstance(event, ev.Answered):
                    self._quiet.learn(self._state)
            elif self._quiet.lost(event):
                self._before.pop(event[1], None)
                self._unknown(event[1])

    def _put(self, values: Iterable[tuple[Key, int]]) -> None:
        now = self._now
        for key, value in values:
            before = now.get(key, UNKNOWN)
            if before != value:
                now[key] = value
                if before != UNKNOWN and value != UNKNOWN:  # becoming known, or not known, is no change
                    _change(self._exact, key, self.column, value, before, self._count)

    def end(self, last_us: int) -> None:
        """No record comes any more in this window, or in this file."""
        self._silence(last_us)
        for key, value in self._now.items():
            _fill(self._exact, key, self.column, self._count, value, self._count)


def _fill(exact: dict[Key, Exact], key: Key, begin: int, end: int, value: int, count: int) -> None:
    """A channel kept its value from column `begin` (which may hold changes) up to `end`."""
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


def values_of(state: BenchState, at_us: int | None = None) -> Iterator[tuple[Key, int]]:
    """Where every channel stands; with a time, `UNKNOWN` for boards that are silent or not there then."""
    for board in state.boards.values():
        live = at_us is None or board.standing(at_us) == "live"
        for channel in board.channels.values():
            value = channel.signed
            yield (board.source, channel.id), value if live and value is not None else UNKNOWN


def _changes_of(state: BenchState, event: ev.Event) -> Iterator[tuple[Key, int]]:
    """The channels that an event may have changed, with their values afterwards."""
    board = state.boards.get(event[1])
    if board is None:
        return
    if isinstance(event, ev.Moved):
        for channel_id, value in event.values.items():
            yield (event.source, channel_id), board.channels[channel_id].as_signed(value)
    elif isinstance(event, ev.Answered) and event.words[:1] == ("read",):
        for key, value in read_values(event):
            if key[1] in board.channels:
                yield key, board.channels[key[1]].as_signed(value)
    elif _may_move(event):
        yield from ((key, value) for key, value in values_of(state) if key[0] == event[1])


def _may_move(event: ev.Event) -> bool:
    """Whether an event other than of inputs may have changed what channels stand at."""
    if isinstance(event, ev.Answered):
        return event.words[:1] in (("set",), ("dark",))
    if isinstance(event, ev.Told):
        return event.words[:1] == ("dark",)
    return isinstance(event, ev.Boot) or (isinstance(event, ev.Alive) and event.dark)
