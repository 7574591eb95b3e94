"""Bytes to checked lines and back: the grammar and the check of `protocols/line-protocol.md`, without I/O.

Lines are handled a whole read at a time. What a line *means* is the observer's business. This module only accepts or
rejects it: a good line is printable, has single spaces and fixed widths where it begins, and its check is right.

How a read is judged quickly: every hex digit and every capital A to F is replaced by ``0``. That leaves the *shape* of
a line, and a bench sees few shapes. A line whose shape was found good once is good in form. (Words are lower case, so
only a word that holds a digit could hide a capital; such shapes are not remembered.) All that is left to do for a line
is its check. As soon as one line of a read is not plainly good, the whole read is judged line by line.
"""

from __future__ import annotations

import re
import struct
from binascii import crc_hqx, unhexlify
from collections.abc import Callable, Sequence
from itertools import repeat
from operator import itemgetter
from typing import Literal, NamedTuple

from benchcon.wire.records import BYTES_DOWN, BYTES_UP, LINE_DOWN, LINE_UP

LINE_MOST = 79
"""Most bytes that a line may have, without its line end."""
RAW_MOST = 80
"""Most bytes that are kept of anything that is not a good line."""
RATE = 115_200
"""Default rate of a board's serial port, in baud (line protocol, **answer-time**)."""
SHAPES_MOST = 512
"""Shapes that one `Splitter` remembers; when there are more, it forgets them all and starts again."""

REASONS: tuple[str, ...] = ("check", "form", "torn", "oversize", "echo", "noise")
"""Why bytes are not a good line.

- ``check``: begins and ends as a machine line, but the check is wrong: a bit was flipped on the way.
- ``form``: the check is right and the grammar is not: the sender does not speak the protocol well.
- ``torn``: the beginning or the end of a machine line; the rest is missing.
- ``oversize``: 80 bytes or more without a line end; only the first 80 are kept.
- ``echo``: a good line of the other direction: something sends back what it receives.
- ``noise``: nothing like a line: wrong rate, another protocol, a loose wire.
"""

_WORD = rb"[a-z][a-z0-9_]{0,11}"
_TEXT = rb"(?: (?:[\x22\x24\x26-\x3B\x3D\x3F\x41-\x7E]++|%[0-9A-F]{2})+)*"
_CHECK = rb" #[0-9A-F]{4}"
# The form of a line, without its end: everything that the grammar asks for except the length and that the check is
# right.
# Groups of UP: number, clock (notification) or tag (answer), words; of DOWN: tag, words; of HAND: words.
UP = re.compile(rb"(?:!([0-9A-F]{4}) ([0-9A-F]{8})|<([0-9A-F]{2})) (" + _WORD + _TEXT + rb")" + _CHECK)
DOWN = re.compile(rb">(?!00)([0-9A-F]{2}) (" + _WORD + _TEXT + rb")" + _CHECK)
HAND = re.compile(rb"@@ (" + _WORD + _TEXT + rb")")
_ENDED = re.compile(rb".* #[0-9A-F]{4}", re.DOTALL)
_PRINTABLE = re.compile(rb"[\x20-\x7E]*")

SHAPE = bytes(0x30 if code in b"0123456789ABCDEF" else code for code in range(256))
"""Table for `bytes.translate` that turns a line into its shape."""
# Slices that `map` takes without running Python code for each line.
_covered = itemgetter(slice(None, -5))
_check = itemgetter(slice(-4, None))


class Parsed(NamedTuple):
    """A good line in typed form."""

    kind: Literal["request", "answer", "notification", "by hand"]
    tag: int
    """0 to 255; 0 for a notification and for a line typed by hand."""
    number: int
    """Running number of a notification, else 0."""
    clock: int
    """The board's clock in microseconds modulo 2^32 (notification), else 0."""
    words: tuple[str, ...]
    """The words after tag or clock, without the check."""


def check_of(body: bytes) -> int:
    """Return the CRC-16/IBM-3740 of `body`: polynomial 1021h, start FFFFh, not reflected, no final XOR."""
    return crc_hqx(body, 0xFFFF)


def seal(body: str | bytes) -> bytes:
    """Return `body` (a line without its check) with space, ``#`` and check added; no line end."""
    raw = body.encode("ascii") if isinstance(body, str) else body
    return b"%s #%04X" % (raw, crc_hqx(raw + b" ", 0xFFFF))


def notification(number: int, clock: int, words: Sequence[str]) -> bytes:
    """Return a notification, check included; `number` and `clock` are taken modulo 2^16 and 2^32.

    Raises ValueError if that is not a line of the protocol; so do `request`, `answer` and `by_hand`.
    """
    return _built(f"!{number & 0xFFFF:04X} {clock & 0xFFFFFFFF:08X}", words, UP.fullmatch)


