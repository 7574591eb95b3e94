"""Decides whether a key can be meant as an answer to the question on the screen.

An answer counts once its question has been shown for half a second, so that somebody can have looked. A key that is
held down repeats, and only its first press is an answer. A terminal does not report whether a key is held, but a key
that comes again within a tenth of a second or so was not pressed again.
"""

from __future__ import annotations

from enum import Enum

STAND_S = 0.5
"""How long a question must have been shown before it can be answered."""
REPEAT_S = 0.15
"""Longest time between repeats of a held key: terminals repeat 10 to 40 times a second (common practice, no source)."""
AFTER_S = 0.12
"""How long to wait for the repeat of a key that may be the first repeat of a held one."""
MAYBE_S = 2.5
"""The longest time from a key going down to its first repeat (common practice, no source)."""


class Press(Enum):
    """What one press of a key counts as."""

    TAKEN = "an answer"
    EARLY = "pressed before anybody can have looked, or while there is no question"
    REPEAT = "a repeat of a held key"
    MAYBE = "an answer, unless the key comes again at once: call `Guard.settled` after `AFTER_S`"


class Guard:
    """Judges key presses against the current question. Times are in seconds of any monotonic clock."""

    def __init__(self) -> None:
        self._question = 0
        self._since = 0.0
        self._key = ""
        self._pressed = float("-inf")
        self._waits = 0
        """Number of the question that a press of `MAYBE` answers, if it turns out to be an answer."""

    def asked(self, question: int, now: float) -> None:
        """Note that the question `question` (a number above 0) is shown; it may be called repeatedly."""
        if question != self._question:
            self._question, self._since = question, now

    def nothing_asked(self) -> None:
        """Note that no question is shown that could be answered."""
        self._question = 0

    def stands(self, now: float) -> bool:
        """Return whether the question has been shown for long enough to be answered."""
        return self._question > 0 and now - self._since >= STAND_S

    def pressed(self, key: str, now: float) -> Press:
        """Take a key that was pressed, or that repeats, and return what it counts as."""
        since = now - self._pressed if key == self._key else float("inf")
        self._key, self._pressed, self._waits = key, now, 0
        if since < REPEAT_S:
            return Press.REPEAT
        if not self.stands(now):
            return Press.EARLY
        if since < MAYBE_S:
            self._waits = self._question
            return Press.MAYBE
        return Press.TAKEN

    def settled(self) -> Press:
        """Return what a press of `MAYBE` counts as, once `AFTER_S` are over."""
        waits, self._waits = self._waits, 0
        return Press.TAKEN if waits and waits == self._question else Press.REPEAT
