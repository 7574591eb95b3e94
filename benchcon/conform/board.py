"""What a rule knows about the board under test, and how it reports that something is wrong."""

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
"""Codes with which a board may refuse a word that it leaves out: unknown word, or left out of this firmware."""
_WITH_OUTPUTS = ("set", "dark", "light", "deadman")
_MAY_LACK = ("alive", "raw", "ident", "name", "wink", "read", *_WITH_OUTPUTS)
DEADMAN = "07D0"
"""Dead-man time of two seconds, set while outputs are lit, so that a test that is killed leaves nothing lit."""


class RuleBroken(Exception):
    """The board broke the rule that is being run; the text says how."""


class NotRun(Exception):
    """The rule cannot be run on this board; the text says why."""


class Malformed(NotRun):
    """What the rule waited for came as a malformed line, which the rule ``grammar (all)`` reports."""


class DescribedChannel(NamedTuple):
    """One channel from the board's description."""

    item: int
    """Its index in the description."""
    kind: str
    id: str
    detail: dict[str, str]

    @property
    def width(self) -> int:
        """How many hex digits a value of this channel has; 0 if its kind is not known."""
        if self.kind == "display":
            return 2 * int(self.detail.get("digits", "0"), 16)
        return WIDTHS.get(self.kind, 0)

    @property
    def is_output(self) -> bool:
        """Whether this is a lamp or a display."""
        return self.kind in OUTPUTS

    @property
    def off(self) -> str:
        """The value for off, as on the wire."""
        return "0" * self.width

    @property
    def on(self) -> str:
        """A value that is clearly on, as on the wire; only one segment per digit, to draw little current."""
        return "3E8" if self.kind == "lamp" else "01" * (self.width // 2)


class Subject:
    """The board under test: its line, and what it said about itself in `hello` and its items."""

    def __init__(self, line: WireSide) -> None:
        self.line = line
        self.items = 0
        self.buffer = 32
        self.boot = 0
        self.ident = ""
        self.item_ident: str | None = None
        """The ident in the item `board`; None if there is no such item."""
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

    def with_raw(self) -> list[DescribedChannel]:
        """Return the inputs that can report raw edges or readings. Raises `NotRun` if there are none."""
        able = [channel for channel in self.inputs if channel.detail.get("raw") in ("1", "2") or channel.kind == "pot"]
        if not able:
            raise NotRun("no channel of this board can do raw")
        return able

    def lamp(self) -> DescribedChannel:
        """Return the first lamp, or else the first display. Raises `NotRun` if there are no outputs."""
        for channel in sorted(self.outputs, key=lambda channel: channel.kind != "lamp"):
            return channel
        raise NotRun("the board has no outputs")

    def ask(self, *words: str, tag: int | None = None) -> ReceivedAnswer:
        """Send a request, and return the answer. Raises `RuleBroken` if none comes within a second."""
        since = len(self.line.odd)
        answer = self.line.ask(*words, tag=tag)
        if answer is None:
            self.malformed(b"<", since)
            raise RuleBroken(f"no answer to '{' '.join(words)}' within a second")
        return answer

    def malformed(self, first: bytes, since: int) -> None:
        """Raise `Malformed` if a malformed line that begins with `first` came after index `since` of the odd lines."""
        for raw in self.line.odd[since:]:
            if raw[:1] == first:
                raise Malformed(f"{explain_line(raw)}; see 'grammar (all)'")

    def left_out(self, answer: ReceivedAnswer, *words: str) -> bool:
        """Return whether `answer` says that the board leaves this word out, and it is one that it may leave out."""
        optional = words[0] in _MAY_LACK and words != ("read", "all")
        return optional and answer.words[0] == "no" and answer.words[1:2] in [(code,) for code in LEFT_OUT]

    def done(self, *words: str, tag: int | None = None) -> ReceivedAnswer:
        """Send a request, and return the answer. Raises `RuleBroken` if it is refused, `NotRun` if it is left out."""
        answer = self.ask(*words, tag=tag)
        if answer.words[0] == "no":
            if self.left_out(answer, *words):
                # The rule **needed** reports words that must not be left out.
                raise NotRun(f"'{words[0]}' is missing from this firmware")
            raise RuleBroken(f"'{' '.join(words)}' was refused: {shown(answer.raw)}")
        if answer.words[0] != words[0]:
            raise RuleBroken(f"'{' '.join(words)}' was answered with another word: '{shown(answer.raw)}'")
        return answer

    def stamp(self, *words: str) -> int:
        """Send a request that is answered with the board's clock, and return that, in µs modulo 2^32."""
        answer = self.done(*words)
        return self._clock(answer, 1)

    def ping(self) -> tuple[int, int]:
        """Return the two stamps of a ping, line end received and first byte of the answer sent, in µs modulo 2^32."""
        answer = self.done("ping", "0" * 8, "0" * 8)
        return self._clock(answer, 1), self._clock(answer, 2)

    @staticmethod
    def _clock(answer: ReceivedAnswer, place: int) -> int:
        word = answer.words[place] if len(answer.words) > place else ""
        if not re.fullmatch("[0-9A-F]{8}", word):
            raise RuleBroken(f"'{shown(answer.raw)}': the board's clock, eight hex digits, was expected")
        return int(word, 16)

    def refused(self, code: str, *words: str) -> None:
        """Send a request, and raise `RuleBroken` unless it is refused with this code.

        A word that the board may leave out may also be refused as left out.
        """
        answer = self.ask(*words)
        if answer.words[:2] != ("no", code) and not self.left_out(answer, *words):
            raise RuleBroken(
                f"'{' '.join(words)}' was answered '{shown(answer.raw)}'; a refusal with code {code} was expected"
            )

    def values(self, *ids: str) -> dict[str, str]:
        """Return channel id → value as a hex word, for these channels or, if none is named, for all.

        Uses `read all`, page by page, if the board has nothing else.
        """
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
                raise RuleBroken(f"'{channel_id}' comes twice in the pages of one 'read all'")
            found[channel_id] = value
        return found

    def settle(self) -> None:
        """Bring the board to the state in which every rule begins: not dark, outputs off, a dead-man of two seconds.

        Heartbeats are set to ten a second to save time; a board that refuses that sends one a second.
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
        """Leave the board at the end: as after a reset if all rules were run (`whole`), else dark."""
        if not whole:
            # A line end first, so that half a line does not swallow it.
            self.line.send(b"\n" + request(self.line.next_tag(), ("dark",)) + b"\n")
            return
        if self.outputs:
            self.line.ask("deadman", "0000")
        self.line.ask("alive", "03E8")

    def alive(self, seconds: float = 12.0, *, fed: bool = False) -> ReceivedNotification:
        """Wait for the next heartbeat, and return it; with `fed`, feed the dead-man meanwhile.

        Raises `RuleBroken` if none comes in time or it is malformed.
        """
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
        """Wait for the next heartbeat as `alive` does, and return its flags."""
        return int(self.alive(fed=fed).words[7], 16)


def shown(raw: bytes) -> str:
    """Return a line as printable text."""
    return printable(raw)
