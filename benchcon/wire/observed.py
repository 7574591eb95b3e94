"""What the observer keeps about one board: counters, running number, clock, boot number, unanswered requests."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields
from typing import Any

from benchcon.wire.events import Asked

UNKNOWN_MOST = 32
"""Unknown words that are counted one by one; all others are counted together under ``*``."""
HAND_MOST = 64
"""Most requests typed by hand that may wait for their answer."""
LONG_SILENCE_US = 1 << 30
"""After this long without a notification, the host's clock helps to unwrap the board's (half a wrap is 2^31)."""
REPEAT_US = 1_000_000
"""A request with the same tag and words, sent longer than this after the last one, is not a repeat but a new one."""
WRAP = 1 << 32
HALF_WRAP = 1 << 31


@dataclass(slots=True)
class Counters:
    """What was counted for one source since the stream began."""

    lines_up: int = 0
    lines_down: int = 0
    notifications: int = 0
    answers: int = 0
    bad: int = 0
    """Records of bytes from the board that are not a good line."""
    bad_down: int = 0
    why: dict[str, int] = field(default_factory=dict)
    """`bad` and `bad_down` by reason."""
    gaps: int = 0
    """Gaps in the running numbers."""
    missing: int = 0
    """Notifications lost in these gaps."""
    repeated: int = 0
    """Notifications received twice and ignored."""
    dropped: int = 0
    """Notifications that the board says it had to drop."""
    boots: int = 0
    """Resets seen."""
    unknown: dict[str, int] = field(default_factory=dict)
    """Unknown words of notifications → how often each came; see `unknown_word`."""

    def unknown_word(self, word: str) -> None:
        """Count a notification whose word or form this program does not know."""
        if word not in self.unknown and len(self.unknown) >= UNKNOWN_MOST:
            word = "*"
        self.unknown[word] = self.unknown.get(word, 0) + 1


@dataclass(slots=True)
class Waiting:
    """A request that was sent more often than it was answered."""

    asked: Asked
    """The request when it was first sent."""
    sent: int
    unanswered: int
    last_us: int

    def is_repeated_by(self, asked: Asked) -> bool:
        """Return whether `asked`, which has the same tag, is this request sent again rather than a new one."""
        unanswered = self.sent == self.unanswered
        return unanswered and asked.words == self.asked.words and asked.at_us - self.last_us <= REPEAT_US


class ObservedBoard:
    """One board as the observer follows it."""

    __slots__ = (
        "at_us",
        "boot",
        "boot_guessed",
        "boot_line_due",
        "clock_us",
        "counters",
        "expected",
        "hand",
        "waiting",
    )

    def __init__(self) -> None:
        self.counters = Counters()
        self.expected: int | None = None
        """Running number of the next notification; None before the first since the port was opened."""
        self.clock_us: int | None = None
        """Latest clock heard, unwrapped; None before the first."""
        self.at_us = 0
        """Host stamp of that clock."""
        self.boot: int | None = None
        self.boot_guessed = False
        self.boot_line_due = False
        """Whether a reset was inferred from other signs, so that its boot line may still come."""
        self.waiting: dict[int, Waiting] = {}
        """Unanswered requests by tag."""
        self.hand: list[Asked] = []
        """Unanswered requests typed by hand, oldest first."""

    def unwrap(self, clock: int, at_us: int) -> int:
        """Return `clock` (modulo 2^32, in µs) unwrapped: the moment nearest to where the board's clock must be."""
        near = self.clock_us
        if near is None:
            return clock
        if at_us - self.at_us > LONG_SILENCE_US:
            near += at_us - self.at_us
        full = near + ((clock - near + HALF_WRAP) % WRAP) - HALF_WRAP
        return full if full >= 0 else full + WRAP

    def reached(self, clock_us: int, at_us: int) -> None:
        """Note that the board's clock had reached `clock_us` at host time `at_us`."""
        if self.clock_us is None or clock_us >= self.clock_us:
            self.clock_us = clock_us
            self.at_us = at_us

    def was_reset(self, boot: int, guessed: bool, line_due: bool) -> None:
        """Let running numbers and clock begin again, and count the reset."""
        self.boot = boot
        self.boot_guessed = guessed
        self.boot_line_due = line_due
        if self.expected is not None:  # otherwise it may have sent more than its boot line before the port was opened
            self.expected = 0
        self.clock_us = None
        self.counters.boots += 1

    def snapshot(self) -> dict[str, Any]:
        """Return every field, as values that JSON can hold."""
        return {
            "counters": asdict(self.counters),
            "expected": self.expected,
            "clock_us": self.clock_us,
            "at_us": self.at_us,
            "boot": self.boot,
            "boot_guessed": self.boot_guessed,
            "boot_line_due": self.boot_line_due,
            "waiting": [
                [tag, one.asked.at_us, list(one.asked.words), one.sent, one.unanswered, one.last_us]
                for tag, one in self.waiting.items()
            ],
            "hand": [[asked.at_us, list(asked.words)] for asked in self.hand],
        }

    @classmethod
    def restored(cls, source: int, given: dict[str, Any]) -> ObservedBoard:
        """Return the board that `snapshot` described; `source` is its number.

        Raises ValueError, TypeError or KeyError if `given` is not a snapshot.
        """
        board = cls()
        counted = given["counters"]
        for counter in fields(Counters):
            value = counted[counter.name]
            if isinstance(getattr(board.counters, counter.name), dict):
                first = list(value.items())[: UNKNOWN_MOST + 1]
                setattr(board.counters, counter.name, {str(word): int(count) for word, count in first})
            else:
                setattr(board.counters, counter.name, int(value))
        board.expected = None if given["expected"] is None else int(given["expected"]) & 0xFFFF
        board.clock_us = None if given["clock_us"] is None else int(given["clock_us"]) & ((1 << 64) - 1)
        board.at_us = int(given["at_us"])
        board.boot = None if given["boot"] is None else int(given["boot"]) & 0xFFFF
        board.boot_guessed = bool(given["boot_guessed"])
        board.boot_line_due = bool(given["boot_line_due"])
        for tag, at_us, words, sent, unanswered, last_us in given["waiting"]:
            asked = Asked(int(at_us), source, int(tag) & 0xFF, tuple(map(str, words)) or ("",))
            board.waiting[asked.tag] = Waiting(asked, int(sent), int(unanswered), int(last_us))
        for at_us, words in given["hand"][:HAND_MOST]:
            board.hand.append(Asked(int(at_us), source, 0, tuple(map(str, words))))
        return board
