"""Reading a capture, in order or from any moment, with no more than a few blocks of it in memory."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime
from typing import Self

from benchcon.capture.form import MOST_LINE, read_header
from benchcon.capture.parse import InspectKeyframe, Parser, Problem, Problems, any_keyframe
from benchcon.capture.places import KeyframePlace, KeyframePlaces, Mark
from benchcon.capture.store import Packed, open_store
from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.wire.records import BENCH, KEYFRAME, Batch

BLOCK = 256 << 10
"""Bytes read at a time."""
_NEAR_BLOCK = 64 << 10
_MOST_HEADER = 4096


class Reader:
    """An open capture, plain or packed.

    Iterating gives every batch from the reader's position to the end; `blocks` gives the same in lists, which is
    faster. Records of one read or write may come in two batches with the same stamp. `problems` holds what was found
    wrong on the way. `inspect` decides whether a keyframe can be read; by default every keyframe is accepted
    (`benchcon.state_reader.StateReader` knows what it must hold). Raises `Trouble` if the file cannot be read or its
    first line is not a header, and nothing else, whatever is inside.
    """

    def __init__(self, path: str | os.PathLike[str], inspect: InspectKeyframe = any_keyframe) -> None:
        self.path = os.fspath(path)
        self.shown = printable(self.path)
        self._found = Problems(inspect)
        self._parser = Parser(self._found)
        self._store = open_store(path)
        try:
            head = self._store.read(0, _MOST_HEADER)
            line, end, _ = head.partition(b"\n")
            if not end and head:
                raise Trouble(f"{self.shown}: line 1: this is not a capture: its first line has no end")
            header = read_header(line, self.shown)
        except Trouble:
            self._store.close()
            raise
        self.began: datetime = header.began
        """Wall-clock time (UTC) of stamp 0."""
        self.words: dict[str, str] = header.words
        """All other words of the header, by key, unquoted."""
        self._first = len(line) + 1
        self._end = self._last_line_end()
        self._torn_reported = False
        if isinstance(self._store, Packed) and self._store.torn_at is not None:
            text = f"from byte {self._store.torn_at} on, the packed file does not hold whole gzip members"
            self._found.add("torn", self._store.size, None, text)
        if self._store.size == self._first:
            # Nothing was recorded, or everything is gone: a test made of this would pass whatever the boards do.
            self._found.add("form", self._first, 2, "nothing follows the header: no record, and no keyframe")
        self._at = self._furthest = self._first
        self._waiting: list[Batch] = []
        self._parser.header(line)
        self._places = KeyframePlaces(self._store, self._first, self._end)

    @property
    def problems(self) -> list[Problem]:
        """The problems found so far, in file order; at most the first `parse.MOST_PROBLEMS`."""
        return sorted(self._found.kept, key=lambda problem: problem.offset)

    @property
    def problem_counts(self) -> dict[str, int]:
        """Sort of problem → how often it was found so far."""
        return dict(self._found.counts)

    @property
    def records(self) -> int:
        """How many records were read so far."""
        return self._parser.records

    @property
    def size(self) -> int:
        """Size of the file in bytes, unpacked."""
        return self._store.size

    @property
    def offset(self) -> int:
        """The reader's position in the (unpacked) file, in bytes."""
        return self._at

    def close(self) -> None:
        """Close the file."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- in order ---------------------------------------------------------------------------------------------------

    def __iter__(self) -> Iterator[Batch]:
        for batches in self.blocks():
            yield from batches

    def blocks(self, block: int = BLOCK) -> Iterator[list[Batch]]:
        """Yield the batches from here to the end, in lists of those that `block` bytes held."""
        while True:
            batches = self.next_block(block)
            if batches is None:
                return
            if batches:
                yield batches

    def next_block(self, block: int = BLOCK) -> list[Batch] | None:
        """Return the batches of the next `block` bytes or so (perhaps none), or None at the end."""
        if self._waiting:
            waiting, self._waiting = self._waiting, []
            return waiting
        if self._at >= self._end:
            self._tell_torn()
            return None
        # Problems of a part that is read again are not counted twice.
        again = self._at < self._furthest
        self._parser.quiet = again
        text = self._store.read(self._at, min(block, (self._furthest if again else self._end) - self._at))
        cut = text.rfind(b"\n") + 1
        if not cut:
            text = self._long_line()
            cut = len(text)
            if not cut:
                return []
        elif cut < len(text):
            text = text[:cut]
        self._at += cut
        self._furthest = max(self._furthest, self._at)
        return self._parser.block(text)

    def _long_line(self) -> bytes:
        """Return the single line, longer than a block, that begins here; skip it, and return nothing, if too long."""
        text = self._store.read(self._at, MOST_LINE)
        cut = text.find(b"\n") + 1
        if cut or not text:
            return text[:cut]
        if not self._parser.quiet:
            self._found.add("long", self._at, None, f"a line of more than {MOST_LINE} bytes is skipped")
        at = self._at + len(text)
        while at < self._end:
            text = self._store.read(at, BLOCK)
            cut = text.find(b"\n") + 1
            at += cut or len(text)
            if cut:
                break
        last_us = self._parser.last_us
        self._parser.begin(at, None, whole=False)
        self._parser.last_us = last_us
        self._at = at
        self._furthest = max(self._furthest, at)
        return b""

    def _last_line_end(self) -> int:
        """Return where the last whole line ends; what follows it is torn."""
        end = self._store.size
        while end > self._first:
            start = max(self._first, end - BLOCK)
            cut = self._store.read(start, end - start).rfind(b"\n")
            if cut >= 0:
                return start + cut + 1
            end = start
        return self._first

    def _tell_torn(self) -> None:
        left = self._store.size - self._end
        if left > 0 and not self._torn_reported:
            self._torn_reported = True
            beginning = printable(self._store.read(self._end, min(left, 40)))
            text = f"the last line has no end and is skipped ({left} bytes): '{beginning}'"
            self._found.add("torn", self._end, None, text)

    # --- to a moment ------------------------------------------------------------------------------------------------

    @property
    def first_us(self) -> int:
        """Stamp of the first line; 0 if there is none."""
        return self._places.first_us

    @property
    def last_us(self) -> int:
        """Stamp of the last line; 0 if there is none."""
        return self._places.last_us

    def rewind(self) -> None:
        """Go back to the first record."""
        self._waiting = []
        self._at = self._first
        self._parser.begin(0, 1, whole=True)
        self._parser.header(self._store.read(0, self._first - 1))

    def seek(self, at_us: int) -> Batch | None:
        """Go to the last keyframe stamped `at_us` or earlier that can be read, and return it.

        Reading goes on directly after it: feed the keyframe to a new state, then the batches of `until`, and the state
        is that of the moment. Returns None, with the reader at its first record, if there is no such keyframe.
        """
        place = self._places.keyframe_before(at_us)
        while place is not None:
            keyframe = self._go(place)
            opens = place.offset == self._first
            if self._found.keyframe(place.offset, 2 if opens else None, keyframe.bodies[0], opens=opens):
                return keyframe
            place = self._places.keyframe_above(place)
        self.rewind()
        return None

    def until(self, at_us: int) -> Iterator[Batch]:
        """Yield the batches from here on stamped `at_us` or earlier; the reader is then before the next one."""
        while True:
            batches = self.next_block(_NEAR_BLOCK)
            if batches is None:
                return
            cut = len(batches)
            if cut and batches[-1].at_us > at_us:
                cut = next(number for number, batch in enumerate(batches) if batch.at_us > at_us)
                self._waiting = batches[cut:]
            yield from batches[:cut]
            if self._waiting:
                return

    def keyframes(self, most: int = 100_000, apart_us: int = 0) -> Iterator[tuple[int, bytes]]:
        """Yield stamp and body of keyframes from the last one back, wherever the reader is.

        With `apart_us` only some, at least that far apart, which is fast however long the file is.
        """
        for place in self._places.keyframes_back(most, apart_us):
            yield place.at_us, self._store.read(place.body, place.end - place.body)

    def notes(self, most: int = 10_000) -> list[Mark]:
        """Return the last `most` notes of the whole file, in order.

        Fast if sync lines say where they are; otherwise the whole file is searched.
        """
        return self._places.notes(most)

    def _go(self, place: KeyframePlace) -> Batch:
        body = self._store.read(place.body, place.end - place.body)
        self._waiting = []
        self._at = place.end + 1
        self._parser.begin(self._at, None, whole=False)
        self._parser.last_us = place.at_us
        return Batch(place.at_us, BENCH, KEYFRAME, [body])
