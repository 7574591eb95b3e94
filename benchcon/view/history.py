"""The changes of every channel with their times, for the time line; bounded, with the oldest dropped first.

Times are the host's stamps in µs, for live benches and captures alike.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from typing import NamedTuple, Protocol

from benchcon.state.changes import OF_BOARDS, ValueChange
from benchcon.state.quantities import MOST_QUANTITIES, Quantity, number_and_unit, values_in
from benchcon.text import printable
from benchcon.view.moments import marks_of
from benchcon.wire import events as ev
from benchcon.wire.records import BENCH

MOST_CHANGES = 8_000
"""Changes kept of one channel; when there are twice as many, the older half is dropped."""
MOST_MARKS = 2_000
UNKNOWN = -(1 << 70)
"""Stands for a value that is not known (before the first reading, after a reset). It is less than any value, even of a
foreign keyframe (64 bits and a sign, see `benchcon.state.given`)."""

Key = tuple[int, str]
"""Source and channel id."""


THOUSANDTHS = 1000
"""Values of a rehearsal are kept in thousandths of their unit, because tracks hold whole numbers."""


def in_thousandths(text: str) -> int:
    """Return the written value `text` (``18.4 kt``) in thousandths of its unit; `UNKNOWN` if there is none."""
    number, _ = number_and_unit(text)
    return UNKNOWN if number is None or abs(number) > 1e15 else round(number * THOUSANDTHS)


class Stretch(NamedTuple):
    """What a channel did in one stretch of time, such as a column of the time line."""

    value: int
    """Value at its end, or `UNKNOWN`."""
    changes: int
    least: int
    greatest: int


class Past(Protocol):
    """What the time line draws from: the history of a live bench, or a capture."""

    @property
    def marks(self) -> list[tuple[int, str]]:
        """Return time and text of marks and triggers."""

    @property
    def first_us(self) -> int | None:
        """Return the time at which it begins; None if there is nothing yet."""

    def row(self, key: Key, start_us: int, each_us: float, count: int) -> list[Stretch] | None:
        """Return `count` stretches of `each_us` of one channel, from `start_us` on; None if nothing is known of it."""

    def reach(self, key: Key) -> tuple[int, int]:
        """Return the least and the greatest value of a channel."""

    def value_at(self, key: Key, at_us: int) -> int:
        """Return a channel's value at the time `at_us`, or `UNKNOWN`."""

    def change_near(self, key: Key, at_us: int, by: int) -> int | None:
        """Time of the next change after (`by` > 0) or before a time; None if there is none."""

    def quantities(self) -> dict[str, str]:
        """Return the units of a rehearsal's values by name; their keys are `BENCH` and the name."""


class HistoryTrack:
    """The changes of one channel, in order of time."""

    __slots__ = ("_counts", "_from_zero", "greatest", "least", "times", "values")

    def __init__(self, from_zero: bool = True) -> None:
        """Begin an empty track; with `from_zero`, zero is always within its reach."""
        self._from_zero = from_zero
        self.times = array("q")
        self.values: list[int] = []
        """Whole numbers of any size, as a display of eight digits fills 64 bits."""
        self._counts = array("q")
        """For each entry the number of changes so far from one known value to another."""
        self.least = 0
        self.greatest = 0

    def add(self, at_us: int, value: int) -> None:
        """Add a change, unless it changes nothing.

        A change stamped earlier than the last one counts from the time of that one: what is known at the start is
        stamped with the present, and a record that was read before may still be on its way.
        """
        if self.values:
            if self.values[-1] == value:
                return
            at_us = max(at_us, self.times[-1])
        if len(self.times) >= 2 * MOST_CHANGES:
            del self.times[:MOST_CHANGES], self.values[:MOST_CHANGES], self._counts[:MOST_CHANGES]
        counts = self._counts
        real = bool(self.values) and self.values[-1] != UNKNOWN and value != UNKNOWN
        counts.append((counts[-1] if counts else 0) + real)
        self.times.append(at_us)
        self.values.append(value)
        if value != UNKNOWN:
            if not self._from_zero:
                self._from_zero, self.least, self.greatest = True, value, value
            self.least, self.greatest = min(self.least, value), max(self.greatest, value)

    def value_at(self, at_us: int) -> int:
        """Return the value at the time `at_us`; `UNKNOWN` before the first known one."""
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
        """Return `count` stretches of `each_us` from `start_us` on."""
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
                # After the oldest were dropped, the counts do not begin at zero.
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
        self._units: dict[str, str] = {}
        self.notes: list[tuple[int, str]] = []
        """Time and text of marks, triggers and words, in order."""
        self.first_us: int | None = None
        self.last_us = 0

    @property
    def marks(self) -> list[tuple[int, str]]:
        """Return marks and triggers, each with its text."""
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

    def quantities(self) -> dict[str, str]:
        """See `Past`."""
        return self._units

    def track(self, key: Key) -> HistoryTrack:
        """Return a channel's track, a new one if it has none."""
        found = self.tracks.get(key)
        if found is None:
            found = self.tracks[key] = HistoryTrack(from_zero=key[0] != BENCH)
        return found

    def take(self, changes: Iterable[ValueChange]) -> None:
        """Take changes, in order."""
        for at_us, source, channel_id, value, _ in changes:
            if channel_id in OF_BOARDS:
                continue
            self.track((source, channel_id)).add(at_us, UNKNOWN if value is None else value)
            if self.first_us is None or at_us < self.first_us:
                self.first_us = at_us
            self.last_us = max(self.last_us, at_us)

    def begin(self, values: Mapping[str, Quantity]) -> None:
        """Take the values of a rehearsal that were known before the history began."""
        for name, each in values.items():
            self._take_value(each.at_us, name, each.text)

    def _take_value(self, at_us: int, name: str, text: str) -> None:
        if name in self._units or len(self._units) < MOST_QUANTITIES:
            self._units[name] = number_and_unit(text)[1] or self._units.get(name, "")
            self.track((BENCH, name)).add(at_us, in_thousandths(text))

    def note(self, events: Iterable[ev.Event]) -> None:
        """Take the notes in `events`, and the values of a rehearsal."""
        events = list(events)
        for event in events:
            for name, text in values_in(event):
                self._take_value(event.at_us, name, text)
        found = [event for event in events if isinstance(event, ev.Note)]
        if found:
            self.notes += [(event.at_us, printable(f"{event.kind} {event.text}")) for event in found]
            del self.notes[:-MOST_MARKS]
