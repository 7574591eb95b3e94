"""The bytes of a capture file by offset, whether it is plain or packed; and packing one.

A packed file is a series of gzip members, each with its own length, offset and first stamp in its header, so that
reading at any offset unpacks a single member (`protocols/capture-file.md`, section 7).
"""

from __future__ import annotations

import os
import stat
import struct
import zlib
from bisect import bisect_right
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from benchcon.capture.form import PACKED_MAGIC
from benchcon.errors import Trouble
from benchcon.fresh import Fresh, sync_folder
from benchcon.text import printable

MEMBER_BYTES = 256 << 10
"""Unpacked bytes of a capture that go into one gzip member, roughly."""
MOST_MEMBER = 16 << 20
"""Most unpacked bytes that a member may claim to hold."""
FSYNC_BYTES = 8 << 20
"""While packing, fsync is called after this many bytes, so that packing never floods the disk."""

_HEAD = struct.Struct("<4BIBBHBBHIIQQ")
# RFC 1952, section 2.3: ID1 ID2 CM FLG (FEXTRA) MTIME XFL OS XLEN, then one subfield: SI1 SI2 LEN and our 24 bytes.
_FIXED = (0x1F, 0x8B, 8, 4, 0, 0, 255, 28, 0x62, 0x6B, 24)


# No system has all of these flags; O_BINARY, for example, is only on Windows.
_READ_FLAGS = os.O_RDONLY
for _name in ("O_CLOEXEC", "O_NONBLOCK", "O_BINARY"):
    _READ_FLAGS |= getattr(os, _name, 0)


def _pread(descriptor: int, count: int, offset: int) -> bytes:
    if hasattr(os, "pread"):
        return os.pread(descriptor, count, offset)
    os.lseek(descriptor, offset, os.SEEK_SET)
    return os.read(descriptor, count)


class Store(Protocol):
    """Where a reader gets its bytes."""

    size: int
    """How many bytes there are, unpacked."""

    def read(self, offset: int, count: int) -> bytes:
        """Return `count` bytes from `offset`, or fewer at the end. Raises `Trouble` if they cannot be read."""

    def close(self) -> None:
        """Close the file."""


class _Open:
    """An open file. Closing it again does nothing: its number may be another file's by then."""

    def __init__(self, descriptor: int, path: str) -> None:
        self._descriptor = descriptor
        self._path = path

    def _bytes(self, count: int, offset: int) -> bytes:
        if self._descriptor < 0:
            raise Trouble(f"{self._path}: is closed; open it again to read it")
        return _pread(self._descriptor, count, offset)

    def close(self) -> None:
        """Close the file."""
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)


class Plain(_Open):
    """A plain file. Its size is taken when it is opened; what is written later is not read."""

    def __init__(self, descriptor: int, path: str) -> None:
        super().__init__(descriptor, path)
        self.size = os.fstat(descriptor).st_size

    def read(self, offset: int, count: int) -> bytes:
        """Return bytes as `Store.read` says."""
        count = min(count, self.size - offset)
        if count <= 0:
            return b""
        try:
            text = self._bytes(count, offset)
        except OSError as error:
            raise Trouble(f"{self._path}: reading at byte {offset}: {error.strerror}") from error
        if len(text) < count:
            raise Trouble(
                f"{self._path}: was cut short by another program while it was read, at byte {offset + len(text)}"
            )
        return text


