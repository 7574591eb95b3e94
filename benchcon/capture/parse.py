"""From the lines of a capture file to batches of records that keep what their kind promises. No I/O.

This is the hot path of reading, so it works on blocks of many lines: what a block needs once is done once, and the
slow way is taken only by lines that are not as they should be.
"""

from __future__ import annotations

import re
import zlib
from binascii import crc_hqx
from collections import Counter
from typing import NamedTuple

from benchcon.capture.form import CRC_WIDTH, SYNC, read_sync, unescape
from benchcon.wire.printable import printable
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, LINE_DOWN, LINE_UP, Batch

MOST_PROBLEMS = 200
"""How many problems are kept one by one; all are counted."""
PIECE = 80
"""Most bytes in a bytes record."""

_PREFIX = re.compile(rb"(\d{1,18}) (\d{1,4}) ([<>()~*=#]) ")
_PRINTABLE_AND_END = bytes(range(0x20, 0x7F)) + b"\n"
_LINES = (LINE_UP, LINE_DOWN)
_BYTES = (BYTES_UP, BYTES_DOWN)
_NO_PREFIX = b"\n"
_CONTROL = re.compile(rb"[\x00-\x1f\x7f]")


class Problem(NamedTuple):
    """Something in a file that is not as it should be."""

    sort: str
    """``torn``, ``form``, ``check``, ``backwards``, ``changed``, ``long``: see `protocols/capture-file.md`."""
    offset: int
    """Byte of the file where the line begins."""
    line: int | None
    """Its number from 1; None after going to a time in mid-file."""
    text: str
    """What is wrong, printable."""

    @property
    def where(self) -> str:
        """``line 12``, or ``byte 4711`` where the line is not known."""
        return f"line {self.line}" if self.line is not None else f"byte {self.offset}"


