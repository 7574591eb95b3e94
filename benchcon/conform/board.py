"""What a rule knows of the board it is played against, and how it says that something is wrong."""

from __future__ import annotations

from typing import NamedTuple

from benchcon.conform.wireside import Answer, News, WireSide
from benchcon.wire.printable import printable

WIDTHS = {"contact": 1, "selector": 1, "encoder": 4, "pot": 4, "lamp": 3}
"""Hex digits of a value (section 6); digits have two a place."""


DEADMAN_MS = 15_000
"""The rule that waits longest, for signs of life, waits 12 s."""


class Broken(Exception):
    """The board broke the rule being played; the text says how."""


class NotPlayed(Exception):
    """The rule cannot be played on this board; the text says why."""


class Channel(NamedTuple):
    """One channel from the board's description."""

    item: int
    """Its index in the description."""
    kind: str
    id: str
    detail: dict[str, str]

    @property
    def width(self) -> int:
        """Hex digits of this channel's value, 0 if its kind is not known."""
        if self.kind == "digits":
            return 2 * int(self.detail.get("places", "0"), 16)
        return WIDTHS.get(self.kind, 0)

    @property
    def is_output(self) -> bool:
        """Whether this is a lamp or digits."""
        return self.kind in ("lamp", "digits")

    @property
    def off(self) -> str:
        """The value that is off, as on the wire."""
        return "0" * self.width

    @property
    def on(self) -> str:
        """A value that is plainly on; of digits only one segment a place, which is kinder to the supply."""
        return "3E8" if self.kind == "lamp" else "01" * (self.width // 2)


class Subject:
    """The board under test: its line and what it said of itself in `hello` and its items."""

    def __init__(self, line: WireSide) -> None:
        self.line = line
        self.items = 0
        self.buffer = 32
        self.boot = 0
        self.ident = ""
        self.texts: list[Answer] = []
        self.channels: list[Channel] = []

    @property
    def outputs(self) -> list[Channel]:
        """Lamps and digits."""
        return [channel for channel in self.channels if channel.is_output]

    @property
    def inputs(self) -> list[Channel]:
        """Everything else of a known kind."""
        return [channel for channel in self.channels if not channel.is_output and channel.width]

    def lamp(self) -> Channel:
        """The first lamp, else the first digits; `NotPlayed` without outputs."""
        for channel in sorted(self.outputs, key=lambda channel: channel.kind != "lamp"):
            return channel
        raise NotPlayed("the board has no outputs")

    def ask(self, *words: str, tag: int | None = None) -> Answer:
        """Ask and insist on an answer."""
        answer = self.line.ask(*words, tag=tag)
        if answer is None:
            raise Broken(f"no answer to '{' '.join(words)}' within a second")
        return answer

    def done(self, *words: str, tag: int | None = None) -> Answer:
        """Ask, and insist that it is done, not refused."""
        answer = self.ask(*words, tag=tag)
        if answer.words[0] == "no":
            if answer.words[1:2] == ("08",):
                raise NotPlayed(f"'{words[0]}' is left out of this firmware")
            raise Broken(f"'{' '.join(words)}' was refused: {shown(answer.raw)}")
        if answer.words[0] != words[0]:
            raise Broken(f"'{' '.join(words)}' was answered with '{shown(answer.raw)}': another word")
        return answer

    def refused(self, code: str, *words: str) -> None:
        """Ask, and insist on a refusal with this code."""
        answer = self.ask(*words)
        if answer.words[:2] != ("no", code):
            raise Broken(f"'{' '.join(words)}' should be refused with {code}, and was answered '{shown(answer.raw)}'")

    def values(self, *ids: str) -> dict[str, str]:
        """Read these channels (none: all, page by page) as hex words."""
        found: dict[str, str] = {}
        words = ids or ("all",)
        for _ in range(256):
            answer = self.done("read", *words)
            if len(answer.words) < 4:
                raise Broken(f"'{shown(answer.raw)}' is too short for an answer to read")
            for word in answer.words[4:]:
                channel_id, _, value = word.partition("=")
                if channel_id in found:
                    raise Broken(f"'{channel_id}' is told twice in the pages of one reading")
                found[channel_id] = value
            if answer.words[3] == "00":
                return found
            words = ("all", answer.words[3])
        raise Broken("the pages of 'read all' have no end")

    def settle(self) -> None:
        """Leave the board as a rule may find it: not dark, outputs off, ten signs of life a second.

        The dead-man is set, to longer than any rule waits: should this program be killed, what a rule has lit goes out.
        The quick signs of life only save time; a board that refuses them is heard each second.
        """
        self.line.pump(0.02)
        self.line.answers.clear()
        self.line.ask("deadman", f"{DEADMAN_MS:04X}")
        self.line.ask("light")
        self.line.ask("alive", "0064")
        for channel in self.outputs:
            self.line.ask("set", f"{channel.id}={channel.off}")

    def alive(self, seconds: float = 12.0) -> News:
        """Wait for the next sign of life."""
        news = self.line.await_news("alive", seconds, since=len(self.line.news))
        if news is None:
            raise Broken(f"no sign of life within {seconds:.0f} s")
        if len(news.words) != 8:
            raise Broken("a sign of life has seven words after 'alive'")
        return news


def shown(raw: bytes) -> str:
    """A line as text for a report."""
    return printable(raw)
