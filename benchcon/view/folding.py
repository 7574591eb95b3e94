"""Events that repeat, folded into one entry with a count: a lamp that blinks, a level that is held up.

A `set` of the same outputs is folded into the entry before it if it goes back to what was set the time before (a
blink), or if nothing else came between and nothing goes out by it (a level held up, a number typed). What boards say of
their inputs is never folded.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import NamedTuple

from benchcon.wire import events as ev
from benchcon.wire.notifications import lights

FOLD_US = 3_000_000
"""After this long a new entry is begun."""
MOST_FOLDED = 2_000


class Folded(NamedTuple):
    """An entry that stands for several."""

    times: int
    last: ev.Event


class _Last(NamedTuple):
    """What was set last on the same outputs: number of its entry, when, what, and what before that."""

    number: int
    at_us: int
    words: tuple[str, ...]
    before: tuple[str, ...]


class Folding:
    """Decides for each request which entry it belongs to."""

    def __init__(self) -> None:
        self._last: dict[tuple[int, tuple[str, ...]], _Last] = {}
        self.folded: OrderedDict[int, Folded] = OrderedDict()
        """By the entry's number."""

    def take(self, event: ev.Asked, number: int) -> bool:
        """Take a `set` that would be entry `number`; returns whether it is folded into an earlier one."""
        words = event.words
        key = (event.source, tuple(word.partition("=")[0] for word in words[1:]))
        last = self._last.get(key)
        if len(self._last) > MOST_FOLDED:
            self._last.clear()
        if last is None or not 0 <= event.at_us - last.at_us <= FOLD_US:
            self._last[key] = _Last(number, event.at_us, words, ())
            return False
        fold = words == last.before or (last.number == number - 1 and lights(words) and lights(last.words))
        self._last[key] = _Last(last.number if fold else number, event.at_us, words, last.words)
        if fold:
            before = self.folded.get(last.number)
            self.folded[last.number] = Folded((before.times if before else 1) + 1, event)
            if len(self.folded) > MOST_FOLDED:
                self.folded.popitem(last=False)
        return fold

    def clear(self) -> None:
        """Start over."""
        self._last.clear()
        self.folded.clear()
