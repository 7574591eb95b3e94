"""Comparing two recordings, channel by channel: the order and the values, with a tolerance in time.

Heartbeats, running numbers, absolute clocks and the host's requests do not count: only what channels did is compared.
If the same things happen in both recordings at different times, the offset between them is removed first. If something
takes longer in one, and everything after it is late by as much, that is reported once.

Each channel is compared by order first: if both recordings have the same values in the same order, only their times can
differ. If not, the two lists are compared by time, and each value without a partner within the tolerance is a
difference.
"""

from __future__ import annotations

import difflib
import fnmatch
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median_low
from typing import NamedTuple

from benchcon.panel.reading import PASSING_US
from benchcon.replay.tracks import NOT_KNOWN, Recording, Track
from benchcon.wire.items import signed16

TOLERANCE_US = 100_000
COUNTS = 4
"""Default of how far readings of potentiometers may differ."""
IGNORED = "ignored, as was asked for"
"""Default reason why a channel is left out."""
MOST_KEPT = 1000
"""Most differences of one channel that are kept; all are counted."""
MOST_ORDERED = 3000
"""Most values of one channel that are compared if only their order counts, and it differs."""
_SAMPLE = 2000


SLIP_LEAST = 3
"""How many further changes must be late by the same amount before it counts as a slip."""


class Slip(NamedTuple):
    """From here on B does the same, but later by this much, or earlier (below 0)."""

    at_us: int
    """A's time of the change that came late or early. That change is a difference; those after it are not."""
    by_us: int
    channel: str
    """The name of the channel that changed late or early."""


class Difference(NamedTuple):
    """One difference between the two recordings. Times are those of A."""

    sort: str
    """``missing`` (only in A), ``extra`` (only in B), ``value``, ``late``, ``early``, ``start``; and for whole channels
    ``only A``, ``only B``."""
    at_us: int
    a: int | None
    """Value in A; None if there is none."""
    b: int | None
    index_a: int
    """Index in A's track; if it is not there, where it would be."""
    index_b: int
    by_us: int = 0
    """How much it is ``late`` or ``early``."""


@dataclass(slots=True)
class Compared:
    """One channel compared."""

    a: Track | None
    b: Track | None
    count: int = 0
    differences: list[Difference] = field(default_factory=list)
    """The first `MOST_KEPT` differences, in order of time."""

    @property
    def track(self) -> Track:
        """The track of A, or else of B."""
        found = self.a or self.b
        assert found is not None
        return found

    @property
    def lengths(self) -> tuple[int, int]:
        """How many values A and B have."""
        return len(self.a.times) if self.a else 0, len(self.b.times) if self.b else 0

    def add(self, difference: Difference) -> None:
        """Count a difference, and keep it if there is room."""
        self.count += 1
        if len(self.differences) < MOST_KEPT:
            self.differences.append(difference)


@dataclass(slots=True)
class Comparison:
    """Two recordings compared."""

    a: Recording
    b: Recording
    offset_us: int
    """A's time plus this is B's."""
    tolerance_us: int
    channels: dict[str, Compared]
    """The compared channels by name, without those left out."""
    left_out: dict[str, str]
    """Name of a channel that was left out → why."""
    end_us: int
    """Where the shorter recording ends, in A's time."""
    beyond_us: int = 0
    """How much of the longer recording is later than that, and not compared: of A if above 0, of B if below."""
    slips: list[Slip] = field(default_factory=list)
    """Where B became later or earlier for good; removed before comparing."""

    @property
    def ignored(self) -> int:
        """How many channels were left out."""
        return len(self.left_out)

    @property
    def count(self) -> int:
        """How many differences there are in all."""
        return sum(compared.count for compared in self.channels.values())

    @property
    def problems(self) -> list[str]:
        """What is wrong with the two files, one line each."""
        return [*self.a.problems, *self.b.problems]

    def first(self) -> tuple[Compared, Difference] | None:
        """Return the earliest difference and its channel; None if there is none."""
        found = [(compared.differences[0], compared) for compared in self.channels.values() if compared.differences]
        if not found:
            return None
        difference, compared = min(found, key=lambda one: one[0].at_us)
        return compared, difference


