"""Finding a place in a capture: by bisection on stamps, and by following the offsets that sync lines hold.

Every offset in a sync line is checked before it is used, since anybody may have changed the file.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

from benchcon.capture.form import MOST_LINE, SYNC_BYTES, Sync, read_sync, unescape
from benchcon.capture.store import Store

BLOCK = 256 << 10
MOST_NOTE = 4096
"""Most bytes that are kept of a note's body, escaped; in a stranger's file it may be as long as a line."""
_PROBE = 512
_CLOSE = 4096
"""Bisection ends when so many bytes are left; they are searched line by line."""
_NEAR = SYNC_BYTES + 4096
"""In an unchanged file there is always a sync line within so many bytes back."""
_HEAD = 48
"""Most bytes of stamp, source and kind."""

_LINE = re.compile(rb"\n(\d{1,18}) \d{1,4} [<>()~*=#] ")
_SYNC = re.compile(rb"\n(\d{1,18}) 0 # ([^\n]*)(?=\n)")
_KEYFRAME = re.compile(rb"\n(\d{1,18}) 0 = ")
_NOTE = re.compile(rb"\n(\d{1,18}) (\d{1,4}) \* ([^\n]*)(?=\n)")


class Mark(NamedTuple):
    """A note in a capture, and where it is."""

    at_us: int
    source: int
    body: bytes
    """``KIND text``, unescaped: make it printable before you show it."""
    offset: int


class KeyframePlace(NamedTuple):
    """A keyframe's place in the file; offsets are in bytes."""

    at_us: int
    offset: int
    """Where its line begins."""
    body: int
    """Where its body begins."""
    end: int
    """Where its line ends: the offset of the LF."""


