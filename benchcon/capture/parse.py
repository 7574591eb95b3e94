"""Turns the lines of a capture file into batches of records, each of which is what its kind says. No I/O.

This is where reading spends its time, so it works on blocks of many lines: what can be done once per block is, and only
lines that are not as they should be take the slow path. A record line whose shape (see `benchcon.wire.codec`) was found
good once is good in form, head and body; only its stamp, its source and its check are left to be looked at.
"""

from __future__ import annotations

import gc
import zlib
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from itertools import repeat
from operator import itemgetter
from typing import NamedTuple

from benchcon.capture.form import CRC_WIDTH, SYNC, read_sync, unescape
from benchcon.text import counted, printable
from benchcon.wire.codec import DOWN, SHAPE, UP, Splitter, checks_right, plainly_good
from benchcon.wire.records import BENCH, BYTES_DOWN, BYTES_UP, KEYFRAME, KINDS, LINE_DOWN, LINE_UP, LINK, NOTE, Batch

MOST_PROBLEMS = 200
"""How many problems are kept; all are counted."""
PIECE = 80
"""Most bytes in a bytes record."""

SHAPES_MOST = 4096
"""Shapes of record lines that are remembered; when there are more, all are forgotten."""
SAMPLE = 64
"""How many lines are examined to find out whether several share a read."""
MOST_UNSYNCED_US = 1_000_000
"""Records that are further apart must have a sync line between them."""
MOST_DIGITS = 18
"""Most digits of a stamp."""

_KINDS = {kind.encode(): kind for kind in (*KINDS, SYNC)}
_BYTES = (BYTES_UP, BYTES_DOWN)
_TEXTS = (LINK, NOTE)
_OF_BOARDS = (LINE_UP, LINE_DOWN, *_BYTES)
_FORMS = {LINE_UP.encode(): UP.fullmatch, LINE_DOWN.encode(): DOWN.fullmatch}
_DIGITS = {ord("0") + digit: digit for digit in range(1, 10)}
_TAG_0 = b" > >00 "
"""A tag that no request has, though its shape is the same as that of other tags."""
_new_batch = partial(tuple.__new__, Batch)


class Problem(NamedTuple):
    """Something wrong in a file."""

    sort: str
    """One of those in section 6 of `protocols/capture-file.md`: ``torn``, ``form``, …"""
    offset: int
    """Byte of the file at which the line begins."""
    line: int | None
    """The line's number from 1; None if reading began in the middle of the file."""
    text: str
    """What is wrong, printable."""

    @property
    def where(self) -> str:
        """``line 12``, or ``byte 4711`` if the line is not known."""
        return f"line {self.line}" if self.line is not None else f"byte {self.offset}"

    def __str__(self) -> str:
        return f"{self.where}: {self.text}"


InspectKeyframe = Callable[[bytes], object]
"""Called with a keyframe's body; raises `ValueError`, which says in a few words why, if that cannot be read."""


def any_keyframe(body: bytes) -> None:
    """Accept every keyframe."""


class Problems:
    """What was found wrong in a file: all problems are counted, the first ones kept."""

    def __init__(self, inspect: InspectKeyframe = any_keyframe) -> None:
        self._inspect = inspect
        self.counts: Counter[str] = Counter()
        self.kept: list[Problem] = []
        self._keyframes: set[int] = set()

    def add(self, sort: str, offset: int, line: int | None, text: str) -> None:
        """Count a problem, and keep it if there is room."""
        self.counts[sort] += 1
        if len(self.kept) < MOST_PROBLEMS:
            self.kept.append(Problem(sort, offset, line, text))

    def keyframe(self, offset: int, line: int | None, body: bytes, *, opens: bool) -> bool:
        """Return whether the keyframe whose line begins at `offset` can be read; count it once if it cannot.

        `opens`: the file, or the part after missing records, begins with this keyframe.
        """
        if offset in self._keyframes:
            return False
        try:
            self._inspect(body)
        except ValueError as error:
            if len(self._keyframes) < MOST_PROBLEMS:
                self._keyframes.add(offset)
            follows = (
                "what it held is not known until the boards report it again or the next keyframe does"
                if opens
                else "it is skipped, and nothing is lost: the state follows from the keyframe before it"
            )
            self.add("keyframe", offset, line, f"this keyframe cannot be read ({error}): {follows}")
            return False
        return True