def compare(
    a: Recording,
    b: Recording,
    *,
    tolerance_us: int = TOLERANCE_US,
    counts: int = COUNTS,
    rest_us: int | None = None,
    ignore: Sequence[str] | Mapping[str, str] = (),
    offset_us: int | None = None,
    order_only: bool = False,
    resting: Collection[str] = (),
) -> Comparison:
    """Compare two recordings.

    `counts`: potentiometer readings that differ by no more are the same. `rest_us`: of potentiometers and encoders,
    only positions held for this long count (None: for the tolerance). `ignore`: names of channels to leave out
    (``lighting.sw_app``), in which ``*`` stands for anything; a mapping says why. `offset_us`: A's time plus this is
    B's; worked out if None. `order_only`: times do not count, as when a replay went as fast as it could. `resting`:
    names of other channels of which only values held for a while count, such as the contacts of a rotary switch that is
    turned past other positions.
    """
    names = [*a.tracks, *(name for name in b.tracks if name not in a.tracks)]
    left_out = _left_out(names, ignore if isinstance(ignore, Mapping) else dict.fromkeys(ignore, IGNORED))
    wanted = [name for name in names if name not in left_out]
    rest = tolerance_us if rest_us is None else rest_us
    rested = [{name: _rested(one.tracks.get(name), counts, rest, name in resting) for name in wanted} for one in (a, b)]
    pairs = {name: (rested[0][name], rested[1][name]) for name in wanted}
    slips: list[Slip] = []
    last_b_us = b.last_us
    if offset_us is None:
        offset, slips = _offset_and_slips(pairs, counts, tolerance_us)
        last_b_us -= sum(slip.by_us for slip in slips)
    else:
        offset = offset_us
    end_us = a.last_us if order_only else min(a.last_us, last_b_us - offset)
    start_us = max(a.first_us, b.first_us - offset)
    channels = {}
    for name, (one, other) in pairs.items():
        channels[name] = compared = Compared(one, other)
        if one is None or other is None:
            present = one or other
            assert present is not None
            sort = "only A" if other is None else "only B"
            at_us = present.times[0] - (offset if one is None else 0)
            compared.add(Difference(sort, at_us, None, None, 0, 0))
        else:
            if slips:
                other = _without(slips, one, other, offset, len(one.values) == len(other.values))
            _Channel(compared, one, other, offset, tolerance_us, counts, start_us, end_us).compare(order_only)
    beyond_us = 0 if order_only else a.last_us - (last_b_us - offset)
    return Comparison(a, b, offset, tolerance_us, channels, left_out, end_us, beyond_us, slips)


def _left_out(names: Iterable[str], reasons: Mapping[str, str]) -> dict[str, str]:
    """Return the channels that match one of the patterns in `reasons`, each with its reason."""
    found = {}
    for name in names:
        why = next((reason for each, reason in reasons.items() if fnmatch.fnmatchcase(name, each)), None)
        if why is not None:
            found[name] = why
    return found


def _rested(track: Track | None, counts: int, rest_us: int, passing: bool = False) -> Track | None:
    """Return the track with only the values that count for a potentiometer or an encoder; any other track as it is.

    Both move through many values, and which of them a board reports depends on when it samples: only those at which
    they came to rest count. An encoder counts from its last reset, so its values are taken relative to the first.
    """
    if track is None or not (passing or track.kind in ("pot", "encoder")):
        return track
    if passing:
        rest_us = PASSING_US
    rested = Track(track.board, track.channel, track.kind, track.digits)
    times, values = track.times, track.values
    first = next((value for value in values if value != NOT_KNOWN), 0) if track.kind == "encoder" else 0
    nearby = counts if track.kind == "pot" else 0
    last = len(times) - 1
    for number, (at_us, value) in enumerate(zip(times, values, strict=True)):
        if 0 < number < last and times[number + 1] - at_us < rest_us:
            continue
        if value != NOT_KNOWN and first:
            value = signed16(value - first)
        if rested.values and value == rested.values[-1]:
            continue
        if not rested.values or NOT_KNOWN in (value, rested.values[-1]) or abs(value - rested.values[-1]) > nearby:
            rested.add(at_us, value)
    return rested