def request(tag: int, words: Sequence[str]) -> bytes:
    """Return a request, check included; `tag` is 1 to 255."""
    return _built(f">{tag:02X}", words, DOWN.fullmatch)


def retagged(line: bytes, tag: int) -> bytes:
    """Return the request `line`, as `request` made it, with another tag (1 to 255; not checked)."""
    covered = b">%02X%b" % (tag, line[3:-5])
    return b"%b#%04X" % (covered, crc_hqx(covered, 0xFFFF))


def answer(tag: int, words: Sequence[str]) -> bytes:
    """Return an answer, check included; `tag` is that of the request, or 0 if that was typed by hand."""
    return _built(f"<{tag:02X}", words, UP.fullmatch)


def by_hand(words: Sequence[str]) -> bytes:
    """Return a line as a person types it: no tag, no check."""
    line = " ".join(("@@", *words)).encode("utf-8", "surrogatepass")
    if len(line) > LINE_MOST or not HAND.fullmatch(line) or line.count(b" ") != len(words):
        raise ValueError(f"not a line of the protocol: {line!r}")
    return line


def _built(head: str, words: Sequence[str], form: Callable[[bytes], object]) -> bytes:
    """Return head and words with their check. Raises ValueError if the result is not a line of the protocol."""
    body = " ".join((head, *words))
    covered = f"{body} ".encode("utf-8", "surrogatepass")
    line = b"%b#%04X" % (covered, crc_hqx(covered, 0xFFFF))
    if len(line) > LINE_MOST:
        raise ValueError(f"{len(line)} bytes; a line has {LINE_MOST} at most: {body!r}")
    if not form(line) or body.count(" ") != head.count(" ") + len(words):
        raise ValueError(f"not a line of the protocol: {body!r}")
    return line


def heard_request(line: bytes) -> tuple[int, list[str]]:
    """Return tag (0: typed by hand) and words of a line to a board that a `Splitter` has accepted."""
    if line[:1] == b">":
        return int(line[1:3], 16), line[4:-6].decode().split(" ")
    return 0, line[3:].decode().split(" ")


def parse(line: bytes) -> Parsed:
    """Return the typed form of a line (without its end). Raises ValueError with one of `REASONS` if it is not good."""
    if len(line) <= LINE_MOST:
        if up := UP.fullmatch(line):
            if _checked(line):
                words = tuple(up[4].decode().split(" "))
                if up[1]:
                    return Parsed("notification", 0, int(up[1], 16), int(up[2], 16), words)
                return Parsed("answer", int(up[3], 16), 0, 0, words)
        elif down := DOWN.fullmatch(line):
            if _checked(line):
                return Parsed("request", int(down[1], 16), 0, 0, tuple(down[2].decode().split(" ")))
        elif hand := HAND.fullmatch(line):
            return Parsed("by hand", 0, 0, 0, tuple(hand[1].decode().split(" ")))
    raise ValueError(explain_bad(line))


def _checked(line: bytes) -> bool:
    return line[-4:] == b"%04X" % crc_hqx(line[:-5], 0xFFFF)


def explain_bad(raw: bytes) -> str:
    """Return why `raw` (the body of a BYTES record) is not a good line: one of `REASONS`."""
    if len(raw) > LINE_MOST:
        return "oversize"
    begun = raw[:1] in (b"<", b">", b"!")
    if _ENDED.fullmatch(raw):
        if not begun:
            return "torn" if _PRINTABLE.fullmatch(raw) else "noise"
        if not _checked(raw):
            return "check"
        return "echo" if UP.fullmatch(raw) or DOWN.fullmatch(raw) else "form"
    if HAND.fullmatch(raw):
        return "echo"
    return "torn" if begun and _PRINTABLE.fullmatch(raw) else "noise"


def plainly_good(line: bytes, form: Callable[[bytes], object] = UP.fullmatch) -> bool:
    """Return whether `line`, and with it every line of its shape, is of good form; the check is not looked at."""
    if len(line) > LINE_MOST or not form(line):
        return False
    # A digit in the word could hide a capital.
    word = line.split(b" ", 3)[2 if line[0] == 0x21 else 1]
    return b"0" not in word.translate(SHAPE)


def checks_right(lines: Sequence[bytes]) -> bool:
    """Return whether the check of every one of `lines` is right; all must be of good form."""
    sums = tuple(map(crc_hqx, map(_covered, lines), repeat(0xFFFF)))
    return sums == struct.unpack(f">{len(lines)}H", unhexlify(b"".join(map(_check, lines))))