class _Sources(dict[bytes, int]):
    """Source numbers of boards by how they are written. What cannot be one, the bench's 0 included, is a KeyError."""

    def __missing__(self, word: bytes) -> int:
        if len(word) > 4 or not word.isdigit() or not int(word):
            raise KeyError(word)
        self[word] = int(word)
        return self[word]


class _Head(NamedTuple):
    """How to split the head of a record line. Equal heads are the same object."""

    end: int
    """Length of the stamp."""
    skip: int
    """Bytes before the body."""
    kind: str


class Parser:
    """Turns blocks of whole lines, in order, into batches.

    `begin` says where in the file the next block begins. A sync line is checked only if the parser has seen all bytes
    that it covers.
    """

    def __init__(self, problems: Problems) -> None:
        self.problems = problems
        self.last_us = 0
        """Greatest stamp so far; a record stamped earlier gets this stamp."""
        self.records = 0
        self.unsynced = 0
        """How many records there were since the last sync line."""
        self._unsynced_us = 0  # stamp of the first of them
        self.quiet = False
        """Whether problems are not counted, because this part of the file was read before."""
        self._opens = True  # whether the state would begin at a keyframe here
        self._splitters = {LINE_UP: Splitter("up"), LINE_DOWN: Splitter("down", by_hand=True)}
        self._sources = _Sources()
        self._shapes: dict[bytes, _Head] = {}
        self._heads: dict[_Head, _Head] = {}
        self._covered_from = self._covered_line = 0  # byte and line of the block from which on a sync line covers it
        self._offset = 0
        self._line: int | None = 1
        self._whole = True
        self._crc = 0

    def begin(self, offset: int, line: int | None, whole: bool) -> None:
        """Say that the next block begins at byte `offset`, on line `line` (None: not known).

        `whole`: it begins directly after a sync line, or at 0.
        """
        self._offset, self._line, self._whole = offset, line, whole
        self._crc = self.unsynced = 0
        self.last_us = 0
        self._opens = offset == 0

    def header(self, line: bytes) -> None:
        """Take the header line, without its end, since the first sync line covers it."""
        self._crc = zlib.crc32(line + b"\n")
        self._offset += len(line) + 1
        self._line = 2

    def block(self, block: bytes) -> list[Batch]:
        """Take whole lines, each with its end, and return their records."""
        # Nothing made here can be part of a cycle, and a collector that looks for one every few hundred records takes
        # a fifth of the time if each record is a read of its own.
        collecting = gc.isenabled()
        gc.disable()
        try:
            return self._block(block)
        finally:
            if collecting:
                gc.enable()

    def _block(self, block: bytes) -> list[Batch]:
        lines = block.split(b"\n")
        lines.pop()
        known = self._recognise(block, lines)
        batches: list[Batch] = []
        self._covered_from = self._covered_line = at = 0
        while at < len(lines):
            try:
                stop = known.index(None, at)
            except ValueError:
                stop = len(lines)
            if stop > at:
                stretch = self._stretch(lines[at:stop], known[at:stop])  # type: ignore[arg-type]
                if stretch is not None:
                    if not self.unsynced:
                        self._unsynced_us = stretch[0].at_us
                    batches += stretch
                    self._opens = False
                    self.unsynced += stop - at
                    self.records += stop - at
                else:
                    for number in range(at, stop):
                        self._one(block, lines, number, batches)
            if stop < len(lines):
                self._one(block, lines, stop, batches)
            at = stop + 1
        self._crc = zlib.crc32(block[self._covered_from :], self._crc)
        self._offset += len(block)
        if self._line is not None:
            self._line += len(lines)
        return batches

    # --- many lines at once -----------------------------------------------------------------------------------------

    def _recognise(self, block: bytes, lines: list[bytes]) -> list[_Head | None]:
        """Return for each line how to split it; None if it has to be looked at by itself."""
        shapes = block.translate(SHAPE).split(b"\n")
        shapes.pop()
        known = list(map(self._shapes.get, shapes))
        if _TAG_0 in block:
            return [None] * len(lines)
        learnt = 0
        at = -1
        with suppress(ValueError):
            while True:
                at = known.index(None, at + 1)
                learnt += shapes[at] not in self._shapes and self._learn(shapes[at], lines[at])
        return list(map(self._shapes.get, shapes)) if learnt else known

    def _learn(self, shape: bytes, line: bytes) -> bool:
        """Remember the shape of a line if it is plainly the record of a good line; return whether it is."""
        stamp, _, rest = line.partition(b" ")
        source, _, rest = rest.partition(b" ")
        mark, _, body = rest.partition(b" ")
        form = _FORMS.get(mark)
        if form is None or len(stamp) > MOST_DIGITS or len(source) > 4 or not plainly_good(body, form):
            return False
        if not (stamp + source).isdigit():
            return False
        if len(self._shapes) >= SHAPES_MOST:
            self._shapes.clear()
        head = _Head(len(stamp), len(line) - len(body), _KINDS[mark])
        self._shapes[shape] = self._heads.setdefault(head, head)
        return True

    def _stretch(self, lines: list[bytes], heads: list[_Head]) -> list[Batch] | None:
        """Return the records of lines of known shapes; None if one of them turns out not to be as it should.

        A shape does not show a capital where stamp or source should have a digit, whether stamps decrease, and whether
        the check is right.
        """
        sample = {line[: head.skip] for line, head in zip(lines[:SAMPLE], heads, strict=False)}
        take = _apart if len(sample) * 2 > min(len(lines), SAMPLE) else _together
        try:
            batches, stamps, bodies = take(lines, heads, self._sources)
        except (ValueError, KeyError):
            return None
        if stamps[0] < self.last_us or stamps != sorted(stamps) or not checks_right(bodies):
            return None
        self.last_us = stamps[-1]
        return batches

    # --- one line ---------------------------------------------------------------------------------------------------

    def _one(self, block: bytes, lines: list[bytes], number: int, batches: list[Batch]) -> None:
        """Take line `number` of a block by itself, whatever it is, and add its records to `batches`."""
        line = lines[number]
        try:
            stamp, word, mark, body = line.split(b" ", 3)
            kind = _KINDS[mark]
            # The bench is not a board: no line ever goes to it or comes from it.
            source = BENCH if word == b"0" and kind not in _OF_BOARDS else self._sources[word]
            if len(stamp) > MOST_DIGITS or not stamp.isdigit():
                raise ValueError
        except (ValueError, KeyError):
            self._note(lines, number, "form", f"not a record: '{shown(line)}'")
            return
        at_us = int(stamp)
        if at_us < self.last_us:
            self._note(lines, number, "backwards", f"a stamp of {at_us} us after one of {self.last_us} us")
            at_us = self.last_us
        self.last_us = at_us
        if kind == SYNC:
            size = sum(map(len, lines[self._covered_line : number])) + number - self._covered_line
            self._sync(lines, number, block[self._covered_from : self._covered_from + size], body)
            self._covered_from += size + len(line) + 1
            self._covered_line = number + 1
            return
        if not self.unsynced:
            self._unsynced_us = at_us
        self.records += 1
        self.unsynced += 1
        bodies = [body]
        if kind in self._splitters and self._splitters[kind].feed(body + b"\n") != [(kind, bodies)]:
            text = f"not a line of the protocol, or its check is wrong: '{shown(body)}'"
            self._note(lines, number, "check", text)
            kind = BYTES_UP if kind == LINE_UP else BYTES_DOWN
            bodies = _pieces(body)
        elif kind in _BYTES:
            bodies = _pieces(unescape(body))
        elif kind in _TEXTS:
            bodies = [unescape(body)]
        elif kind == KEYFRAME and not self.quiet:
            place = self._offset + self._length(lines, number)
            at_line = None if self._line is None else self._line + number
            self.problems.keyframe(place, at_line, body, opens=self._opens)
        self._opens = kind == LINK and body.startswith(b"missed ")
        if batches and batches[-1][:3] == (at_us, source, kind):
            batches[-1].bodies.extend(bodies)
        else:
            batches.append(Batch(at_us, source, kind, bodies))

    # --- problems ---------------------------------------------------------------------------------------------------

    def _length(self, lines: list[bytes], number: int) -> int:
        """Return how many bytes of this block are before line `number`."""
        return sum(map(len, lines[:number])) + number

    def _note(self, lines: list[bytes], number: int, sort: str, text: str) -> None:
        if self.quiet:
            return
        line = None if self._line is None else self._line + number
        # Where the line begins is worked out only for problems that are kept.
        kept = len(self.problems.kept) < MOST_PROBLEMS
        self.problems.add(sort, self._offset + (self._length(lines, number) if kept else 0), line, text)

    def _sync(self, lines: list[bytes], number: int, covered: bytes, body: bytes) -> None:
        line = lines[number]
        sync = read_sync(body)
        if sync is None:
            self._note(lines, number, "form", f"a sync line of another form: '{shown(line)}'")
        elif self._whole:
            crc = zlib.crc32(line[:-CRC_WIDTH], zlib.crc32(covered, self._crc))
            if sync.crc != crc or sync.records != self.unsynced:
                found = f"{counted(self.unsynced, 'record')}, CRC {crc:08X}"
                text = f"the lines before this were changed: {found}; as written, {sync.records}, {sync.crc:08X}"
                self._note(lines, number, "changed", text)
            elif self.unsynced and self.last_us - self._unsynced_us > MOST_UNSYNCED_US:
                text = f"no sync line for {(self.last_us - self._unsynced_us) / 1e6:.1f} s; at most 1 s is allowed"
                self._note(lines, number, "late", text)
        self._whole = True
        self._crc = self.unsynced = 0


