"""Whether a key can be meant for the question that stands: nothing is proved by a key that nobody meant.

An answer counts when its question has stood for half a second, so that somebody can have looked. A key that is held
down comes again and again: only the first of them is an answer. Whether a key is held cannot be told from a terminal;
but what comes again a tenth of a second after itself, or before itself, was not pressed again.
"""

from __future__ import annotations

from enum import Enum

STAND_S = 0.5
"""How long a question must have stood."""
REPEAT_S = 0.15
"""A held key comes again within this: terminals repeat ten to forty times a second (common practice, no source)."""
AFTER_S = 0.12
"""How long to wait for the repeat of a key that may be the first repeat of a held one."""
MAYBE_S = 2.5
"""The longest time from a key going down to its first repeat (common practice, no source)."""


class Press(Enum):
    """What one press of a key is."""

    TAKEN = "an answer"
    EARLY = "pressed before anybody can have looked, or while nothing is asked"
    REPEAT = "the same press, coming again"
    MAYBE = "an answer, unless the key comes again at once: ask `Guard.settled` after `AFTER_S`"


class Guard:
    """Presses against the question at hand. Times in seconds, of any clock that does not run back."""

    def __init__(self) -> None:
        self._question = 0
        self._since = 0.0
        self._key = ""
        self._pressed = float("-inf")
        self._waits = 0
        """Question that a press of `MAYBE` answers, if it is one."""

    def asked(self, question: int, now: float) -> None:
        """This question (a number above 0) is shown now; this may be called again and again."""
        if question != self._question:
            self._question, self._since = question, now

    def nothing_asked(self) -> None:
        """Nothing that could be answered stands."""
        self._question = 0

    def stands(self, now: float) -> bool:
        """Whether the question has stood for long enough to be answered."""
        return self._question > 0 and now - self._since >= STAND_S

    def pressed(self, key: str, now: float) -> Press:
        """A key was pressed, or came again."""
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
        """The time after a press of `MAYBE` is over."""
        waits, self._waits = self._waits, 0
        return Press.TAKEN if waits and waits == self._question else Press.REPEAT