class Splitter:
    """One direction of one serial line: takes reads of any size, gives runs of good lines and of other bytes.

    `direction` is ``up`` (from a board) or ``down`` (to a board); `by_hand` says whether lines typed by hand are
    accepted as well. Memory is bounded, whatever is received: fewer than 80 bytes wait for their line end.
    """

    __slots__ = ("_bytes_kind", "_good", "_hand", "_line_kind", "_shapes", "_skipping", "_wait", "discarded")

    def __init__(self, direction: Literal["up", "down"], by_hand: bool = False) -> None:
        up = direction == "up"
        self._line_kind, self._bytes_kind = (LINE_UP, BYTES_UP) if up else (LINE_DOWN, BYTES_DOWN)
        self._good = (UP if up else DOWN).fullmatch
        self._hand = HAND.fullmatch if by_hand else None
        self._shapes: set[bytes] = {b""}
        self._wait = b""
        self._skipping = False
        self.discarded = 0
        """Bytes thrown away so far: those after the first 80 of each oversize line."""

    @property
    def pending(self) -> int:
        """How many bytes wait for their line end."""
        return len(self._wait)

    def feed(self, data: bytes) -> list[tuple[str, list[bytes]]]:
        """Take what one read gave, and return what it completed, in order.

        Each element is (kind, bodies): a run of good lines without their ends (`LINE_UP` or `LINE_DOWN`), or of bytes
        that are not a good line (`BYTES_UP` or `BYTES_DOWN`, at most 80 bytes each).
        """
        if b"\r" in data:
            data = data.replace(b"\r", b"\n")
        if self._skipping:
            tail, end, data = data.partition(b"\n")
            self.discarded += len(tail)
            if not end:
                return []
            self._skipping = False
        elif self._wait:
            data = self._wait + data
        lines = data.split(b"\n")
        wait = lines.pop()
        if lines:
            if len(lines) == 1 and self._is_good(lines[0]):
                runs = [(self._line_kind, lines)]  # usually an answer that somebody waits for
            elif len(lines) > 1 and self._all_good(lines, data):
                runs = [(self._line_kind, list(filter(None, lines)) if b"" in lines else lines)]
                if not runs[0][1]:
                    runs = []
            else:
                runs = self._one_by_one(lines)
        else:
            runs = []
        if len(wait) > LINE_MOST:
            self._skipping = True
            self.discarded += len(wait) - RAW_MOST
            runs = self._joined(runs, self._bytes_kind, wait[:RAW_MOST])
            wait = b""
        self._wait = wait
        return runs

    def rest(self) -> bytes:
        """Return what waits for its line end, as the body of a BYTES record, and forget it: the port was lost."""
        wait, self._wait, self._skipping = self._wait, b"", False
        return wait

    def _is_good(self, line: bytes) -> bool:
        return (
            len(line) <= LINE_MOST
            and self._good(line) is not None
            and line[-4:] == b"%04X" % crc_hqx(line[:-5], 0xFFFF)
        )

    def _all_good(self, lines: list[bytes], data: bytes) -> bool:
        """Return whether every line of this read is good; False may also mean that a closer look is needed."""
        if self._line_kind == LINE_DOWN and b">00" in data:
            return False  # no machine request has this tag, and its shape is the same as that of the others
        shapes = data.translate(SHAPE).split(b"\n")
        del shapes[-1]
        known = self._shapes
        if not known.issuperset(shapes):
            good = self._good
            if len(known) > SHAPES_MOST:
                known.clear()
                known.add(b"")
            for line, shape in zip(lines, shapes, strict=True):
                if shape not in known:
                    if not plainly_good(line, good):
                        return False
                    known.add(shape)
        return checks_right(list(filter(None, lines)) if b"" in lines else lines)

    def _one_by_one(self, lines: list[bytes]) -> list[tuple[str, list[bytes]]]:
        runs: list[tuple[str, list[bytes]]] = []
        good, hand = self._good, self._hand
        line_kind, bytes_kind = self._line_kind, self._bytes_kind
        kind = ""
        run: list[bytes] = []
        for line in lines:
            if not line:
                continue
            if len(line) > LINE_MOST:
                self.discarded += len(line) - RAW_MOST
                line = line[:RAW_MOST]
                this = bytes_kind
            elif good(line):
                this = line_kind if line[-4:] == b"%04X" % crc_hqx(line[:-5], 0xFFFF) else bytes_kind
            else:
                this = line_kind if hand is not None and hand(line) else bytes_kind
            if this != kind:
                kind, run = this, []
                runs.append((kind, run))
            run.append(line)
        return runs

    @staticmethod
    def _joined(runs: list[tuple[str, list[bytes]]], kind: str, body: bytes) -> list[tuple[str, list[bytes]]]:
        if runs and runs[-1][0] == kind:
            runs[-1][1].append(body)
        else:
            runs.append((kind, [body]))
        return runs
