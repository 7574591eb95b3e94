"""What passes by, understood: a passive observer of both directions of every line on the bench.

It pairs answers with requests, counts holes in the running numbers, unwraps board clocks, notices resets and keeps
count of words it does not know. It never speaks: live, tap and replay all run this same one.

How a reset is noticed, and what comes of it:

| seen | event |
|---|---|
| news ``boot`` | ``Boot`` with its cause |
| another boot number in ``alive`` or in the answer to ``hello`` | ``Boot``, cause ``seen`` |
| a running number far behind the one expected | ``Gap``: as many lines as were numbered since a reset are missing |

Speed: the commonest line by far is the news ``is``. Its words repeat, so each word is taken apart once and looked up
afterwards; the rest is two conversions from hex.
"""

from __future__ import annotations

import re
from typing import Any

from benchcon.wire import events as ev
from benchcon.wire.codec import explain_bad
from benchcon.wire.printable import printable
from benchcon.wire.quote import unquote
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, LINE_DOWN, LINE_UP, LINK, NOTE, Batch

WRAP = 1 << 32
UNKNOWN_MOST = 64
"""Unknown words counted by name; the rest are counted together, as `OTHERS`."""
OTHERS = "(others)"
_WORDS_MOST = 8192
"""Words of `is` remembered; when there are more, remembering starts afresh."""

_SETTING = re.compile(rb"([a-z][a-z0-9_]{0,7})=([0-9A-F]{1,16})")
_HEX4 = re.compile(r"[0-9A-F]{4}")
_CAUSES = frozenset({"power", "reset", "watchdog", "brownout", "unknown"})


class Counters:
    """What was counted of one board since the stream began."""

    __slots__ = (
        "answers",
        "bad_down",
        "bad_up",
        "boots",
        "gaps",
        "lines_down",
        "lines_up",
        "missing",
        "news",
        "unknown",
    )

    def __init__(self) -> None:
        self.lines_up = 0
        self.lines_down = 0
        self.news = 0
        self.answers = 0
        self.bad_up = 0
        """Pieces from the board that were no good line."""
        self.bad_down = 0
        self.gaps = 0
        self.missing = 0
        """Lines of news lost on the way."""
        self.boots = 0
        self.unknown: dict[str, int] = {}
        """News by words that are not known."""

    def as_json(self) -> dict[str, Any]:
        """Every counter."""
        return {name: getattr(self, name) for name in sorted(self.__slots__)}


class _Line:
    """What must be remembered of one board."""

    __slots__ = ("asked", "base", "boot", "clock", "counters", "expected", "hand")

    def __init__(self) -> None:
        self.counters = Counters()
        self.expected = -1
        """Running number of the next news; -1: any will do."""
        self.base = 0
        """Unwrapped clock less the clock as sent."""
        self.clock = 0
        """Greatest clock as sent since the last wrap."""
        self.boot = -1
        self.asked: dict[int, ev.Asked] = {}
        self.hand: ev.Asked | None = None


