"""What every channel did, for the time line: changes with their times, bounded, the oldest dropped first.

Times are the host's stamps, which live and recorded benches share.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from typing import NamedTuple, Protocol

from benchcon.console.quiet import HEARD, Quiet
from benchcon.console.transport import marks_of
from benchcon.state import BenchState
from benchcon.text import printable
from benchcon.wire import events as ev
from benchcon.wire.notifications import settings

MOST_CHANGES = 8_000
"""Changes kept of one channel; at twice as many the older half goes."""
MOST_MARKS = 2_000
UNKNOWN = -(1 << 70)
"""Stands for a value that is not known (before the first reading, after a reset); less than any value, those of a
stranger's keyframe among them (64 bits and a sign, see `benchcon.state.given`)."""

Key = tuple[int, str]
"""Source and channel id."""


class Stretch(NamedTuple):
    """What a channel did in one stretch of time."""

    value: int
    """At its end; `UNKNOWN` if not known."""
    changes: int
    least: int
    greatest: int


class Past(Protocol):
    """Where the time line has its picture from: what is remembered of a live bench, or a capture."""

    @property
    def marks(self) -> list[tuple[int, str]]:
        """Time and words of marks and triggers."""

    @property
    def first_us(self) -> int | None:
        """Where it begins; None if there is nothing yet."""

    def row(self, key: Key, start_us: int, each_us: float, count: int) -> list[Stretch] | None:
        """`count` stretches of `each_us` of one channel; None if nothing is known of it."""

    def reach(self, key: Key) -> tuple[int, int]:
        """Least and greatest value of a channel."""

    def value_at(self, key: Key, at_us: int) -> int:
        """A channel's value at a time, or `UNKNOWN`."""

    def change_near(self, key: Key, at_us: int, by: int) -> int | None:
        """Time of the next change after (`by` > 0) or before a time; None if there is none."""


class HistoryTrack:
    """One channel's changes, in order of time."""

    __slots__ = ("_counts", "greatest", "least", "times", "values")

    def __init__(self) -> None:
        self.times = array("q")
        self.values: list[int] = []
        """Whole numbers of any size: a display of eight digits fills all of 64 bits."""
        self._counts = array("q")
        """Up to each entry: changes from one known value to another. Becoming known, or not known, is none."""
        self.least = 0
        self.greatest = 0

    def add(self, at_us: int, value: int) -> None:
        """Take a change; one that is none, or that goes back in time, is passed over."""
        if self.values and (self.values[-1] == value or at_us < self.times[-1]):
            return
        if len(self.times) >= 2 * MOST_CHANGES:
            del self.times[:MOST_CHANGES], self.values[:MOST_CHANGES], self._counts[:MOST_CHANGES]
        counts = self._counts
        real = bool(self.values) and self.values[-1] != UNKNOWN and value != UNKNOWN
        counts.append((counts[-1] if counts else 0) + real)
        self.times.append(at_us)
        self.values.append(value)
        if value != UNKNOWN:
            self.least, self.greatest = min(self.least, value), max(self.greatest, value)

    def value_at(self, at_us: int) -> int:
        """The value at a time; `UNKNOWN` before the first that is known."""
        index = bisect_right(self.times, at_us) - 1
        return self.values[index] if index >= 0 else UNKNOWN

    def change_near(self, at_us: int, by: int) -> int | None:
        """Time of the next change after (`by` > 0) or before a time; None if there is none."""
        if by > 0:
            index = bisect_right(self.times, at_us)
            return self.times[index] if index < len(self.times) else None
        index = bisect_left(self.times, at_us) - 1
        return self.times[index] if index >= 0 else None

    def stretches(self, start_us: int, each_us: float, count: int) -> list[Stretch]:
        """`count` stretches of `each_us` from `start_us` on."""
        found = []
        times, values, counts = self.times, self.values, self._counts
        index = bisect_left(times, start_us)
        value = values[index - 1] if index else UNKNOWN
        size = len(times)
        for number in range(1, count + 1):
            end = start_us + number * each_us
            least = greatest = value
            changes = 0
            if index < size and times[index] < end:
                after = bisect_left(times, end, index)
                # Where the oldest have been dropped the counts do not begin at zero.
                before = counts[index - 1] if index else counts[0]
                changes = counts[after - 1] - before
                several = values[index:after] if after - index < 64 else (values[index], values[after - 1])
                known = [each for each in (value, *several) if each != UNKNOWN] if changes else []
                value = values[after - 1]
                least, greatest = (min(known), max(known)) if known else (value, value)
                index = after
            found.append(Stretch(value, changes, least, greatest))
        return found