class KeyframePlaces:
    """Finds keyframes and notes in `store`, from `first` (after the header) to `end` (after the last whole line)."""

    def __init__(self, store: Store, first: int, end: int) -> None:
        self._store = store
        self._first = first
        self._end = end
        self._span: tuple[int, int] | None = None

    @property
    def first_us(self) -> int:
        """Stamp of the first line; 0 if there is none."""
        return self._ends()[0]

    @property
    def last_us(self) -> int:
        """Stamp of the last line; 0 if there is none."""
        return self._ends()[1]

    def _ends(self) -> tuple[int, int]:
        if self._span is None:
            first = self._line_after(self._first)
            last = 0
            for _, text in self._back(self._end):
                if found := _LINE.findall(text):
                    last = int(found[-1])
                    break
            self._span = (first[0] if first else 0, last)
        return self._span

    # --- looking ----------------------------------------------------------------------------------------------------

    def _line_after(self, offset: int) -> tuple[int, int] | None:
        """Return stamp and offset of the first record or sync line that begins at `offset` or later."""
        at, count = offset - 1, _PROBE
        while at < self._end:
            text = self._store.read(at, min(count, self._end - at))
            if match := _LINE.search(text):
                return int(match[1]), at + match.start() + 1
            if at + len(text) >= self._end or not text:
                return None
            at += max(len(text) - _HEAD, 1)
            count = min(count * 8, BLOCK)
        return None

    def _back(self, end: int) -> Iterator[tuple[int, bytes]]:
        """Yield (offset, text) of blocks from `end` back to the first line, overlapping by the head of a line."""
        while end > self._first:
            start = max(self._first, end - BLOCK)
            yield start - 1, self._store.read(start - 1, min(end + _HEAD, self._end) - start + 1)
            end = start

    def _after(self, at_us: int) -> int:
        """Return the offset of the first line stamped later than `at_us`, by bisection."""
        low, high = self._first, self._end
        while high - low > _CLOSE:
            middle = (low + high) // 2
            found = self._line_after(middle)
            if found is None or found[1] >= high or found[0] > at_us:
                high = middle
            else:
                low = found[1]
        text = self._store.read(low - 1, min(high + _HEAD, self._end) - low + 1)
        for match in _LINE.finditer(text):
            if int(match[1]) > at_us:
                return low + match.start()
        return high

    def _sync_before(self, offset: int) -> tuple[int, Sync] | None:
        """Return the last sync line that ends before `offset`, with the offset of its line; None if none is near."""
        start = max(self._first, offset - _NEAR)
        text = self._store.read(start - 1, offset - start + 1)
        at = len(text)
        while (at := text.rfind(b" 0 # ", 0, at)) >= 0:
            line = text.rfind(b"\n", 0, at)
            match = _SYNC.match(text, line) if line >= 0 else None
            if match is not None and (sync := read_sync(match[2])):
                return start + line, sync
        return None

    def _keyframe_at(self, offset: int) -> KeyframePlace | None:
        """Return the keyframe whose line begins at `offset`, if one does."""
        if not self._first <= offset < self._end:
            return None
        match = _KEYFRAME.match(self._store.read(offset - 1, _HEAD))
        if match is None:
            return None
        stop = -1
        for count in (_NEAR, MOST_LINE + 1):
            stop = self._store.read(offset - 1, count).find(b"\n", 1)
            if stop >= 0:
                break
        if stop < 0:
            return None
        return KeyframePlace(int(match[1]), offset, offset - 1 + match.end(), offset - 1 + stop)

    # --- keyframes --------------------------------------------------------------------------------------------------

    def keyframe_before(self, at_us: int) -> KeyframePlace | None:
        """Return the last keyframe stamped `at_us` or earlier; None if there is none."""
        after = self._after(at_us)
        if found := self._sync_before(after):
            for offset in (found[1].keyframe, found[1].prior):
                place = self._keyframe_at(offset) if offset < after else None
                if place is not None and place.at_us <= at_us:
                    return place
        return self._search_back(after, at_us)

    def keyframe_above(self, place: KeyframePlace) -> KeyframePlace | None:
        """Return the last keyframe before `place` in the file; None if there is none."""
        return self._search_back(place.offset, self._greatest)

    def _search_back(self, end: int, at_us: int) -> KeyframePlace | None:
        """Search back for a keyframe without sync lines, for files that have none or wrong ones."""
        for start, text in self._back(end):
            at = len(text)
            while (at := text.rfind(b" 0 = ", 0, at)) >= 0:
                line = start + text.rfind(b"\n", 0, at) + 1
                place = self._keyframe_at(line)
                if place is not None and place.offset < end and place.at_us <= at_us:
                    return place
        return None

    def keyframes_back(self, most: int, apart_us: int = 0) -> Iterator[KeyframePlace]:
        """Yield up to `most` keyframes, from the last one back; with `apart_us` only some, at least that far apart."""
        if apart_us > 0:
            place = self.keyframe_before(self.last_us)
            while place is not None and most > 0:
                yield place
                most -= 1
                place = self.keyframe_before(place.at_us - apart_us)
            return
        end = self._end
        found = self._sync_before(end)
        given = self._end
        ahead = found[1].keyframe if found else -1
        while most > 0:
            place = self._keyframe_at(ahead) if 0 <= ahead < given else None
            if place is None:
                place = self._search_back(given, self._greatest)
            if place is None:
                return
            yield place
            most -= 1
            given = place.offset
            # The sync line directly after a keyframe says where the one before it is.
            text = self._store.read(place.end, 256)
            match = _SYNC.match(text)
            sync = read_sync(match[2]) if match else None
            if sync is not None and sync.prior < 0 and sync.keyframe == place.offset:
                return
            ahead = sync.prior if sync else -1

    _greatest = 10**18

    # --- notes ------------------------------------------------------------------------------------------------------

    def notes(self, most: int) -> list[Mark]:
        """Return the last `most` notes, in order."""
        marks: deque[Mark] = deque()
        end = self._end
        while len(marks) < most:
            found = self._sync_before(end)
            if found is None:
                if end > self._first + _NEAR:
                    return list(self._all_notes(most))
                marks.extendleft(reversed(self._notes_between(self._first, end)))
                break
            at, sync = found
            marks.extendleft(reversed(self._notes_between(at, end)))
            if sync.note < 0:
                break
            if not self._first <= sync.note < at:
                return list(self._all_notes(most))
            here = self._note_at(sync.note)
            if here is None:
                return list(self._all_notes(most))
            marks.appendleft(here)
            end = sync.note
        return list(marks)[-most:]

    def _note_at(self, offset: int) -> Mark | None:
        for count in (_PROBE, BLOCK, MOST_LINE):
            match = _NOTE.match(self._store.read(offset - 1, count))
            if match is not None:
                return _mark(match, offset - 1)
        return None

    def _notes_between(self, start: int, end: int) -> list[Mark]:
        text = self._store.read(start - 1, end - start + 1)
        return [_mark(match, start - 1) for match in _NOTE.finditer(text)] if b" * " in text else []

    def _all_notes(self, most: int) -> deque[Mark]:
        marks: deque[Mark] = deque(maxlen=most)
        at = self._first
        while at < self._end:
            text = self._store.read(at - 1, min(BLOCK * 4, self._end - at + 1))
            cut = text.rfind(b"\n")
            if cut <= 0:
                cut = len(text) - 1
            if b" * " in text:
                marks.extend(_mark(match, at - 1) for match in _NOTE.finditer(text))
            at += cut
        return marks


def _mark(match: re.Match[bytes], start: int) -> Mark:
    return Mark(int(match[1]), int(match[2]), unescape(match[3][:MOST_NOTE]), start + match.start() + 1)
