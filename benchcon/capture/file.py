"""One capture file open for writing: what is put into it, sync lines, and what to do when the disk refuses."""

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
    """The lines of one batch, as they stand in a file."""

    at_us: int
    kind: str
    records: int
    text: bytes


def lines_of(batch: Batch) -> Lines:
    """Return the lines of `batch`."""
    return Lines(batch.at_us, batch.kind, len(batch.bodies), encode(batch))


@dataclass(slots=True)
class _Point:
    """What is known at one offset of the file; enough to go on from there."""

    size: int
    crc: int
    given: int
    """Records put in that were given to the writer: not its own keyframes and ``missed`` records."""
    last_us: int
    unsynced: int
    """Offset of the first byte that no sync line covers yet."""
    unsynced_records: int
    keyframe: int
    prior: int
    note: int


class OpenFile:
    """A file being written; nothing reaches the disk before `flush`.

    After an `OSError` from `flush` the file ends where the last one that went well ended, if the disk lets it be cut;
    `given` and `last_us` say what is in it.
    """

    def __init__(self, descriptor: int, header: bytes) -> None:
        self._descriptor = descriptor
        self._at = _Point(0, 0, 0, 0, 0, 0, -1, -1, -1)
        self._flushed, self._safe = copy(self._at), copy(self._at)
        """As it was at the last flush that went well, and at the last one with a sync."""
        self._waiting: list[bytes] = []
        self._fresh_line = b""
        self._unsynced_us = 0  # stamp of the first lines that no sync line covers yet
        self._add(header, 0, 0, 0)

    @property
    def size(self) -> int:
        """Bytes, what waits for the next flush included."""
        return self._at.size

    @property
    def given(self) -> int:
        """Records that the writer was given, those included that wait for the next flush."""
        return self._at.given

    @property
    def last_us(self) -> int:
        """Stamp of the last record."""
        return self._at.last_us

    @property
    def dirty(self) -> bool:
        """Whether anything was put in since the last flush with a sync."""
        return self._at.size != self._safe.size

    def gone_from(self, path: str | os.PathLike[str]) -> str:
        """Return what somebody did to the file that was at `path`, empty if it is there with all that was flushed."""
        ours = os.fstat(self._descriptor)
        if not stat.S_ISREG(ours.st_mode):
            return ""
        try:
            there = os.stat(path)
        except OSError:
            there = None
        if there is None or (ours.st_dev, ours.st_ino) != (there.st_dev, there.st_ino):
            # Windows knows no links to an open file; there it cannot be deleted either.
            return "deleted" if not ours.st_nlink else "moved away, or its disk was"
        return "cut short by another program" if ours.st_size < self._flushed.size else ""

    def put(self, lines: Lines, *, own: bool = False) -> None:
        """Take the lines of one batch; `own` says that the writer made them itself."""
        at_us, kind, records, text = lines
        room = SYNC_BYTES - (self._at.size - self._at.unsynced)
        # A file begins with its keyframe: what so far holds a header only gets no sync line before that.
        if self._at.unsynced_records and (len(text) > room or at_us - self._unsynced_us > SYNC_US):
            self.sync_line()
        if len(text) > SYNC_BYTES and records > 1:
            for piece in _split(lines):
                self.put(piece, own=own)
            return
        if not self._at.unsynced_records:
            # Not `at_us`: lines that the ring has joined begin earlier than they end.
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
        """Write a sync line for what came since the last one; none if nothing did."""
        at = self._at
        if at.size == at.unsynced:
            return
        text = write_sync(at.last_us, Sync(at.unsynced_records, at.keyframe, at.prior, at.note, at.crc))
        self._waiting.append(text)
        at.size += len(text)
        at.crc, at.unsynced, at.unsynced_records = 0, at.size, 0

    def flush(self, *, sync: bool) -> None:
        """Hand everything to the system; with `sync` also write a sync line, and have the disk hold it all.

        Raises `OSError`; then everything since the last flush that went well is out of the file and forgotten.
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
        """End the file at `back` again, or at least go on with a line of its own."""
        self._at, self._flushed = copy(back), copy(back)
        if back.size < self._safe.size:
            self._safe = copy(back)
        try:
            os.ftruncate(self._descriptor, back.size)
            os.lseek(self._descriptor, back.size, os.SEEK_SET)
        except OSError:
            self._fresh_line = b"\n"

    def close(self) -> None:
        """Give the file back without another word."""
        os.close(self._descriptor)


def _split(lines: Lines) -> list[Lines]:
    """Cut lines that are together too long for one stretch between sync lines."""
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
