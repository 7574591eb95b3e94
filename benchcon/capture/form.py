"""The form of a capture file: header line, record lines, sync lines (see `protocols/capture-file.md`). No I/O."""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.wire.quote import quote, unquoted_pairs
from benchcon.wire.records import BENCH, BYTES_DOWN, BYTES_UP, KEYFRAME, LINE_DOWN, LINE_UP, LINK, NOTE, Batch

MAGIC = "benchcon capture"
VERSION = 1
SYNC = "#"
"""Kind character of a sync line. It is of the file, not of the stream: no record has it."""

MOST_LINE = 4 << 20
"""Most bytes of one line of a file, its end included; only keyframes come anywhere near."""
SYNC_BYTES = 64 << 10
"""A sync line follows at the latest after this many bytes (one longer line aside), so that one is always near."""

SYNC_US = 900_000
"""A sync line parts records that lie further apart: none follows later than a second after a record."""

AS_IT_IS = frozenset((LINE_UP, LINE_DOWN, KEYFRAME))
"""Kinds whose bodies stand in the file as they are; the others are escaped."""

_PRINTABLE = bytes(range(0x20, 0x7F))
_AS_IT_STANDS = _PRINTABLE.replace(b"\\", b"")
_NOT_AS_IT_IS = bytes(code for code in range(0x20) if code != 0x0A) + b"\x7f"
_ESCAPES = [chr(code) if chr(code).isprintable() and code < 0x7F else f"\\x{code:02X}" for code in range(256)]
_ESCAPES[0x5C] = "\\x5C"
_CONTROL_TEXT = {code: f"\\x{code:02X}" for code in (*range(0x20), 0x5C, 0x7F)}
# Control codes of the upper half and marks that turn writing round are escaped byte by byte of their UTF-8.
_CONTROL_TEXT |= {
    code: "".join(f"\\x{byte:02X}" for byte in chr(code).encode())
    for code in (
        *range(0x80, 0xA0),
        0x61C,
        0x200B,
        *range(0x200E, 0x2010),
        *range(0x2028, 0x202F),
        *range(0x2060, 0x206A),
    )
}
_ESCAPED = re.compile(rb"\\x([0-9A-Fa-f]{2})")


def escape(body: bytes, kind: str = BYTES_UP) -> bytes:
    """Return `body` on one line: ``\\xHH`` for a backslash and for what is not printable.

    Notes and link records that are UTF-8 keep their letters; everywhere else only ASCII stays.
    """
    if not body.translate(None, _AS_IT_STANDS):
        return body
    if kind in (NOTE, LINK):
        try:
            return body.decode().translate(_CONTROL_TEXT).encode()
        except UnicodeDecodeError:
            pass
    return "".join([_ESCAPES[code] for code in body]).encode()


def unescape(text: bytes) -> bytes:
    """Return what `escape` was given; what is no escape stays as it is. Never raises."""
    return _ESCAPED.sub(lambda match: bytes((int(match[1], 16),)), text) if b"\\" in text else text


def encode(batch: Batch) -> bytes:
    """Return the lines of one batch, each with its end.

    A line of kind `LINE_UP` or `LINE_DOWN` that is no printable ASCII could not be read back as one: it is written as
    the bytes record that it is. Control codes in a keyframe, which JSON allows only between words, become spaces.
    """
    at_us, source, kind, bodies = batch
    if not bodies:
        return b""
    prefix = b"%d %d %b " % (at_us, source, kind.encode())
    if kind not in AS_IT_IS:
        lines = (b"\n" + prefix).join([escape(body, kind) for body in bodies])
        return prefix + lines + b"\n"
    written = prefix + (b"\n" + prefix).join(bodies) + b"\n"
    if (
        written.isascii()
        and not written.translate(None, _PRINTABLE).strip(b"\n")
        and written.count(b"\n") == len(bodies)
    ):
        return written
    return _encode_slowly(batch)


def _encode_slowly(batch: Batch) -> bytes:
    at_us, source, kind, bodies = batch
    if kind == KEYFRAME:
        spaces = bytes.maketrans(_NOT_AS_IT_IS + b"\n", b" " * (len(_NOT_AS_IT_IS) + 1))
        return b"".join(b"%d %d = %b\n" % (at_us, source, body.translate(spaces)) for body in bodies)
    other = BYTES_UP if kind == LINE_UP else BYTES_DOWN
    return b"".join(
        b"%d %d %b %b\n" % (at_us, source, kind.encode(), body)
        if not body.translate(None, _PRINTABLE)
        else b"%d %d %b %b\n" % (at_us, source, other.encode(), escape(body))
        for body in bodies
    )


