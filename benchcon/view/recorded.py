"""The past of a capture, for the time line: first a rough picture from its keyframes, then exact in the shown window.

A capture may hold ten million records, so it is never read into memory. A thread reads the keyframes first, each of
which gives every channel's value and number of changes, and then the shown window record by record, column by column. A
foreign capture without keyframes simply fills in as it is read.
"""

from __future__ import annotations

import threading
from array import array
from bisect import bisect_right
from math import ceil
from pathlib import Path
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.state import BenchState, ChannelState
from benchcon.state.board import find_channel
from benchcon.state.quantities import Quantity
from benchcon.state_reader import StateReader
from benchcon.text import printable
from benchcon.view.history import UNKNOWN, Key, Stretch
from benchcon.view.moments import marks_of
from benchcon.view.window import Exact, WindowReading, values_of
from benchcon.wire.records import BENCH, KEYFRAME, Batch

FIRST_PICTURE = 128
"""Number of evenly spread keyframes for the first picture."""
MOST_LOOKED_THROUGH = 2_000_000
"""Most records searched for the next change."""


class Window(NamedTuple):
    """The stretch of time on the screen, and its columns."""

    start_us: int
    each_us: float
    columns: int


class _Coarse:
    """The values of one channel at the keyframes."""

    __slots__ = ("changes", "greatest", "least", "values")

    def __init__(self) -> None:
        self.values: list[int] = []
        self.changes: list[int] = []
        self.least = 0
        self.greatest = 0