def _same(track: Track, a: int, b: int, counts: int) -> bool:
    if a == b:
        return True
    return track.kind == "pot" and NOT_KNOWN not in (a, b) and abs(a - b) <= counts


def _offset_and_slips(
    pairs: Mapping[str, tuple[Track | None, Track | None]], counts: int, tolerance_us: int
) -> tuple[int, list[Slip]]:
    """Return how much later B is at the beginning, and where that changes for good.

    It is worked out from channels that did the same in both, above all from their first changes; if there are none,
    from the first change of each channel.
    """
    alike: list[tuple[int, int, str]] = []  # A's time, how much later in B, channel
    firsts: list[int] = []
    for name, (a, b) in pairs.items():
        if a is None or b is None or len(a.times) < 2 or len(b.times) < 2:
            continue
        if len(a.values) == len(b.values) and (
            a.values == b.values
            or all(_same(a, one, other, counts) for one, other in zip(a.values, b.values, strict=True))
        ):
            step = len(a.times) // _SAMPLE + 1
            # Without the first value: when that came depends on when the recording began.
            indices = range(1, len(a.times), step)
            alike += [(a.times[index], b.times[index] - a.times[index], name) for index in indices]
        elif _same(a, a.values[1], b.values[1], counts):
            firsts.append(b.times[1] - a.times[1])
    if not alike:
        return median_low(firsts) if firsts else 0, []
    alike.sort()
    later = [by_us for _, by_us, _ in alike]
    offset = now = _beginning(later, tolerance_us)
    slips: list[Slip] = []
    for number, (at_us, by_us, name) in enumerate(alike):
        if abs(by_us - now) <= tolerance_us:
            continue
        following = later[number + 1 : number + 1 + SLIP_LEAST]
        if len(following) > 1 and all(abs(each - by_us) <= tolerance_us for each in following):
            new = median_low([by_us, *following])
            slips.append(Slip(at_us, new - now, name))
            now = new
    return offset, slips


def _beginning(later: Sequence[int], tolerance_us: int) -> int:
    """Return how much later B is at the beginning: the first offset that later ones agree with, or the median."""
    for number, by_us in enumerate(later):
        following = later[number : number + SLIP_LEAST]
        if len(following) == SLIP_LEAST and all(abs(each - by_us) <= tolerance_us for each in following):
            # All that agree: the more there are, the better is their median.
            stop = next((at for at in range(number, len(later)) if abs(later[at] - by_us) > tolerance_us), len(later))
            return median_low(later[number:stop])
    return median_low(later)


def _without(slips: Sequence[Slip], a: Track, b: Track, offset: int, alike: bool) -> Track:
    """Return B's track with everything after each slip moved to where it would have been without.

    For comparing only: the change that came late keeps its time, so it may come after the one that follows it.
    """
    moved = Track(b.board, b.channel, b.kind, b.digits)
    for number, (at_us, value) in enumerate(zip(b.times, b.values, strict=True)):
        by_us = 0
        for slip in slips:
            if slip.channel == b.name and alike and a.times[number] == slip.at_us:
                break  # this change is what B did differently
            if at_us < slip.at_us + offset + by_us + slip.by_us:
                break
            by_us += slip.by_us
        moved.add(at_us - by_us, value)
    return moved