class History:
    """The tracks of a bench, and its marks and triggers."""

    def __init__(self) -> None:
        self.tracks: dict[Key, HistoryTrack] = {}
        self.notes: list[tuple[int, str]] = []
        """Time and text of marks, triggers and words, as they came."""
        self.first_us: int | None = None
        self.last_us = 0
        self._outputs: dict[int, list[str]] = {}
        self._quiet = Quiet()
        self._before: dict[int, dict[Key, int]] = {}
        """By source of a silent board: where its channels stood."""

    @property
    def marks(self) -> list[tuple[int, str]]:
        """Marks and triggers, each with its words."""
        return marks_of(self.notes)

    def row(self, key: Key, start_us: int, each_us: float, count: int) -> list[Stretch] | None:
        """See `Past`."""
        track = self.tracks.get(key)
        return track.stretches(start_us, each_us, count) if track is not None else None

    def reach(self, key: Key) -> tuple[int, int]:
        """See `Past`."""
        track = self.tracks.get(key)
        return (track.least, track.greatest) if track is not None else (0, 0)

    def value_at(self, key: Key, at_us: int) -> int:
        """See `Past`."""
        track = self.tracks.get(key)
        return track.value_at(at_us) if track is not None else UNKNOWN

    def change_near(self, key: Key, at_us: int, by: int) -> int | None:
        """See `Past`."""
        track = self.tracks.get(key)
        return track.change_near(at_us, by) if track is not None else None

    def track(self, key: Key) -> HistoryTrack:
        """Return a channel's track, made if it is new."""
        found = self.tracks.get(key)
        if found is None:
            found = self.tracks[key] = HistoryTrack()
        return found

    def stand(self, state: BenchState, now_us: int) -> None:
        """Take what stands now, for all that events do not tell: a first reading, a board that has fallen silent."""
        self._quiet.learn(state)
        for at_us, source in self._quiet.fallen(now_us):
            self._silence(source, at_us)
        for board in state.boards.values():
            self._outputs[board.source] = [each.id for each in board.channels.values() if each.is_output]
            if board.standing(now_us) != "live" or not board.known:
                continue
            for channel in board.channels.values():
                if channel.value is None:
                    continue
                value = channel.as_signed(channel.value)
                track = self.track((board.source, channel.id))
                if not track.values or track.values[-1] != value:
                    self._add(
                        (board.source, channel.id), max(channel.at_us, track.times[-1] if track.times else 0), value
                    )

    def _of(self, source: int) -> list[Key]:
        return [key for key in self.tracks if key[0] == source]

    def _silence(self, source: int, at_us: int) -> None:
        """From here on nothing of a board is known, until it is heard again."""
        self._before[source] = {key: self.tracks[key].values[-1] for key in self._of(source) if self.tracks[key].values}
        self._unknown(self._of(source), at_us)

    def _unknown(self, keys: Iterable[Key], at_us: int) -> None:
        for key in keys:
            if self.tracks[key].values:
                self._add(key, at_us, UNKNOWN)

    def _heard(self, source: int, at_us: int) -> None:
        """A heartbeat: what a silent board stood at before stands again."""
        for since_us, who in self._quiet.fallen(at_us):
            self._silence(who, since_us)
        if self._quiet.back(source, at_us):
            for key, value in self._before.pop(source, {}).items():
                self._add(key, at_us, value)

    def _add(self, key: Key, at_us: int, value: int) -> None:
        self.track(key).add(at_us, value)
        if self.first_us is None or at_us < self.first_us:
            self.first_us = at_us
        self.last_us = max(self.last_us, at_us)

    def take(self, events: Iterable[ev.Event], encoders: frozenset[Key] = frozenset()) -> None:
        """Take events, in order."""
        heard: tuple[int, int] | None = None
        for event in events:
            sort = type(event)
            if sort in HEARD and event[:2] != heard:
                heard = event[:2]
                self._heard(event[1], event[0])
            if sort is ev.Moved:
                at_us, source, _, _, values = event  # type: ignore[misc]
                for channel_id, value in values.items():  # type: ignore[union-attr]
                    self._add((source, channel_id), at_us, _signed((source, channel_id), value, encoders))
            elif isinstance(event, ev.Answered):
                self._answered(event, encoders)
            elif isinstance(event, ev.Boot):
                outputs = self._outputs.get(event.source, ())
                self._unknown([key for key in self._of(event.source) if key[1] not in outputs], event.at_us)
                self._dark(event.source, event.at_us)
            elif isinstance(event, ev.Told) and event.words[:1] == ("dark",):
                self._dark(event.source, event.at_us)
            elif self._quiet.lost(event):
                self._before.pop(event[1], None)
                self._unknown(self._of(event[1]), event[0])
            elif isinstance(event, ev.Note):
                self.notes.append((event.at_us, printable(f"{event.kind} {event.text}")))
                del self.notes[:-MOST_MARKS]

    def _answered(self, event: ev.Answered, encoders: frozenset[Key]) -> None:
        if event.words[:1] == ("dark",):
            self._dark(event.source, event.at_us)
        elif event.words[:1] == ("read",):
            for key, value in read_values(event):
                self._add(key, event.at_us, _signed(key, value, encoders))
        elif event.words[:1] == ("set",) and event.request is not None:
            for channel_id, value in settings(event.request.words[1:]):
                self._add((event.source, channel_id), event.at_us, value)

    def _dark(self, source: int, at_us: int) -> None:
        for channel_id in self._outputs.get(source, ()):
            self._add((source, channel_id), at_us, 0)


def read_values(event: ev.Answered) -> Iterable[tuple[Key, int]]:
    """The channels that one answer to `read` tells, and their values as on the wire."""
    for channel_id, value in settings(event.words[4:]):
        yield (event.source, channel_id), value


def _signed(key: Key, value: int, encoders: frozenset[Key]) -> int:
    return value - 0x10000 if key in encoders and value & 0x8000 else value
