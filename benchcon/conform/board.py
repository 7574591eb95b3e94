"""What a rule knows of the board it is played against, and how it says that something is wrong."""

from __future__ import annotations

import re
import time
from typing import NamedTuple

from benchcon.conform.wireside import ReceivedAnswer, ReceivedNotification, WireSide
from benchcon.text import printable
from benchcon.wire.codec import request
from benchcon.wire.items import OUTPUTS
from benchcon.wire.slips import explain_line

WIDTHS = {"contact": 1, "selector": 1, "encoder": 4, "pot": 4, "lamp": 3}
"""Hex digits of a value (section 6); a display has two for each digit."""


LEFT_OUT = ("01", "08")
"""Codes with which a board refuses a word that it leaves out: not knowing it is as good as saying so."""
_WITH_OUTPUTS = ("set", "dark", "light", "deadman")
_MAY_LACK = ("alive", "raw", "ident", "name", "wink", "read", *_WITH_OUTPUTS)
DEADMAN = "07D0"
"""Set while outputs are lit, so that a conformance test that is killed leaves nothing lit for long: two seconds."""


class RuleBroken(Exception):
    """The board broke the rule being played; the text says how."""


class NotRun(Exception):
    """The rule cannot be played on this board; the text says why."""


class Malformed(NotRun):
    """What the rule waited for came as a line that is none: that is the business of ``grammar (all)``."""


