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

ENDINGS = (".capture", ".capture.gz")
"""Endings of the names of captures, as they are written and packed."""
MAGIC = "benchcon capture"
PACKED_MAGIC = b"\x1f\x8b"
"""How a packed one begins (gzip, RFC 1952, section 2.3.1)."""
VERSION = 1
SYNC = "#"
"""Kind character of a sync line. It belongs to the file, not to the stream: no record has it."""

MOST_LINE = 4 << 20
"""Most bytes of one line of a file, with its end; only keyframes come anywhere near."""
SYNC_BYTES = 64 << 10
"""Most bytes between two sync lines (unless a single line is longer), so that one is always near."""

SYNC_US = 900_000
"""Records that are further apart have a sync line between them, so that one follows each record within a second."""

AS_IT_IS = frozenset((LINE_UP, LINE_DOWN, KEYFRAME))
"""Kinds whose bodies are written as they are; those of the others are escaped."""

_PRINTABLE = bytes(range(0x20, 0x7F))
_AS_IT_STANDS = _PRINTABLE.replace(b"\\", b"")
_NOT_AS_IT_IS = bytes(code for code in range(0x20) if code != 0x0A) + b"\x7f"
_ESCAPES = [chr(code) if chr(code).isprintable() and code < 0x7F else f"\\x{code:02X}" for code in range(256)]
_ESCAPES[0x5C] = "\\x5C"
_CONTROL_TEXT = {code: f"\\x{code:02X}" for code in (*range(0x20), 0x5C, 0x7F)}
# C1 control codes, and marks that change the direction of text, are escaped as the bytes of their UTF-8.
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
    """Return `body` as one line: a backslash, and every byte that is not printable, becomes ``\\xHH``.

    Notes and link records that are UTF-8 keep their letters; in all other kinds only ASCII is printable.
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
    """Return the bytes that `escape` was given; whatever is not an escape stays as it is. Never raises."""
    return _ESCAPED.sub(lambda match: bytes((int(match[1], 16),)), text) if b"\\" in text else text


def encode(batch: Batch) -> bytes:
    """Return the lines of one batch, each with its end.

    A body of kind `LINE_UP` or `LINE_DOWN` that is not printable ASCII could not be read back as a line, and is written
    as a bytes record. Control codes in a keyframe, which JSON allows only between words, become spaces.
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
    """All other words, by key, unquoted: ``program``, ``part``, ``against`` and any that a user added."""


def write_header(began: datetime, words: Mapping[str, str]) -> bytes:
    """Return the header line, with its end. `began` must have a time zone."""
    moment = began.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    pairs = "".join(f" {key}={quote(text)}" for key, text in words.items())
    return f"{MAGIC} {VERSION} began={moment} unit=us{pairs}\n".encode()


def read_header(line: bytes, path: str) -> Header:
    """Return what the first line of `path` says; `line` is that line without its end.

    Raises `Trouble` if this is not a capture of the version that this program reads.
    """
    magic = f"{MAGIC} ".encode()
    if not line.startswith(magic):
        raise Trouble(
            f"{path}: line 1: this is not a capture, whose first line would begin with '{MAGIC} {VERSION} began='"
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
        raise Trouble(f"{path}: line 1: needs 'began=' with a time such as 2026-03-01T12:00:00.000000Z") from None
    return Header(began, pairs)


def wall_time(began: datetime, at_us: int) -> str:
    """Return the wall-clock time of a stamp: RFC 3339 in UTC, or ``BEGAN + STAMP us`` if it is beyond the calendar."""
    try:
        moment = began + timedelta(microseconds=at_us)
    except OverflowError:
        return f"{began.isoformat()} + {at_us} us"
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


# --- sync lines -----------------------------------------------------------------------------------------------------


class Sync(NamedTuple):
    """The contents of a sync line. Offsets are in bytes from the beginning of the (unpacked) file, -1 for none."""

    records: int
    """How many records there were since the last sync line; the header is not one."""
    keyframe: int
    """Where the line of the last keyframe before this begins."""
    prior: int
    """Where the keyframe before that one begins."""
    note: int
    """Where the last note before this begins."""
    crc: int
    """CRC-32 (ISO 3309, as in gzip) of all bytes since the end of the last sync line, or the beginning of the file."""


CRC_WIDTH = 8
_SYNC = re.compile(
    rb"records=(\d{1,18}) keyframe=(-1|\d{1,18}) prior=(-1|\d{1,18}) note=(-1|\d{1,18}) crc=([0-9A-F]{8})"
)


def write_sync(at_us: int, sync: Sync) -> bytes:
    """Return a sync line with its end. `sync.crc` covers the bytes before the line; its own are added here."""
    *numbers, crc = sync
    head = b"%d %d # records=%d keyframe=%d prior=%d note=%d crc=" % (at_us, BENCH, *numbers)
    return b"%b%08X\n" % (head, zlib.crc32(head, crc))


def read_sync(body: bytes) -> Sync | None:
    """Return the contents of a sync line's body; None if it is not of that form."""
    match = _SYNC.fullmatch(body)
    if match is None:
        return None
    records, keyframe, prior, note, crc = match.groups()
    return Sync(int(records), int(keyframe), int(prior), int(note), int(crc, 16))
