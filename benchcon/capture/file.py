"""One capture file open for writing: records, sync lines, and what to do when the disk refuses."""

from __future__ import annotations

import errno
import os
import stat
import zlib
from copy import copy
from dataclasses import dataclass
from typing import NamedTuple

from benchcon.capture.form import SYNC_BYTES, SYNC_US, Sync, encode, write_sync
from benchcon.wire.records import KEYFRAME, NOTE, Batch


class Lines(NamedTuple):
    """The lines of one batch, as they are in a file."""

    at_us: int
    kind: str
    records: int
    text: bytes


def lines_of(batch: Batch) -> Lines:
    """Return the lines of `batch`."""
    return Lines(batch.at_us, batch.kind, len(batch.bodies), encode(batch))


@dataclass(slots=True)
class _Point:
    """What is known at one offset of the file: enough to go on from there. An offset of -1 means none."""

    size: int
    crc: int
    given: int
    """How many records the writer was given; its own keyframes and ``missed`` records do not count."""
    last_us: int
    unsynced: int
    """Offset of the first byte that no sync line covers."""
    unsynced_records: int
    keyframe: int
    prior: int
    note: int


class OpenFile:
    """A file being written; nothing is written before `flush`.

    After an `OSError` from `flush` the file ends where the last successful flush ended, if it can be cut; `given` and
    `last_us` then say what is in it. `header` is the file's first line.
    """

    def __init__(self, descriptor: int, header: bytes) -> None:
        self._descriptor = descriptor
        self._at = _Point(0, 0, 0, 0, 0, 0, -1, -1, -1)
        self._flushed, self._safe = copy(self._at), copy(self._at)
        """The state at the last successful flush, and at the last successful one with a sync."""
        self._waiting: list[bytes] = []
        self._fresh_line = b""
        self._unsynced_us = 0  # stamp of the first lines that no sync line covers
        self._add(header, 0, 0, 0)

    @property
    def size(self) -> int:
        """Size in bytes, with what waits for the next flush."""
        return self._at.size

    @property
    def given(self) -> int:
        """How many records the writer was given, with those that wait for the next flush."""
        return self._at.given

    @property
    def last_us(self) -> int:
        """Stamp of the last record."""
        return self._at.last_us

    @property
    def dirty(self) -> bool:
        """Whether anything was added since the last flush with a sync."""
        return self._at.size != self._safe.size

    def gone_from(self, path: str | os.PathLike[str]) -> str:
        """Return what happened to the file at `path`; empty if it is there and holds all that was flushed.

        ``deleted``, ``moved away, or its disk was``, ``cut short by another program``.
        """
        ours = os.fstat(self._descriptor)
        if not stat.S_ISREG(ours.st_mode):
            return ""
        try:
            there = os.stat(path)
        except OSError:
            there = None
        if there is None or (ours.st_dev, ours.st_ino) != (there.st_dev, there.st_ino):
            # Windows does not count links of an open file; there it cannot be deleted either.
            return "deleted" if not ours.st_nlink else "moved away, or its disk was"
        return "cut short by another program" if ours.st_size < self._flushed.size else ""

    def put(self, lines: Lines, *, own: bool = False) -> None:
        """Add the lines of one batch; `own`: the writer made them itself."""
        at_us, kind, records, text = lines
        room = SYNC_BYTES - (self._at.size - self._at.unsynced)
        # A file begins with its keyframe: while it holds only the header, no sync line is written.
        if self._at.unsynced_records and (len(text) > room or at_us - self._unsynced_us > SYNC_US):
            self.sync_line()
        if len(text) > SYNC_BYTES and records > 1:
            for piece in _split(lines):
                self.put(piece, own=own)
            return
        if not self._at.unsynced_records:
            # Not `at_us`, which is the last stamp of lines that the ring has joined.
            self._unsynced_us = int(text[: text.index(b" ")])
        offset = self._at.size
        self._add(text, at_us, records, 0 if own else records)
        if kind == KEYFRAME or kind == NOTE:  # noqa: SIM109 (twice as fast, and this is asked for each batch)
            last = offset + text.rfind(b"\n", 0, len(text) - 1) + 1
            if kind == NOTE:
                self._at.note = last
            else:
                self._at.keyframe, self._at.prior = last, self._at.keyframe
                self.sync_line()

    def _add(self, text: bytes, at_us: int, records: int, given: int) -> None:
        self._waiting.append(text)
        at = self._at
        at.size += len(text)
        at.crc = zlib.crc32(text, at.crc)
        at.given += given
        at.unsynced_records += records
        if at_us > at.last_us:
            at.last_us = at_us

    def sync_line(self) -> None:
        """Add a sync line for everything since the last one; none if there is nothing."""
        at = self._at
        if at.size == at.unsynced:
            return
        text = write_sync(at.last_us, Sync(at.unsynced_records, at.keyframe, at.prior, at.note, at.crc))
        self._waiting.append(text)
        at.size += len(text)
        at.crc, at.unsynced, at.unsynced_records = 0, at.size, 0

    def flush(self, *, sync: bool) -> None:
        """Write everything; with `sync` also add a sync line, and wait until all of it is on the disk (fsync).

        Raises `OSError`; everything since the last successful flush is then removed from the file and lost.
        """
        if sync:
            self.sync_line()
        text = memoryview(self._fresh_line + b"".join(self._waiting))
        self._waiting.clear()
        back = self._flushed
        try:
            while text:
                text = text[os.write(self._descriptor, text) :]
            self._fresh_line = b""
            self._flushed = copy(self._at)
            if sync:
                back = self._safe
                self._fsync()
                self._safe = copy(self._at)
        except OSError:
            self._cut(back)
            raise

    def _fsync(self) -> None:
        try:
            os.fsync(self._descriptor)
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.EROFS):  # a pipe or a device, which has nothing to sync
                raise

    def _cut(self, back: _Point) -> None:
        """Cut the file at `back`, or if that fails begin the next write on a new line."""
        self._at, self._flushed = copy(back), copy(back)
        if back.size < self._safe.size:
            self._safe = copy(back)
        try:
            os.ftruncate(self._descriptor, back.size)
            os.lseek(self._descriptor, back.size, os.SEEK_SET)
        except OSError:
            self._fresh_line = b"\n"

    def close(self) -> None:
        """Close the file; what waits for a flush is lost."""
        os.close(self._descriptor)


def _split(lines: Lines) -> list[Lines]:
    """Split lines that are together too long to fit between two sync lines."""
    pieces: list[Lines] = []
    held: list[bytes] = []
    size = 0
    for line in lines.text.splitlines(keepends=True):
        if held and size + len(line) > SYNC_BYTES:
            pieces.append(lines._replace(records=len(held), text=b"".join(held)))
            held, size = [], 0
        held.append(line)
        size += len(line)
    pieces.append(lines._replace(records=len(held), text=b"".join(held)))
    return pieces