# --- the header -----------------------------------------------------------------------------------------------------


class Header(NamedTuple):
    """The first line of a file."""

    began: datetime
    """Wall-clock time (UTC) of stamp 0."""
    words: dict[str, str]
    """Everything else it says, by key, unquoted: ``program``, ``part``, ``against`` and what a user added."""


def write_header(began: datetime, words: Mapping[str, str]) -> bytes:
    """Return the header line. `began` must know its time zone."""
    moment = began.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    pairs = "".join(f" {key}={quote(text)}" for key, text in words.items())
    return f"{MAGIC} {VERSION} began={moment} unit=us{pairs}\n".encode()


def read_header(line: bytes, path: str) -> Header:
    """Take the first line of `path`, without its end. Raises `Trouble` if it is not a capture of this version."""
    magic = f"{MAGIC} ".encode()
    if not line.startswith(magic):
        raise Trouble(
            f"{path}: line 1: this is not a capture; the first line of one begins with '{MAGIC} {VERSION} began='"
        )
    if line.endswith(b"\r"):
        raise Trouble(f"{path}: line 1: lines end with CR LF: a program changed them; change them back to LF alone")
    number, *words = line[len(magic) :].decode("ascii", "replace").split(" ")
    if number != str(VERSION):
        shown = number if number.isalnum() and len(number) < 9 else "that is not a number"
        raise Trouble(f"{path}: line 1: a capture of version {shown}; this program reads version {VERSION}")
    pairs = unquoted_pairs(words)
    if pairs.pop("unit", "us") != "us":
        raise Trouble(f"{path}: line 1: stamps are in a unit other than 'us', the only one known")
    try:
        began = datetime.fromisoformat(pairs.pop("began"))
        began = began.astimezone(UTC) if began.tzinfo else began.replace(tzinfo=UTC)
    except (KeyError, ValueError, OverflowError):
        raise Trouble(
            f"{path}: line 1: 'began=' must be there, with a time such as 2026-03-01T12:00:00.000000Z"
        ) from None
    return Header(began, pairs)


def wall_time(began: datetime, at_us: int) -> str:
    """Return the wall-clock time of a stamp, RFC 3339 in UTC; a stamp beyond the calendar is given as it is."""
    try:
        moment = began + timedelta(microseconds=at_us)
    except OverflowError:
        return f"{began.isoformat()} + {at_us} us"
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


# --- sync lines -----------------------------------------------------------------------------------------------------


class Sync(NamedTuple):
    """What a sync line says. Offsets are in bytes from the beginning of the (unpacked) file, -1 for none."""

    records: int
    """Number of records since the last sync line (the header is none)."""
    keyframe: int
    """Where the line of the last keyframe before this begins."""
    prior: int
    """Where the keyframe before that one begins."""
    note: int
    """Where the last note before this begins."""
    crc: int
    """CRC-32 (ISO 3309, as in gzip) of all bytes since the end of the last sync line, or since the file's beginning."""


CRC_WIDTH = 8
_SYNC = re.compile(
    rb"records=(\d{1,18}) keyframe=(-1|\d{1,18}) prior=(-1|\d{1,18}) note=(-1|\d{1,18}) crc=([0-9A-F]{8})"
)


def write_sync(at_us: int, sync: Sync) -> bytes:
    """Return a sync line with its end. `sync.crc` is that of the bytes before the line; the line adds its own."""
    *numbers, crc = sync
    head = b"%d %d # records=%d keyframe=%d prior=%d note=%d crc=" % (at_us, BENCH, *numbers)
    return b"%b%08X\n" % (head, zlib.crc32(head, crc))


def read_sync(body: bytes) -> Sync | None:
    """Take the body of a sync line; None if it is not as it should be."""
    match = _SYNC.fullmatch(body)
    if match is None:
        return None
    records, keyframe, prior, note, crc = match.groups()
    return Sync(int(records), int(keyframe), int(prior), int(note), int(crc, 16))