class Problems:
    """What was found wrong with a file: all counted, the first ones kept."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.kept: list[Problem] = []

    def add(self, sort: str, offset: int, line: int | None, text: str) -> None:
        """Count a problem, and keep it if there is room."""
        self.counts[sort] += 1
        if len(self.kept) < MOST_PROBLEMS:
            self.kept.append(Problem(sort, offset, line, text))


class Parser:
    """Turns blocks of whole lines, in order, into batches.

    `begin` says where in the file the next block begins; a sync line is held against the bytes only if the parser has
    seen all that it covers.
    """

    def __init__(self, problems: Problems) -> None:
        self.problems = problems
        self.last_us = 0
        """Greatest stamp so far: what is stamped earlier is taken to be of this moment."""
        self.records = 0
        self.unsynced = 0
        """Records since the last sync line."""
        self.quiet = False
        """Whether problems go uncounted: this part of the file has been read before."""
        self._offset = 0
        self._line: int | None = 1
        self._whole = True
        self._crc = 0

    def begin(self, offset: int, line: int | None, whole: bool) -> None:
        """The next block begins at `offset`, on line `line` if known; `whole`: directly after a sync line or at 0."""
        self._offset, self._line, self._whole = offset, line, whole
        self._crc = self.unsynced = 0
        self.last_us = 0

    def header(self, line: bytes) -> None:
        """Pass the header line, without its end: it counts for the first sync line."""
        self._crc = zlib.crc32(line + b"\n")
        self._offset += len(line) + 1
        self._line = 2

    def block(self, block: bytes) -> list[Batch]:
        """Take whole lines, each with its end, and return their records."""
        lines = block.split(b"\n")
        lines.pop()
        harmless = block.isascii() and not block.translate(None, _PRINTABLE_AND_END)
        batches: list[Batch] = []
        prefix = _NO_PREFIX
        skip = 0
        kind = ""
        add = [].append  # type: ignore[var-annotated]
        last_us = self.last_us
        covered_from = 0  # byte of this block where what the next sync line covers begins
        lines_from = bad = 0  # the number of its first line, and how many of its lines are no records
        for number, line in enumerate(lines):
            if line.startswith(prefix):
                add(line[skip:])
                continue
            match = _PREFIX.match(line)
            if match is None:
                prefix = _NO_PREFIX
                bad += 1
                self._note(lines, number, "form", f"no record: '{shown(line)}'")
                continue
            stamp, source, mark = match.groups()
            at_us = int(stamp)
            if at_us < last_us:
                self._note(lines, number, "backwards", f"a stamp of {at_us} us after one of {last_us} us")
                at_us = last_us
            last_us = at_us
            skip = match.end()
            kind = mark.decode()
            if kind == SYNC:
                prefix = _NO_PREFIX
                size = sum(map(len, lines[lines_from:number])) + number - lines_from
                covered = block[covered_from : covered_from + size]
                self._sync(lines, number, line, skip, covered, number - lines_from - bad)
                self.records += number - lines_from - bad
                covered_from += size + len(line) + 1
                lines_from, bad = number + 1, 0
                continue
            prefix = match.group()
            bodies = [line[skip:]]
            add = bodies.append
            batches.append(Batch(at_us, int(source), kind, bodies))
        self.last_us = last_us
        self._crc = zlib.crc32(block[covered_from:], self._crc)
        self.unsynced += len(lines) - lines_from - bad
        self.records += len(lines) - lines_from - bad
        checked = self._checked(batches, harmless, lines)
        self._offset += len(block)
        if self._line is not None:
            self._line += len(lines)
        return checked

    # --- checks -----------------------------------------------------------------------------------------------------

    def _checked(self, batches: list[Batch], harmless: bool, lines: list[bytes]) -> list[Batch]:
        """Make each batch what its kind promises; lines without a right check become bytes."""
        out = batches
        for number, batch in enumerate(batches):
            kind, bodies = batch.kind, batch.bodies
            if kind in _LINES:
                bad = [body for body in bodies if b"#%04X" % crc_hqx(body[:-5], 0xFFFF) != body[-5:]]
                if harmless and not bad and max(map(len, bodies)) < PIECE:
                    if out is not batches:
                        out.append(batch)
                    continue
                if out is batches:
                    out = batches[:number]
                out.extend(self._sorted_out(batch, lines))
            else:
                if kind in _BYTES:
                    bodies[:] = _pieces(bodies)
                elif kind != "=":
                    bodies[:] = map(unescape, bodies)
                if out is not batches:
                    out.append(batch)
        return out

    def _sorted_out(self, batch: Batch, lines: list[bytes]) -> list[Batch]:
        """Sort the good lines from the others, in order."""
        at_us, source, kind, bodies = batch
        other = BYTES_UP if kind == LINE_UP else BYTES_DOWN
        out: list[Batch] = []
        for body in bodies:
            good = is_line(body, kind)
            if not good:
                self._bad_check(batch, body, lines)
            new_kind = kind if good else other
            pieces = [body] if good else _pieces([body])
            if out and out[-1].kind == new_kind:
                out[-1].bodies.extend(pieces)
            else:
                out.append(Batch(at_us, source, new_kind, pieces))
        return out

    # --- problems ---------------------------------------------------------------------------------------------------

    def _length(self, lines: list[bytes], number: int) -> int:
        """Bytes of this block before line `number`."""
        return sum(map(len, lines[:number])) + number

    def _note(self, lines: list[bytes], number: int, sort: str, text: str) -> None:
        if self.quiet:
            return
        line = None if self._line is None else self._line + number
        # Only for those that are kept is it worth working out where the line begins.
        kept = len(self.problems.kept) < MOST_PROBLEMS
        self.problems.add(sort, self._offset + (self._length(lines, number) if kept else 0), line, text)

    def _bad_check(self, batch: Batch, body: bytes, lines: list[bytes]) -> None:
        tail = b" %d %b %b" % (batch.source, batch.kind.encode(), body)
        kept = len(self.problems.kept) < MOST_PROBLEMS
        number = next((n for n, line in enumerate(lines) if line.endswith(tail)), 0) if kept else 0
        self._note(lines, number, "check", f"a line without the right check: '{shown(body)}'")

    def _sync(self, lines: list[bytes], number: int, line: bytes, skip: int, covered: bytes, records: int) -> None:
        sync = read_sync(line[skip:])
        if sync is None:
            self._note(lines, number, "form", f"a sync line of another form: '{shown(line)}'")
        elif self._whole:
            crc = zlib.crc32(line[:-CRC_WIDTH], zlib.crc32(covered, self._crc))
            if sync.crc != crc or sync.records != self.unsynced + records:
                found = f"{self.unsynced + records} records, CRC {crc:08X}"
                text = f"the lines before this were changed: {found}; written were {sync.records}, {sync.crc:08X}"
                self._note(lines, number, "changed", text)
        self._whole = True
        self._crc = self.unsynced = 0


def is_line(body: bytes, kind: str) -> bool:
    """Whether `body` is a line as the kind `LINE_UP` or `LINE_DOWN` promises (by hand goes down only, unchecked)."""
    if len(body) >= PIECE or _CONTROL.search(body) or not body.isascii():
        return False
    if kind == LINE_DOWN and body.startswith(b"@@"):
        return True
    return body[-5:] == b"#%04X" % crc_hqx(body[:-5], 0xFFFF)


def shown(raw: bytes) -> str:
    """Return the beginning of a line, printable, for a message."""
    return printable(raw[:40]) + ("…" if len(raw) > 40 else "")


def _pieces(bodies: list[bytes]) -> list[bytes]:
    """Unescape, and cut what is longer than a bytes record may be."""
    raw = list(map(unescape, bodies))
    if max(map(len, raw)) <= PIECE:
        return raw
    return [body[at : at + PIECE] for body in raw for at in range(0, max(len(body), 1), PIECE)]