class Observer:
    """Eats batches in stream order and gives events."""

    def __init__(self) -> None:
        self._lines: dict[int, _Line] = {}
        self._words: dict[bytes, tuple[str, int]] = {}

    def counters(self, source: int) -> Counters:
        """Return what was counted of board `source`; zeros if nothing was heard of it."""
        line = self._lines.get(source)
        return line.counters if line is not None else Counters()

    def feed(self, batch: Batch) -> list[ev.Event]:
        """Take one batch and return what it means, in order."""
        at_us, source, kind, bodies = batch
        if kind == LINE_UP:
            return self._up(at_us, source, bodies)
        if kind == LINE_DOWN:
            return self._down(at_us, source, bodies)
        if kind in (BYTES_UP, BYTES_DOWN):
            counters = self._line(source).counters
            if kind == BYTES_UP:
                counters.bad_up += len(bodies)
            else:
                counters.bad_down += len(bodies)
            return [ev.Odd(at_us, source, body, explain_bad(body)) for body in bodies]
        if kind == LINK:
            return [_link(at_us, source, body) for body in bodies]
        if kind == NOTE:
            return [_note(at_us, source, body) for body in bodies]
        return []

    def snapshot(self) -> dict[str, Any]:
        """Return what a stream that starts in the middle needs to go on identically; fit for JSON."""
        return {
            "lines": {
                str(source): {
                    "expected": line.expected,
                    "base": line.base,
                    "clock": line.clock,
                    "boot": line.boot,
                    "asked": [[asked.at_us, asked.tag, *asked.words] for asked in line.asked.values()],
                    "hand": [line.hand.at_us, 0, *line.hand.words] if line.hand else None,
                    "counters": line.counters.as_json() | {"unknown": dict(line.counters.unknown)},
                }
                for source, line in self._lines.items()
            }
        }

    def restore(self, snapshot: dict[str, Any]) -> None:
        """Go on from a snapshot. Raises KeyError, TypeError or ValueError if it is none."""
        lines: dict[int, _Line] = {}
        for name, kept in snapshot["lines"].items():
            line = _Line()
            source = int(name)
            line.expected, line.base, line.clock, line.boot = (
                int(kept[key]) for key in ("expected", "base", "clock", "boot")
            )
            for at_us, tag, *words in kept["asked"]:
                line.asked[int(tag)] = ev.Asked(int(at_us), source, int(tag), tuple(map(str, words)))
            if kept["hand"]:
                at_us, _, *words = kept["hand"]
                line.hand = ev.Asked(int(at_us), source, 0, tuple(map(str, words)))
            for key in Counters.__slots__:
                value = kept["counters"][key]
                if key == "unknown":
                    line.counters.unknown = {str(word): int(count) for word, count in value.items()}
                else:
                    setattr(line.counters, key, int(value))
            lines[source] = line
        self._lines = lines

    # --- from the board ---------------------------------------------------------------------------------------------

    def _line(self, source: int) -> _Line:
        line = self._lines.get(source)
        if line is None:
            line = self._lines[source] = _Line()
        return line

    def _up(self, at_us: int, source: int, bodies: list[bytes]) -> list[ev.Event]:
        line = self._line(source)
        line.counters.lines_up += len(bodies)
        events: list[ev.Event] = []
        add = events.append
        words = self._words
        new = tuple.__new__
        moved = ev.Moved
        news = 0
        for body in bodies:
            if body[14:18] == b" is " and body[0] == 0x21:
                news += 1
                number = int(body[1:5], 16)
                clock = int(body[6:14], 16)
                if number != line.expected and line.expected >= 0:
                    self._hole(at_us, source, line, number, add)
                line.expected = number + 1 & 0xFFFF
                if clock >= line.clock and clock - line.clock < 0x80000000:
                    line.clock = clock
                    clock += line.base
                else:
                    clock = self._unwrapped(line, clock)
                pairs = words.get(body[18:-6])
                if pairs is not None:
                    add(new(moved, (at_us, source, clock, number, {pairs[0]: pairs[1]})))
                    continue
                values = self._settings(body[18:-6])
                if values is not None:
                    add(new(moved, (at_us, source, clock, number, values)))
                else:
                    self._unknown(line, "is")
                    add(ev.Told(at_us, source, clock, tuple(body[15:-6].decode().split(" ")), False))
            elif body[:1] == b"!":
                news += 1
                self._news(at_us, source, line, body, add)
            else:
                self._answer(at_us, source, line, body, add)
        line.counters.news += news
        return events

    def _settings(self, text: bytes) -> dict[str, int] | None:
        """Take ``id=HEX`` words apart; None if they are not of that form. One word alone is remembered."""
        values: dict[str, int] = {}
        for word in text.split(b" "):
            found = _SETTING.fullmatch(word)
            if found is None:
                return None
            values[found[1].decode()] = int(found[2], 16)
        if len(values) == 1:
            if len(self._words) >= _WORDS_MOST:
                self._words.clear()
            self._words[text] = next(iter(values.items()))
        return values

    def _hole(self, at_us: int, source: int, line: _Line, number: int, add: Any) -> None:
        missing = (number - line.expected) & 0xFFFF
        if missing > 0x8000:
            # Not 32 000 lines lost but a reset whose boot line was lost: as many as were numbered since.
            missing = number
        line.counters.gaps += 1
        line.counters.missing += missing
        add(ev.Gap(at_us, source, missing))

    def _unwrapped(self, line: _Line, clock: int) -> int:
        """Unwrap a clock that is not simply a little later than the last one."""
        if (clock - line.clock) & 0xFFFFFFFF < 0x80000000:
            if clock < line.clock:
                line.base += WRAP
            line.clock = clock
            return line.base + clock
        # A little earlier: a raw edge and a settled change of one scan, told one after the other.
        if clock > line.clock:
            return max(line.base - WRAP, 0) + clock
        return line.base + clock

    def _news(self, at_us: int, source: int, line: _Line, body: bytes, add: Any) -> None:
        text = body[:-6].decode()
        head, clock_word, *words = text.split(" ")
        number, sent = int(head[1:], 16), int(clock_word, 16)
        word = words[0]
        if word == "boot" and len(words) == 4 and words[2] in _CAUSES and _HEX4.fullmatch(words[1]):
            line.boot = int(words[1], 16)
            line.expected, line.base, line.clock = number + 1 & 0xFFFF, 0, sent
            line.asked.clear()
            line.counters.boots += 1
            add(ev.Boot(at_us, source, line.boot, words[2]))
            return
        alive = _alive(words) if word == "alive" else None
        if alive is not None and alive[0] != line.boot:
            self._seen_boot(at_us, source, line, alive[0], add)
        if line.expected >= 0 and number != line.expected:
            self._hole(at_us, source, line, number, add)
        line.expected = number + 1 & 0xFFFF
        if alive is not None:
            line.base, line.clock = alive[1] * WRAP, sent
        clock = self._unwrapped(line, sent)
        if alive is not None:
            boot, wraps, bad, dropped, worst_us, supply_mv, flags = alive
            dark, armed = bool(flags & 1), bool(flags & 2)
            add(ev.Alive(at_us, source, clock, boot, wraps, bad, dropped, worst_us, supply_mv, dark, armed))
        elif word == "edge" and (edges := _edges(words)):
            for after_us, level in edges[1]:
                add(ev.Edge(at_us, source, clock + after_us, edges[0], level))
        elif word == "raw" and (values := self._settings(body[19:-6])) and len(values) == 1:
            channel, counts = next(iter(values.items()))
            add(ev.Reading(at_us, source, clock, channel, counts))
        else:
            known = _known(words)
            if not known:
                self._unknown(line, word)
            add(ev.Told(at_us, source, clock, tuple(words), known))

    def _seen_boot(self, at_us: int, source: int, line: _Line, boot: int, add: Any) -> None:
        before, line.boot = line.boot, boot
        if before >= 0:
            line.expected, line.base, line.clock = -1, 0, 0
            line.counters.boots += 1
            add(ev.Boot(at_us, source, boot, "seen"))

    def _answer(self, at_us: int, source: int, line: _Line, body: bytes, add: Any) -> None:
        head, *rest = body[:-6].decode().split(" ")
        words = tuple(rest)
        tag = int(head[1:], 16)
        line.counters.answers += 1
        request = line.asked.get(tag) if tag else line.hand
        if request is not None and words[0] not in (request.words[0], "no"):
            request = None
        if request is not None:
            if tag:
                del line.asked[tag]
            else:
                line.hand = None
        if words[0] == "hello" and len(words) == 6 and _HEX4.fullmatch(words[4]) and int(words[4], 16) != line.boot:
            self._seen_boot(at_us, source, line, int(words[4], 16), add)
        add(ev.Answered(at_us, source, tag, words, request, at_us - request.at_us if request else None))

    def _unknown(self, line: _Line, word: str) -> None:
        unknown = line.counters.unknown
        if word not in unknown and len(unknown) >= UNKNOWN_MOST:
            word = OTHERS
        unknown[word] = unknown.get(word, 0) + 1

    # --- to the board -----------------------------------------------------------------------------------------------

    def _down(self, at_us: int, source: int, bodies: list[bytes]) -> list[ev.Event]:
        line = self._line(source)
        line.counters.lines_down += len(bodies)
        events: list[ev.Event] = []
        for body in bodies:
            if body[:1] == b">":
                head, *words = body[:-6].decode().split(" ")
                asked = ev.Asked(at_us, source, int(head[1:], 16), tuple(words))
                before = line.asked.get(asked.tag)
                # A repeat is answered as its first sending: the time it took counts from there.
                if before is None or before.words != asked.words:
                    line.asked[asked.tag] = asked
            else:
                asked = ev.Asked(at_us, source, 0, tuple(body[3:].decode().split(" ")))
                line.hand = asked
            events.append(asked)
        return events