class DescribedChannel(NamedTuple):
    """One channel from the board's description."""

    item: int
    """Its index in the description."""
    kind: str
    id: str
    detail: dict[str, str]

    @property
    def width(self) -> int:
        """Hex digits of this channel's value, 0 if its kind is not known."""
        if self.kind == "display":
            return 2 * int(self.detail.get("digits", "0"), 16)
        return WIDTHS.get(self.kind, 0)

    @property
    def is_output(self) -> bool:
        """Whether this is a lamp or a display."""
        return self.kind in OUTPUTS

    @property
    def off(self) -> str:
        """The value that is off, as on the wire."""
        return "0" * self.width

    @property
    def on(self) -> str:
        """A value that is plainly on; of a display only one segment for each digit, which is kinder to the supply."""
        return "3E8" if self.kind == "lamp" else "01" * (self.width // 2)


class Subject:
    """The board under test: its line and what it said of itself in `hello` and its items."""

    def __init__(self, line: WireSide) -> None:
        self.line = line
        self.items = 0
        self.buffer = 32
        self.boot = 0
        self.ident = ""
        self.item_ident: str | None = None
        """The ident in the item `board`; None without such an item."""
        self.channels: list[DescribedChannel] = []
        self.others: set[str] = set()
        """Ids of channels whose kind is not known here."""
        self._named_read = True

    @property
    def outputs(self) -> list[DescribedChannel]:
        """Lamps and displays."""
        return [channel for channel in self.channels if channel.is_output]

    @property
    def inputs(self) -> list[DescribedChannel]:
        """Everything else of a known kind."""
        return [channel for channel in self.channels if not channel.is_output and channel.width]

    def lamp(self) -> DescribedChannel:
        """Return the first lamp, else the first display; raise `NotRun` without outputs."""
        for channel in sorted(self.outputs, key=lambda channel: channel.kind != "lamp"):
            return channel
        raise NotRun("the board has no outputs")

    def ask(self, *words: str, tag: int | None = None) -> ReceivedAnswer:
        """Ask and insist on an answer."""
        since = len(self.line.odd)
        answer = self.line.ask(*words, tag=tag)
        if answer is None:
            self.malformed(b"<", since)
            raise RuleBroken(f"no answer to '{' '.join(words)}' within a second")
        return answer

    def malformed(self, first: bytes, since: int) -> None:
        """Raise `Malformed` if what was waited for came as a line that is none."""
        for raw in self.line.odd[since:]:
            if raw[:1] == first:
                raise Malformed(f"{explain_line(raw)}; see 'grammar (all)'")

    def left_out(self, answer: ReceivedAnswer, *words: str) -> bool:
        """Return whether `answer` says that the board leaves out the word, or this use of it, and may do so."""
        optional = words[0] in _MAY_LACK and words != ("read", "all")
        return optional and answer.words[0] == "no" and answer.words[1:2] in [(code,) for code in LEFT_OUT]

    def done(self, *words: str, tag: int | None = None) -> ReceivedAnswer:
        """Ask, and insist that it is done, not refused."""
        answer = self.ask(*words, tag=tag)
        if answer.words[0] == "no":
            if self.left_out(answer, *words):
                # That a word is left out which is needed is said once, by the rule **needed**.
                raise NotRun(f"'{words[0]}' is missing from this firmware")
            raise RuleBroken(f"'{' '.join(words)}' was refused: {shown(answer.raw)}")
        if answer.words[0] != words[0]:
            raise RuleBroken(f"'{' '.join(words)}' was answered with '{shown(answer.raw)}': another word")
        return answer

    def stamp(self, *words: str) -> int:
        """Ask for something that is answered with the board's clock, and return that."""
        answer = self.done(*words)
        return self._clock(answer, 1)

    def ping(self) -> tuple[int, int]:
        """Return the two stamps of a ping: line end received, first byte of the answer out; µs modulo 2^32."""
        answer = self.done("ping", "0" * 8, "0" * 8)
        return self._clock(answer, 1), self._clock(answer, 2)

    @staticmethod
    def _clock(answer: ReceivedAnswer, place: int) -> int:
        word = answer.words[place] if len(answer.words) > place else ""
        if not re.fullmatch("[0-9A-F]{8}", word):
            raise RuleBroken(f"'{shown(answer.raw)}': the board's clock, eight hex digits, belongs there")
        return int(word, 16)

    def refused(self, code: str, *words: str) -> None:
        """Ask, and insist on a refusal with this code; a word that the board may leave out may be refused as that."""
        answer = self.ask(*words)
        if answer.words[:2] != ("no", code) and not self.left_out(answer, *words):
            raise RuleBroken(
                f"'{' '.join(words)}' was answered '{shown(answer.raw)}'; a refusal with code {code} was expected"
            )

    def values(self, *ids: str) -> dict[str, str]:
        """Read these channels (none: all, page by page) as hex words; by `read all` where nothing else is there."""
        if ids and self._named_read:
            answer = self.ask("read", *ids)
            if not self.left_out(answer, "read", *ids):
                found = self._pairs(answer, {}) if answer.words[0] == "read" else {}
                return self._all_of(ids, found, answer)
            self._named_read = False
        found = {}
        words: tuple[str, ...] = ("all",)
        for _ in range(256):
            answer = self.done("read", *words)
            self._pairs(answer, found)
            if answer.words[3] == "00":
                return self._all_of(ids, {id_: found[id_] for id_ in ids if id_ in found}, answer) if ids else found
            words = ("all", answer.words[3])
        raise RuleBroken("the pages of 'read all' have no end")

    def value(self, id_: str) -> str:
        """Read one channel."""
        return self.values(id_)[id_]

    @staticmethod
    def _all_of(ids: tuple[str, ...], found: dict[str, str], answer: ReceivedAnswer) -> dict[str, str]:
        for id_ in ids:
            if id_ not in found:
                raise RuleBroken(f"'read' does not give '{id_}': '{shown(answer.raw)}'")
        return found

    @staticmethod
    def _pairs(answer: ReceivedAnswer, found: dict[str, str]) -> dict[str, str]:
        if len(answer.words) < 4:
            raise RuleBroken(f"'{shown(answer.raw)}' is too short for an answer to read")
        for word in answer.words[4:]:
            channel_id, _, value = word.partition("=")
            if channel_id in found:
                raise RuleBroken(f"'{channel_id}' is given twice in the pages of one reading")
            found[channel_id] = value
        return found

    def settle(self) -> None:
        """Leave the board as a rule may find it: not dark, outputs off, a dead-man of two seconds, ten heartbeats a
        second.

        The quick heartbeats only save time; a board that refuses them is heard each second.
        """
        self.line.pump(0.02)
        self.line.answers.clear()
        if self.outputs:
            self.line.ask("deadman", DEADMAN)
            self.line.ask("light")
        self.line.ask("alive", "0064")
        for channel in self.outputs:
            self.line.ask("set", f"{channel.id}={channel.off}")

    def leave(self, *, whole: bool) -> None:
        """Leave the board for good: as after a reset if the rules were all run, else dark."""
        if not whole:
            # A line end first, so that half a line does not swallow it.
            self.line.send(b"\n" + request(self.line.next_tag(), ("dark",)) + b"\n")
            return
        if self.outputs:
            self.line.ask("deadman", "0000")
        self.line.ask("alive", "03E8")

    def alive(self, seconds: float = 12.0, *, fed: bool = False) -> ReceivedNotification:
        """Wait for the next heartbeat; with `fed` the dead-man is fed meanwhile."""
        odd, since = len(self.line.odd), len(self.line.notifications)
        end = time.monotonic() + seconds
        notification = None
        while notification is None and time.monotonic() < end:
            notification = self.line.await_notification("alive", 0.05 if fed else seconds, since)
            if fed and notification is None:
                self.ping()
        if notification is None:
            self.malformed(b"!", odd)
            raise RuleBroken(f"no heartbeat within {seconds:.0f} s")
        if len(notification.words) != 8:
            raise RuleBroken(f"'{' '.join(notification.words)}': a heartbeat has seven words after 'alive'")
        return notification

    def flags(self, *, fed: bool = False) -> int:
        """Wait for the next heartbeat and return its flags."""
        return int(self.alive(fed=fed).words[7], 16)


def shown(raw: bytes) -> str:
    """Return a line as text for a report."""
    return printable(raw)
