"""The pre-trigger ring: the last ten minutes, in memory and bounded in bytes, to be written out when a fault appears.

The ring is a row of stretches. Each begins with a keyframe that holds everything before it, so the oldest stretch can
be dropped whole: its effect is already in the keyframe of the next. Records are kept as the text of a capture file,
which is their smallest form, and can be written out as it is.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

from benchcon.capture.file import Lines, lines_of
from benchcon.capture.form import SYNC_BYTES, SYNC_US
from benchcon.wire.records import BENCH, KEYFRAME, NOTE, Batch

SECONDS = 600
MOST_BYTES = 64 << 20
STRETCH_US = 10_000_000
STRETCHES = 16
"""The ring holds at least this many stretches when it is full, so that dropping one never costs much of it."""
_OVERHEAD = 200
"""Bytes that Python adds to the text of one batch, until it is joined with others."""


class _Stretch:
    """A keyframe and the records after it."""

    __slots__ = ("at_us", "bytes", "lines", "records")

    def __init__(self, at_us: int, keyframe: bytes) -> None:
        self.at_us = at_us
        self.lines = [lines_of(Batch(at_us, BENCH, KEYFRAME, [keyframe]))]
        self.bytes = len(keyframe) + _OVERHEAD
        self.records = 0

    def close(self) -> None:
        """Join the texts of batches as far as they fit between two sync lines, since nothing more is added."""
        joined = [self.lines[0]]
        run: list[Lines] = []
        size = 0
        for lines in [*self.lines[1:], None]:
            if run and (lines is None or _apart(run[0], lines) or size + len(lines.text) > SYNC_BYTES // 2):
                text = b"".join([one.text for one in run])
                joined.append(Lines(run[-1].at_us, run[-1].kind, sum([one.records for one in run]), text))
                run, size = [], 0
            if lines is None:
                break
            if lines.kind == NOTE:
                joined.append(lines)
            else:
                run.append(lines)
                size += len(lines.text)
        self.lines = joined
        self.bytes = sum([len(lines.text) + _OVERHEAD for lines in joined])


def _apart(first: Lines, lines: Lines) -> bool:
    """Return whether `lines` may not be joined with those from `first` on: they are a note, or a sync line is due."""
    return lines.kind == NOTE or lines.at_us - first.at_us > SYNC_US


class Ring:
    """Keeps the batches of the last `seconds`, in at most `most_bytes`.

    `keyframe` returns the state after all batches fed so far, as one line of JSON (as for `Writer`); `at_us` is the
    stamp of now.
    """

    def __init__(
        self, keyframe: Callable[[], bytes], *, seconds: float = SECONDS, most_bytes: int = MOST_BYTES, at_us: int = 0
    ) -> None:
        self._keyframe = keyframe
        self._reach_us = int(seconds * 1_000_000)
        self._most_bytes = most_bytes
        self._stretch_us = min(STRETCH_US, max(self._reach_us // STRETCHES, 1))
        self._last = _Stretch(at_us, keyframe())
        self._stretches: deque[_Stretch] = deque([self._last])
        self._closed_bytes = 0
        self.folded_in = 0
        """How many records have left the ring and are only reflected in its first keyframe."""

    def feed(self, batches: Sequence[Batch]) -> None:
        """Take batches; they must already be part of the state that `keyframe` returns."""
        last = self._last
        add = last.lines.append
        size = 0
        for batch in batches:
            lines = lines_of(batch)
            add(lines)
            size += len(lines[3]) + _OVERHEAD
            last.records += lines[2]
        last.bytes += size
        if batches:
            self._tidy(batches[-1].at_us)

    def _tidy(self, at_us: int) -> None:
        last = self._last
        if last.bytes * STRETCHES > self._most_bytes or at_us - last.at_us >= self._stretch_us:
            last.close()
            self._closed_bytes += last.bytes
            self._last = _Stretch(at_us, self._keyframe())
            self._stretches.append(self._last)
        while len(self._stretches) > 1 and (self.bytes > self._most_bytes or self._second_is_enough(at_us)):
            oldest = self._stretches.popleft()
            self._closed_bytes -= oldest.bytes
            self.folded_in += oldest.records

    def _second_is_enough(self, at_us: int) -> bool:
        return self._stretches[1].at_us <= at_us - self._reach_us

    @property
    def from_us(self) -> int:
        """Stamp from which on everything is kept."""
        return self._stretches[0].at_us

    @property
    def bytes(self) -> int:
        """How many bytes are kept, roughly."""
        return self._closed_bytes + self._last.bytes

    @property
    def records(self) -> int:
        """How many records are kept, keyframes not counted."""
        return sum([stretch.records for stretch in self._stretches])

    def contents(self) -> list[Lines]:
        """Return everything kept, oldest first, beginning with a keyframe: for `Writer(opening=…)`."""
        return [lines for stretch in self._stretches for lines in stretch.lines]