def _alive(words: list[str]) -> tuple[int, ...] | None:
    if len(words) != 8 or len(words[7]) != 2:
        return None
    try:
        return tuple(int(word, 16) for word in words[1:])
    except ValueError:
        return None


def _edges(words: list[str]) -> tuple[str, list[tuple[int, int]]] | None:
    """``edge sw3=1 0123 0045`` as the channel, and (time after the base in µs, level) of each edge."""
    channel, _, level_word = words[1].partition("=") if len(words) > 1 else ("", "", "")
    if len(level_word) != 1 or level_word not in "0123456789ABCDEF" or not channel:
        return None
    after_us, level = 0, int(level_word, 16)
    edges = [(0, level)]
    for word in words[2:]:
        if not _HEX4.fullmatch(word):
            return None
        after_us += int(word, 16)
        level ^= 1
        edges.append((after_us, level))
    return channel, edges


def _known(words: list[str]) -> bool:
    """Whether this is one of the news in section 7 that have no event of their own, in its right form."""
    word, rest = words[0], words[1:]
    if word == "skip":
        return len(rest) == 1 and _SETTING.fullmatch(rest[0].encode()) is not None
    if word == "ghost":
        return len(rest) > 0
    if word == "lost":
        return len(rest) == 1 and _HEX4.fullmatch(rest[0]) is not None
    return word == "dark" and rest in (["deadman"], ["local"])


def _link(at_us: int, source: int, body: bytes) -> ev.Link:
    word, *pairs = body.decode("utf-8", "replace").split(" ")
    split = (pair.partition("=") for pair in pairs)
    return ev.Link(at_us, source, printable(word), {key: unquote(text) for key, mark, text in split if mark})


def _note(at_us: int, source: int, body: bytes) -> ev.Note:
    kind, _, text = body.decode("utf-8", "replace").partition(" ")
    return ev.Note(at_us, source, printable(kind), text)
