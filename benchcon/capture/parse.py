"""From the lines of a capture file to batches of records that keep what their kind promises. No I/O.

This is the hot path of reading, so it works on blocks of many lines: what a block needs once is done once, and the
slow way is taken only by lines that are not as they should be.
"""

from __future__ import annotations

import zlib
from collections import Counter
from typing import NamedTuple

from benchcon.capture.form import CRC_WIDTH, SYNC, read_sync, unescape
from benchcon.wire.codec import Splitter
from benchcon.wire.printable import printable
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, KINDS, LINE_DOWN, LINE_UP, LINK, NOTE, Batch

MOST_PROBLEMS = 200
"""How many problems are kept one by one; all are counted."""
PIECE = 80
"""Most bytes in a bytes record."""

_KINDS = {kind.encode(): kind for kind in (*KINDS, SYNC)}
_BYTES = (BYTES_UP, BYTES_DOWN)
_ESCAPED = frozenset((BYTES_UP, BYTES_DOWN, LINK, NOTE))
_NO_PREFIX = b"\n"
_NOWHERE: list[bytes] = []


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


class _Sources(dict[bytes, int]):
    """Source numbers by how they are written; what cannot be one is a KeyError."""

    def __missing__(self, word: bytes) -> int:
        if len(word) > 4 or not word.isdigit():
            raise KeyError(word)
        self[word] = int(word)
        return self[word]


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
        self._splitters = {LINE_UP: Splitter("up"), LINE_DOWN: Splitter("down", by_hand=True)}
        self._sources = _Sources()
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
        batches: list[Batch] = []
        prefix = _NO_PREFIX
        skip = 0
        add = _NOWHERE.append
        append = batches.append
        new_batch = tuple.__new__
        sources, kinds = self._sources, _KINDS
        escaped = _ESCAPED
        to_unescape: list[tuple[str, list[bytes]]] = []
        last_us = self.last_us
        covered_from = 0  # byte of this block where what the next sync line covers begins
        lines_from = bad = 0  # the number of its first line, and how many of its lines are no records
        for number, line in enumerate(lines):
            if line.startswith(prefix):
                add(line[skip:])
                continue
            try:
                stamp, word, mark, body = line.split(b" ", 3)
                source, kind = sources[word], kinds[mark]
                if len(stamp) > 18 or not stamp.isdigit():
                    raise ValueError
            except (ValueError, KeyError):
                prefix = _NO_PREFIX
                bad += 1
                self._note(lines, number, "form", f"no record: '{shown(line)}'")
                continue
            at_us = int(stamp)
            if at_us < last_us:
                self._note(lines, number, "backwards", f"a stamp of {at_us} us after one of {last_us} us")
                at_us = last_us
            last_us = at_us
            skip = len(line) - len(body)
            if kind == SYNC:
                prefix = _NO_PREFIX
                size = sum(map(len, lines[lines_from:number])) + number - lines_from
                covered = block[covered_from : covered_from + size]
                self._sync(lines, number, line, skip, covered, number - lines_from - bad)
                self.records += number - lines_from - bad
                covered_from += size + len(line) + 1
                lines_from, bad = number + 1, 0
                continue
            prefix = line[:skip]
            bodies = [body]
            add = bodies.append
            append(new_batch(Batch, (at_us, source, kind, bodies)))
            if kind in escaped:
                to_unescape.append((kind, bodies))
        self.last_us = last_us
        self._crc = zlib.crc32(block[covered_from:], self._crc)
        self.unsynced += len(lines) - lines_from - bad
        self.records += len(lines) - lines_from - bad
        for kind, bodies in to_unescape:
            bodies[:] = _pieces(bodies) if kind in _BYTES else map(unescape, bodies)
        checked = self._checked(batches, lines)
        self._offset += len(block)
        if self._line is not None:
            self._line += len(lines)
        return checked

    # --- checks -----------------------------------------------------------------------------------------------------

    def _checked(self, batches: list[Batch], lines: list[bytes]) -> list[Batch]:
        """Make each batch what its kind promises; what is no good line of its direction becomes bytes."""
        # Once for the whole block: that is much faster than batch by batch, and nearly always all are good.
        bad = {kind for kind, splitter in self._splitters.items() if not _all_good(splitter, kind, batches)}
        if not bad:
            return batches
        out: list[Batch] = []
        for batch in batches:
            if batch.kind in bad:
                self._sort_out(batch, lines, out)
            else:
                out.append(batch)
        return out

    def _sort_out(self, batch: Batch, lines: list[bytes], out: list[Batch]) -> None:
        """Add the good lines of `batch` and, as bytes, the others, in order."""
        at_us, source, kind, bodies = batch
        other = BYTES_UP if kind == LINE_UP else BYTES_DOWN
        runs: list[tuple[str, list[bytes]]] = []
        for body in bodies:
            good = self._splitters[kind].feed(body + b"\n") == [(kind, [body])]
            if not good:
                self._bad_check(batch, body, lines)
            this = kind if good else other
            if not runs or runs[-1][0] != this:
                runs.append((this, []))
            runs[-1][1].extend([body] if good else _pieces([body]))
        out.extend(Batch(at_us, source, run_kind, run) for run_kind, run in runs)

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
        self._note(lines, number, "check", f"not a line of the protocol, or its check is wrong: '{shown(body)}'")

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


def _all_good(splitter: Splitter, kind: str, batches: list[Batch]) -> bool:
    """Whether all lines of this kind are good."""
    bodies = [body for batch in batches if batch[2] == kind for body in batch[3]]
    if not bodies:
        return True
    text = b"\n".join(bodies) + b"\n"
    if b"\r" in text:
        return False
    runs = splitter.feed(text)
    return len(runs) == 1 and runs[0][0] == kind and len(runs[0][1]) == len(bodies)


def shown(raw: bytes) -> str:
    """Return the beginning of a line, printable, for a message."""
    return printable(raw[:40]) + ("…" if len(raw) > 40 else "")


def _pieces(bodies: list[bytes]) -> list[bytes]:
    """Unescape, and cut what is longer than a bytes record may be."""
    raw = list(map(unescape, bodies))
    if max(map(len, raw)) <= PIECE:
        return raw
    return [body[at : at + PIECE] for body in raw for at in range(0, max(len(body), 1), PIECE)]