class Packed(_Open):
    """A packed file. Holds the members' offsets, and the member last unpacked."""

    def __init__(self, descriptor: int, path: str) -> None:
        super().__init__(descriptor, path)
        self._places: list[tuple[int, int, int]] = []
        self._starts: list[int] = []
        self.size = 0
        self.torn_at: int | None = None
        """Byte of the packed file from which on it does not hold whole members; None if it does to the end."""
        length = os.fstat(descriptor).st_size
        at = 0
        while at < length:
            head = _pread(descriptor, _HEAD.size, at)
            fields = _HEAD.unpack(head) if len(head) == _HEAD.size else None
            if fields is None or fields[:11] != _FIXED:
                break
            packed, unpacked, start, _ = fields[11:]
            if start != self.size or packed <= _HEAD.size or unpacked > MOST_MEMBER or at + packed > length:
                break
            self._places.append((at, packed, unpacked))
            self._starts.append(start)
            self.size += unpacked
            at += packed
        if at < length:
            if not self._places:
                raise Trouble(f"{path}: a gzip file packed by another program; unpack it with gunzip, and read that")
            self.torn_at = at
        self._held = -1
        self._text = b""

    def read(self, offset: int, count: int) -> bytes:
        """Return bytes as `Store.read` says."""
        pieces = []
        while count > 0 and offset < self.size:
            number = bisect_right(self._starts, offset) - 1
            text = self._member(number)
            inside = offset - self._starts[number]
            piece = text[inside : inside + count]
            pieces.append(piece)
            offset += len(piece)
            count -= len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def _member(self, number: int) -> bytes:
        if number != self._held:
            at, packed, unpacked = self._places[number]
            try:
                # One byte more than there should be, so that a member which is longer than it says is noticed.
                text = zlib.decompressobj(31).decompress(self._bytes(packed, at), unpacked + 1)
            except (zlib.error, OSError) as error:
                what = printable(str(error))
                raise Trouble(f"{self._path}: the gzip member at byte {at} cannot be unpacked: {what}") from error
            if len(text) != unpacked:
                raise Trouble(f"{self._path}: the gzip member at byte {at} is not as long as it says")
            self._held, self._text = number, text
        return self._text


def open_store(path: str | os.PathLike[str]) -> Plain | Packed:
    """Open a capture file, plain or packed. Raises `Trouble` if it cannot be opened."""
    shown = printable(os.fspath(path))
    try:
        descriptor = os.open(path, _READ_FLAGS)
    except OSError as error:
        raise Trouble(f"{shown}: {error.strerror}") from error
    except ValueError as error:
        raise Trouble(f"{shown}: {error}") from error
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise Trouble(f"{shown}: not a file; a capture is read from a file on disk")
        if _pread(descriptor, 2, 0) == PACKED_MAGIC:
            return Packed(descriptor, shown)
        return Plain(descriptor, shown)
    except OSError as error:
        os.close(descriptor)
        raise Trouble(f"{shown}: {error.strerror}") from error
    except Trouble:
        os.close(descriptor)
        raise


def pack(source: Path, target: Path, stop: Callable[[], bool] = lambda: False) -> bool:
    """Pack the capture `source` into `target`, which appears whole or not at all. `source` stays.

    Returns False if `stop` returned True before it was done. Raises `Trouble` if a file cannot be read or written.
    """
    fresh: Fresh | None = None
    try:
        with source.open("rb") as plain:
            fresh = Fresh(target)
            with open(fresh.descriptor, "wb") as packed:
                start = since = 0
                while lines := plain.readlines(MEMBER_BYTES):
                    if stop():
                        return False
                    since += packed.write(_pack_member(b"".join(lines), start, _first_stamp(lines)))
                    start += sum(map(len, lines))
                    if since > FSYNC_BYTES:
                        os.fsync(packed.fileno())
                        since = 0
                packed.flush()
                os.fsync(packed.fileno())
                fresh.place(target, replace=source == target)
                sync_folder(target.parent)
    except FileExistsError:
        raise Trouble(f"{printable(str(target))}: cannot be packed: the file exists already") from None
    except OSError as error:
        raise Trouble(f"{printable(str(target))}: cannot be packed: {error.strerror}") from error
    finally:
        if fresh is not None:
            fresh.give_up()
    return True


def _first_stamp(lines: list[bytes]) -> int:
    for line in lines:
        stamp = line.partition(b" ")[0]
        if stamp.isdigit() and len(stamp) <= 18:
            return int(stamp)
    return 0


def _pack_member(text: bytes, start: int, stamp: int) -> bytes:
    packer = zlib.compressobj(6, zlib.DEFLATED, -15)
    body = packer.compress(text) + packer.flush()
    tail = struct.pack("<II", zlib.crc32(text), len(text))
    length = _HEAD.size + len(body) + len(tail)
    return _HEAD.pack(*_FIXED, length, len(text), start, stamp) + body + tail
