"""The passive observer: pairs answers with requests, counts gaps, unwraps clocks, sees resets. It sends nothing.

Live, tap and replay all run it over the same batches and get the same events. One observer serves a whole bench; each
source has an `ObservedBoard` of its own.

How one line of a board is understood (the first row that matches). *Back* means that the clock is more than a second
earlier than before, which only a reset can cause, since a wrap goes forward. Where the running number is as expected it
means more than ten seconds: answers are sent first, so on a slow line they can be that much newer than notifications
that still wait.

    line                         running number      clock       understood as
    boot                         0, 0 was the last   the same    the same line once more: ignored
    boot                         any                 any         a reset (or the line of one already noticed)
    alive, hello: another boot   any                 any         a reset, boot line lost
    any                          any                 back        a reset, boot line lost
    any                          as expected         any         notification
    any                          up to 64 behind     not later   the same line once more: ignored
    any                          any other           any         a gap: so many lines were lost on the way

The answer to `read` names the last notification sent before it, so it shows a gap even if no notification follows.
"""

from __future__ import annotations

import struct
from binascii import unhexlify
from collections.abc import Callable, Sequence
from operator import itemgetter
from typing import Any

from benchcon.text import printable
from benchcon.wire import notifications
from benchcon.wire.codec import DOWN, HAND, UP, explain_bad
from benchcon.wire.events import AllMoved, Answered, Asked, Boot, Event, Gap, Link, Moved, Note, Notification, Odd
from benchcon.wire.observed import HALF_WRAP, HAND_MOST, LONG_SILENCE_US, Counters, ObservedBoard, Waiting
from benchcon.wire.quote import unquoted_pairs
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, LINE_DOWN, LINE_UP, LINK, NOTE, Batch

TAILS_MOST = 8192
"""How many ``is`` tails are remembered; when there are more, all are forgotten."""
RESET_BACK_US = 1_000_000
"""A clock that steps back by more than this was reset."""
QUEUE_US = 10_000_000
"""The oldest that a notification can be when it comes: how far back its clock may be if its number is as expected."""
REPEAT_MOST = 64
"""A running number up to this far behind may be a line received twice."""

BOARDS_MOST = 256
"""Most boards that are followed. A stranger's stream may name any number; nothing is kept about the others."""

_HEX = b"0123456789ABCDEF"
_head, _tail = itemgetter(slice(0, 15)), itemgetter(slice(15, -6))
"""The parts of a notification: ``!NNNN CCCCCCCC `` before its words, and the words without the check."""