class Recorded:
    """The past of a capture (see `benchcon.view.history.Past`). It must be closed."""

    def __init__(self, path: Path, first_us: int, last_us: int) -> None:
        self._path = path
        self.first_us: int | None = first_us
        self._last_us = last_us
        self.marks: list[tuple[int, str]] = []
        self._times = array("q")
        """Times of the keyframes of the first picture (µs)."""
        self._coarse: dict[Key, _Coarse] = {}
        self._wanted: Window | None = None
        self._window: Window | None = None
        self._exact: dict[Key, Exact] = {}
        self._units: dict[str, str] = {}
        self._columns_done = 0
        self._values: tuple[int, dict[Key, int]] = (-1, {})
        self._values_wanted = -1
        self._wake = threading.Condition()
        self._over = False
        self.trouble = ""
        self._thread = threading.Thread(target=self._run, name="time line", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the thread."""
        with self._wake:
            self._over = True
            self._wake.notify()

    # --- what the time line asks ----------------------------------------------------------------------------------

    def row(self, key: Key, start_us: int, each_us: float, count: int) -> list[Stretch] | None:
        """See `Past`. The row is exact as far as it has been read; the rest is from keyframes."""
        wanted = Window(start_us, each_us, count)
        if wanted != self._wanted:
            with self._wake:
                self._wanted = wanted
                self._wake.notify()
        exact = self._exact.get(key) if wanted == self._window else None
        done = self._columns_done if exact is not None else 0
        coarse = self._coarse.get(key)
        if exact is None and coarse is None:
            return None
        found = []
        for column in range(count):
            if exact is not None and column < done:
                found.append(
                    Stretch(exact.values[column], exact.changes[column], exact.least[column], exact.greatest[column])
                )
            else:
                found.append(self._guess(coarse, start_us + column * each_us, each_us))
        return found

    def _guess(self, coarse: _Coarse | None, begin: float, each_us: float) -> Stretch:
        """Return a stretch estimated from keyframes: the value at its end, and its share of the changes between two."""
        at = bisect_right(self._times, begin + each_us) - 1
        if coarse is None or at < 0 or at >= len(coarse.values):
            return Stretch(UNKNOWN, 0, UNKNOWN, UNKNOWN)
        value = coarse.values[at]
        before = max(bisect_right(self._times, begin) - 1, 0)
        after = min(at + 1, len(coarse.values) - 1)
        changes = max(coarse.changes[after] - coarse.changes[before], 0)
        span = max(self._times[after] - self._times[before], 1)
        if span > each_us:
            changes = round(changes * each_us / span)
        return Stretch(value, changes, value, value)

    def reach(self, key: Key) -> tuple[int, int]:
        """See `Past`."""
        coarse, exact = self._coarse.get(key), self._exact.get(key)
        if key[0] == BENCH:  # the values of a rehearsal, such as a pressure, need not be near zero
            known = [
                *(coarse.values if coarse else ()),
                *(exact.least if exact else ()),
                *(exact.greatest if exact else ()),
            ]
            known = [each for each in known if each != UNKNOWN]
            return (min(known), max(known)) if known else (0, 0)
        least, greatest = (coarse.least, coarse.greatest) if coarse is not None else (0, 0)
        if exact is not None and len(exact.greatest):
            greatest = max(greatest, *exact.greatest)  # UNKNOWN is less than any value
            least = min([least, *(each for each in exact.least if each != UNKNOWN)])
        return least, greatest

    def value_at(self, key: Key, at_us: int) -> int:
        """See `Past`. Until the value at this time has been read, the one at another time is returned."""
        if at_us != self._values_wanted:
            with self._wake:
                self._values_wanted = at_us
                self._wake.notify()
        return self._values[1].get(key, UNKNOWN)

    def change_near(self, key: Key, at_us: int, by: int) -> int | None:
        """See `Past`. It reads the file, so call it on another thread."""
        try:
            with StateReader(self._path) as reader:
                if by < 0:
                    found = _entry(reader.state_at(at_us - 1), key)
                    return found.at_us if found is not None and found.changes else None
                state = reader.state_at(at_us)
                before = _value(_entry(state, key))
                for number, batch in enumerate(reader):
                    state.feed(batch)
                    found = _entry(state, key)
                    if found is not None and _value(found) != before:
                        return batch.at_us
                    if number > MOST_LOOKED_THROUGH or self._over:
                        return None
        except Trouble as trouble:
            self.trouble = str(trouble)
        return None

    def quantities(self) -> dict[str, str]:
        """See `Past`."""
        return self._units

    # --- the thread -----------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            with StateReader(self._path) as reader:
                self._read_keyframes(reader)
                values = reader.state_at(self._last_us).values
                self._units = {name: each.unit for name, each in values.items()}
                self.marks = marks_of((mark.at_us, printable(mark.body)) for mark in reader.notes())
                while not self._over:
                    self._serve(reader)
        except Trouble as trouble:
            self.trouble = str(trouble)

    def _serve(self, reader: StateReader) -> None:
        with self._wake:
            while not self._over and self._window == self._wanted and self._values[0] == self._values_wanted:
                self._wake.wait()
            window, values_at = self._wanted, self._values_wanted
        if self._over:
            return
        if values_at != self._values[0]:
            state = reader.state_at(values_at)
            self._values = values_at, values_of(state, values_at)
        if window is not None and window != self._window:
            self._read_window(reader, window)

    def _read_keyframes(self, reader: StateReader) -> None:
        """Read the first picture: from evenly spread keyframes, every channel's value and number of changes."""
        apart = max((self._last_us - (self.first_us or 0)) // FIRST_PICTURE, 1)
        found: list[tuple[int, dict[Key, tuple[int, int]]]] = []
        for at_us, body in reader.keyframes(apart_us=apart):
            if self._over:
                return
            if not found or found[-1][0] - at_us >= apart:
                values = _values_in_keyframe(body, at_us)
                if values is not None:
                    found.append((at_us, values))
        found.reverse()
        coarse: dict[Key, _Coarse] = {}
        for number, (_, values) in enumerate(found):
            for key, (value, changes) in values.items():
                track = coarse.setdefault(key, _Coarse())
                while len(track.values) < number:
                    track.values.append(UNKNOWN)
                    track.changes.append(0)
                track.values.append(value)
                track.changes.append(changes)
                if value != UNKNOWN:
                    track.least, track.greatest = min(track.least, value), max(track.greatest, value)
        self._times = array("q", [at_us for at_us, _ in found])
        self._coarse = coarse

    def _read_window(self, reader: StateReader, window: Window) -> None:
        """Read every record in the window, until another window is wanted."""
        self._columns_done = 0
        self._exact = {}
        self._window = window
        start, each, count = window
        state = reader.state_at(start - 1) if start > 0 else BenchState()
        if start <= 0:
            reader.rewind()
        reading = WindowReading(self._exact, state, start, each, count)
        last_us = ceil(start + each * count) - 1
        for batch in reader.until(last_us):
            if self._over or self._wanted != window or self._values_wanted != self._values[0]:
                if self._wanted == window and not self._over:
                    self._window = None  # read for the cursor first, then this window again
                return
            reading.take(batch)
            self._columns_done = reading.column
        reading.end(min(last_us, self._last_us))
        self._columns_done = count


def _entry(state: BenchState, key: Key) -> ChannelState | Quantity | None:
    """Return what the state has of a channel, or of a rehearsal's value."""
    source, name = key
    if source == BENCH:
        return state.values.get(name)
    return find_channel(state.boards, source, name)


def _value(entry: ChannelState | Quantity | None) -> int | str | None:
    return entry.text if isinstance(entry, Quantity) else entry.value if entry is not None else None


def _values_in_keyframe(body: bytes, at_us: int) -> dict[Key, tuple[int, int]] | None:
    """Return value and number of changes of every channel in a keyframe; None for a foreign one."""
    state = BenchState()
    state.feed(Batch(at_us, BENCH, KEYFRAME, [body]))
    known = values_of(state, at_us)
    found = {(BENCH, name): (known[BENCH, name], each.changes) for name, each in state.values.items()}
    return (
        found
        | {
            (board.source, channel.id): (known.get((board.source, channel.id), UNKNOWN), channel.changes)
            for board in state.boards.values()
            for channel in board.channels.values()
        }
        or None
    )