class _Channel:
    """The comparison of one channel that both recordings have."""

    def __init__(
        self, into: Compared, a: Track, b: Track, offset: int, tolerance: int, counts: int, start_us: int, end_us: int
    ) -> None:
        self.into, self.a, self.b = into, a, b
        self.offset, self.tolerance, self.counts = offset, tolerance, counts
        self.start_us, self.end_us = start_us, end_us

    def compare(self, order_only: bool) -> None:
        a, b = self.a, self.b
        # A replay as fast as it goes may be over before A's recording begins; then all its values count.
        first_a, first_b = (0, 0) if order_only else (self._begin(a.times, 0), self._begin(b.times, self.offset))
        value_a, value_b = a.values[first_a], b.values[first_b]
        if not _same(a, value_a, value_b, self.counts):
            at_us = max(a.times[first_a], self.start_us)
            self.into.add(Difference("start", at_us, value_a, value_b, first_a, first_b))
        rest_a, rest_b = range(first_a + 1, len(a.times)), range(first_b + 1, len(b.times))
        if len(rest_a) == len(rest_b) and all(
            _same(a, a.values[i], b.values[j], self.counts) for i, j in zip(rest_a, rest_b, strict=True)
        ):
            if not order_only:
                self._times(rest_a.start, rest_b.start, len(rest_a))
        elif order_only:
            self._by_order(rest_a.start, rest_b.start)
        else:
            self._by_time(rest_a.start, rest_b.start)

    def _begin(self, times: Sequence[int], offset: int) -> int:
        """Return the index of the value at the moment when both recordings had begun."""
        index = 0
        while index + 1 < len(times) and times[index + 1] - offset <= self.start_us:
            index += 1
        return index

    def _times(self, i: int, j: int, count: int) -> None:
        """Compare times; both have the same values in the same order."""
        for step in range(count):
            by_us = self.b.times[j + step] - self.offset - self.a.times[i + step]
            if abs(by_us) > self.tolerance:
                value = self.a.values[i + step]
                sort = "late" if by_us > 0 else "early"
                at_us = self.a.times[i + step]
                self.into.add(Difference(sort, at_us, value, self.b.values[j + step], i + step, j + step, abs(by_us)))

    def _by_order(self, i: int, j: int) -> None:
        """Find values that only one of the two has, whatever their times."""
        a, b = self.a, self.b
        # The matcher's time grows with the square of the length, so of very long tracks only the beginning is compared.
        rows = difflib.SequenceMatcher(None, a.values[i : i + MOST_ORDERED], b.values[j : j + MOST_ORDERED], False)
        for sort, i1, i2, j1, j2 in rows.get_opcodes():
            if sort == "equal":
                continue
            for step in range(max(i2 - i1, j2 - j1)):
                at_a, at_b = i + i1 + step, j + j1 + step
                in_a, in_b = i1 + step < i2, j1 + step < j2
                if in_a and in_b and _same(a, a.values[at_a], b.values[at_b], self.counts):
                    continue
                at_us = a.times[min(at_a, len(a.times) - 1)]
                name = "value" if in_a and in_b else "missing" if in_a else "extra"
                value_a, value_b = a.values[at_a] if in_a else None, b.values[at_b] if in_b else None
                self.into.add(Difference(name, at_us, value_a, value_b, at_a, at_b))

    def _by_time(self, i: int, j: int) -> None:
        a, b = self.a, self.b
        while i < len(a.times) or j < len(b.times):
            at_a = a.times[i] if i < len(a.times) else None
            at_b = b.times[j] - self.offset if j < len(b.times) else None
            if at_a is not None and at_b is not None and abs(at_b - at_a) <= self.tolerance:
                if not _same(a, a.values[i], b.values[j], self.counts):
                    # Two changes close together: check whether the next one fits before this counts as another value.
                    if self._fits(i + 1, j):
                        self._missing(i, j, at_a)
                        i += 1
                        continue
                    if self._fits(i, j + 1):
                        self._extra(i, j, at_b)
                        j += 1
                        continue
                    self.into.add(Difference("value", at_a, a.values[i], b.values[j], i, j))
                i, j = i + 1, j + 1
            elif at_b is None or (at_a is not None and at_a < at_b):
                assert at_a is not None
                self._missing(i, j, at_a)
                i += 1
            else:
                self._extra(i, j, at_b)
                j += 1

    def _fits(self, i: int, j: int) -> bool:
        if i >= len(self.a.times) or j >= len(self.b.times):
            return False
        near = abs(self.b.times[j] - self.offset - self.a.times[i]) <= self.tolerance
        return near and _same(self.a, self.a.values[i], self.b.values[j], self.counts)

    def _missing(self, i: int, j: int, at_us: int) -> None:
        # A change after the end of the other recording is not missing there.
        if at_us <= self.end_us - self.tolerance:
            self.into.add(Difference("missing", at_us, self.a.values[i], None, i, j))

    def _extra(self, i: int, j: int, at_us: int) -> None:
        if at_us <= self.end_us - self.tolerance:
            self.into.add(Difference("extra", at_us, None, self.b.values[j], i, j))