def _apart(lines: list[bytes], heads: list[_Head], sources: _Sources) -> tuple[list[Batch], list[int], list[bytes]]:
    """Split lines that seldom share a read, column by column; return one batch per line, stamps, and all bodies."""
    head = heads[0]
    end, skip, kind = head
    kinds: Iterable[str] = repeat(kind)
    if heads.count(head) != len(heads):
        if {other[:2] for other in heads} != {head[:2]}:
            return _together(lines, heads, sources)
        kinds = [other[2] for other in heads]
    source = end + 1
    # `itemgetter` slices without running Python code for each line.
    stamps = list(map(int, map(itemgetter(slice(end)), lines)))
    if skip - source == 4:
        boards = [_DIGITS[line[source]] for line in lines]
    else:
        boards = [sources[line[source : skip - 3]] for line in lines]
    bodies = list(map(itemgetter(slice(skip, None)), lines))
    batches = list(map(_new_batch, zip(stamps, boards, kinds, [[body] for body in bodies], strict=False)))
    return batches, stamps, bodies


def _together(lines: list[bytes], heads: list[_Head], sources: _Sources) -> tuple[list[Batch], list[int], list[bytes]]:
    """Split lines of which several share a read, and keep these together; return batches, stamps, and all bodies."""
    batches: list[Batch] = []
    prefix, skip = b"\n", 0  # no line begins with this
    bodies: list[bytes] = []
    add = bodies.append
    for line, head in zip(lines, heads, strict=True):
        if line.startswith(prefix):
            add(line[skip:])
            continue
        end, skip, kind = head
        prefix = line[:skip]
        bodies = [line[skip:]]
        add = bodies.append
        batches.append(_new_batch((int(line[:end]), sources[line[end + 1 : skip - 3]], kind, bodies)))
    return batches, [batch[0] for batch in batches], [body for batch in batches for body in batch[3]]


def shown(raw: bytes) -> str:
    """Return the beginning of a line, printable, for a message."""
    return printable(raw[:40]) + ("…" if len(raw) > 40 else "")


def _pieces(raw: bytes) -> list[bytes]:
    """Split bytes into pieces that fit in a bytes record."""
    return [raw[at : at + PIECE] for at in range(0, max(len(raw), 1), PIECE)]