class Observer:
    """Turns batches into events. The module's docstring says how it treats gaps, repeats and resets.

    ``values`` of `Moved` may be shared between events, so do not change it.
    """

    def __init__(self) -> None:
        self._boards: dict[int, ObservedBoard] = {}
        self._tails: dict[bytes, dict[str, int]] = {}
        self._takers: dict[str, Callable[[int, int, list[bytes]], Sequence[Event]]] = {
            LINE_UP: self._lines_up,
            LINE_DOWN: self._lines_down,
            BYTES_UP: self._bytes_up,
            BYTES_DOWN: self._bytes_down,
            LINK: self._link,
            NOTE: self._note,
        }

    def feed(self, batch: Batch) -> list[Event]:
        """Return the events of `batch`, in order; a keyframe has none. It never raises, whatever a batch holds."""
        return list(self.observe(batch))

    def observe(self, batch: Batch) -> Sequence[Event]:
        """Return the same as `feed`, but as an `AllMoved`, whose events are not made yet, where that is possible."""
        at_us, source, kind, bodies = batch
        taker = self._takers.get(kind)
        return taker(at_us, source, bodies) if taker is not None else []

    def counters(self, source: int) -> Counters:
        """Return the counters of a source, which go on counting; all are 0 if nothing was heard from it."""
        board = self._boards.get(source)
        return board.counters if board is not None else Counters()

    def clock_us(self, source: int, clock: int) -> int:
        """Return `clock` (µs modulo 2^32, from an answer) unwrapped: the nearest to that of the last notification."""
        board = self._boards.get(source)
        return board.unwrap(clock, board.at_us) if board is not None else clock

    def _board(self, source: int) -> ObservedBoard:
        found = self._boards.get(source)
        if found is None:
            found = ObservedBoard()
            if len(self._boards) < BOARDS_MOST:
                self._boards[source] = found
        return found

    # --- from the board -----------------------------------------------------------------------------------------------

    def _lines_up(self, at_us: int, source: int, bodies: list[bytes]) -> Sequence[Event]:
        board = self._boards.get(source) or self._board(source)
        if len(bodies) > 1:
            moved = self._all_moved(board, at_us, source, bodies)
            if moved is not None:
                return moved
        events: list[Event] = []
        for body in bodies:
            found = UP.fullmatch(body)
            if found is None:
                events.append(self._odd(board, at_us, source, body))
                continue
            board.counters.lines_up += 1
            number, clock, tag, words = found.groups()
            if tag is None:
                self._notification(board, at_us, source, int(number, 16), int(clock, 16), words, events)
            else:
                self._answer(board, at_us, source, int(tag, 16), tuple(words.decode().split(" ")), events)
        return events

    def _all_moved(self, board: ObservedBoard, at_us: int, source: int, bodies: list[bytes]) -> AllMoved | None:
        """Return changes of inputs without a gap (most of what comes) by a fast way; None: use the slow one."""
        expected, last_us = board.expected, board.clock_us
        count = len(bodies)
        if expected is None or last_us is None or expected + count > 0x10000:
            return None
        heads = b"".join(map(_head, bodies))
        if heads.translate(None, _HEX) != b"!  " * count or len(heads) != 15 * count:
            return None
        flat = struct.unpack(">" + "HI" * count, unhexlify(heads.translate(None, b"! ")))
        numbers, clocks = flat[::2], flat[1::2]
        if numbers != tuple(range(expected, expected + count)):
            return None
        low = last_us & 0xFFFFFFFF
        rising = sorted(clocks)
        newest = rising[-1]
        if (
            rising[0] < low
            or newest - low >= HALF_WRAP
            or at_us - board.at_us > LONG_SILENCE_US
            or rising != list(clocks)
        ):
            return None
        tails = list(map(_tail, bodies))
        values = list(map(self._tails.get, tails))
        if None in values and not self._learn(tails, values):
            return None
        wrapped = last_us - low
        if wrapped:
            clocks = tuple([wrapped + clock for clock in clocks])
        board.expected = (expected + count) & 0xFFFF
        board.clock_us = wrapped + newest
        board.at_us = at_us
        counters = board.counters
        counters.lines_up += count
        counters.notifications += count
        return AllMoved(at_us, source, clocks, numbers, values)  # type: ignore[arg-type]

    def _learn(self, tails: list[bytes], values: list[dict[str, int] | None]) -> bool:
        """Fill in the values of tails not seen before; False if one of them is not an ``is``."""
        remembered = self._tails
        for place, value in enumerate(values):
            if value is None:
                value = values[place] = notifications.moved_values(tails[place])
                if value is None:
                    return False
                if len(remembered) >= TAILS_MOST:
                    remembered.clear()
                remembered[tails[place]] = value
        return True

    def _notification(
        self, board: ObservedBoard, at_us: int, source: int, number: int, clock: int, said: bytes, events: list[Event]
    ) -> None:
        counters = board.counters
        counters.notifications += 1
        values: list[dict[str, int] | None] = [self._tails.get(said)]
        moved = values[0] is not None or (said[:3] == b"is " and self._learn([said], values))
        tail = "" if moved else said.decode()
        word = tail.partition(" ")[0]
        good = moved or notifications.known(tail)
        if good and word == "boot":
            self._boot_line(board, at_us, source, number, clock, tail, events)
            return
        clock_us = board.unwrap(clock, at_us)
        if good and word == "alive":
            _, boot, wraps, *_ = tail.split(" ")
            self._boot_number(board, at_us, source, int(boot, 16), events)
            clock_us = (int(wraps, 16) << 32) + clock
        elif board.clock_us is not None and clock_us < board.clock_us - (
            QUEUE_US if number == board.expected else RESET_BACK_US
        ):
            self._reset(board, at_us, source, ((board.boot or 0) + 1) & 0xFFFF, board.boot is not None, events)
            clock_us = clock
        if board.expected is not None and number != board.expected:
            ahead = (number - board.expected) & 0xFFFF
            if ahead >= 0x10000 - REPEAT_MOST and board.clock_us is not None and clock_us <= board.clock_us:
                counters.repeated += 1
                return
            self._gap(board, at_us, source, ahead, events)
        board.expected = (number + 1) & 0xFFFF
        if good and word == "alive":
            board.clock_us = None  # its count of wraps is exact, so it replaces what was worked out
        board.reached(clock_us, at_us)
        if moved:
            events.append(Moved(at_us, source, clock_us, number, values[0] or {}))
        elif good:
            if word == "lost":
                counters.dropped += int(tail[5:], 16)
            events.extend(notifications.TELL[word](at_us, source, clock_us, tail))
        else:
            counters.unknown_word(word)
            events.append(Notification(at_us, source, clock_us, tuple(tail.split(" ")), False))

    def _boot_line(
        self, board: ObservedBoard, at_us: int, source: int, number: int, clock: int, tail: str, events: list[Event]
    ) -> None:
        _, boot_word, cause, _ = tail.split(" ")
        boot = int(boot_word, 16)
        if number == 0 and board.expected == 1 and board.boot == boot and board.clock_us == clock:
            board.counters.repeated += 1
            return
        if board.boot_line_due and board.boot == boot and not board.expected:
            board.boot_line_due = False
            events.append(Notification(at_us, source, clock, tuple(tail.split(" ")), True))
        else:
            board.was_reset(boot, guessed=False, line_due=False)
            events.append(Boot(at_us, source, boot, cause))
        board.expected = (number + 1) & 0xFFFF
        board.clock_us = None
        board.reached(clock, at_us)

    def _boot_number(self, board: ObservedBoard, at_us: int, source: int, boot: int, events: list[Event]) -> None:
        """Take a boot number from `alive` or `hello`: if it differs from the one before, there was a reset."""
        if board.boot is not None and board.boot != boot and not board.boot_guessed:
            self._reset(board, at_us, source, boot, False, events)
        board.boot = boot
        board.boot_guessed = False

    @staticmethod
    def _reset(board: ObservedBoard, at_us: int, source: int, boot: int, guessed: bool, events: list[Event]) -> None:
        board.was_reset(boot, guessed, line_due=True)
        events.append(Boot(at_us, source, boot, "seen"))

    @staticmethod
    def _gap(board: ObservedBoard, at_us: int, source: int, missing: int, events: list[Event]) -> None:
        board.counters.gaps += 1
        board.counters.missing += missing
        events.append(Gap(at_us, source, missing))

    def _answer(
        self, board: ObservedBoard, at_us: int, source: int, tag: int, words: tuple[str, ...], events: list[Event]
    ) -> None:
        board.counters.answers += 1
        request: Asked | None = None
        took_us: int | None = None
        if tag == 0:
            if board.hand:
                request = board.hand.pop(0)
                took_us = at_us - request.at_us
        elif (waiting := board.waiting.get(tag)) is not None and words[0] in ("no", waiting.asked.words[0]):
            request = waiting.asked
            if waiting.sent == 1:
                # Sent once, so there is no doubt which sending was answered (Karn's rule, RFC 6298 section 3).
                took_us = at_us - request.at_us
            waiting.unanswered -= 1
            if waiting.unanswered == 0:
                del board.waiting[tag]
        if words[0] == "hello" and len(words) == 6 and _is_hex(words[4], 4):
            self._boot_number(board, at_us, source, int(words[4], 16), events)
        elif words[0] == "read" and len(words) >= 4 and _is_hex(words[1], 4) and _is_hex(words[2], 8):
            self._take_read(board, at_us, source, int(words[1], 16), int(words[2], 16), events)
        events.append(Answered(at_us, source, tag, words, request, took_us))

    def _take_read(
        self, board: ObservedBoard, at_us: int, source: int, last: int, clock: int, events: list[Event]
    ) -> None:
        """Take the running number and the clock in the answer to `read`."""
        clock_us = board.unwrap(clock, at_us)
        if board.clock_us is not None and clock_us < board.clock_us - RESET_BACK_US:
            self._reset(board, at_us, source, ((board.boot or 0) + 1) & 0xFFFF, board.boot is not None, events)
            clock_us = clock
        following = (last + 1) & 0xFFFF
        if board.expected is None:
            board.expected = following
        elif 0 < (missing := (following - board.expected) & 0xFFFF) < 0x8000:
            self._gap(board, at_us, source, missing, events)
            board.expected = following
        board.reached(clock_us, at_us)

    # --- the rest -----------------------------------------------------------------------------------------------------

    def _lines_down(self, at_us: int, source: int, bodies: list[bytes]) -> list[Event]:
        board = self._board(source)
        events: list[Event] = []
        for body in bodies:
            if found := DOWN.fullmatch(body):
                tag, words = int(found[1], 16), tuple(found[2].decode().split(" "))
            elif found := HAND.fullmatch(body):
                tag, words = 0, tuple(found[1].decode().split(" "))
            else:
                events.append(self._odd(board, at_us, source, body, down=True))
                continue
            board.counters.lines_down += 1
            asked = Asked(at_us, source, tag, words)
            events.append(asked)
            if tag == 0:
                board.hand.append(asked)
                del board.hand[:-HAND_MOST]
                continue
            before = board.waiting.get(tag)
            if before is not None and before.is_repeated_by(asked):
                before.sent += 1
                before.unanswered += 1
                before.last_us = at_us
            else:
                board.waiting[tag] = Waiting(asked, 1, 1, at_us)
        return events

    def _odd(self, board: ObservedBoard, at_us: int, source: int, raw: bytes, down: bool = False) -> Odd:
        why = explain_bad(raw)
        counters = board.counters
        if down:
            counters.bad_down += 1
        else:
            counters.bad += 1
        counters.why[why] = counters.why.get(why, 0) + 1
        return Odd(at_us, source, raw, why)

    def _bytes_up(self, at_us: int, source: int, bodies: list[bytes]) -> list[Event]:
        board = self._board(source)
        return [self._odd(board, at_us, source, body) for body in bodies]

    def _bytes_down(self, at_us: int, source: int, bodies: list[bytes]) -> list[Event]:
        board = self._board(source)
        return [self._odd(board, at_us, source, body, down=True) for body in bodies]

    def _link(self, at_us: int, source: int, bodies: list[bytes]) -> list[Event]:
        events: list[Event] = []
        for body in bodies:
            word, *pairs = body.decode("utf-8", "backslashreplace").split(" ")
            detail = unquoted_pairs(pairs)
            if word in ("opened", "lost", "released"):
                board = self._board(source)
                board.waiting.clear()
                board.hand.clear()
                if word == "opened":
                    board.expected = None  # what was sent while nobody listened was not lost on the way
            elif word in ("moved", "forgotten"):
                self._boards.pop(source, None)  # from here on the number belongs to another board
            events.append(Link(at_us, source, printable(word), detail))
        return events

    def _note(self, at_us: int, source: int, bodies: list[bytes]) -> list[Event]:
        events: list[Event] = []
        for body in bodies:
            kind, _, text = body.decode("utf-8", "backslashreplace").partition(" ")
            events.append(Note(at_us, source, printable(kind), text))
        return events

    # --- keyframes ----------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Return the observer's whole state, for a keyframe, as values that JSON can hold."""
        return {"boards": [{"source": source, **board.snapshot()} for source, board in self._boards.items()]}

    def restore(self, snapshot: dict[str, Any]) -> None:
        """Take over a `snapshot`. Raises ValueError, TypeError or KeyError, and changes nothing, if it is not one."""
        self._boards = {
            int(given["source"]): ObservedBoard.restored(int(given["source"]), given)
            for given in snapshot["boards"][:BOARDS_MOST]
        }


def _is_hex(word: str, digits: int) -> bool:
    return len(word) == digits and all(digit in "0123456789ABCDEF" for digit in word)
