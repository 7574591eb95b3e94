"""Folds repeated events into one entry with a count, such as those of a blinking lamp or a held key.

A `set` is folded into the last entry for the same outputs if it returns to the setting before that (a blink), or if no
other event came between and it switches nothing off (a level that rises, a number being typed). Reports of inputs are
never folded.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import NamedTuple

from benchcon.wire import events as ev
from benchcon.wire.notifications import lights

FOLD_US = 3_000_000
"""Time after which a new entry begins."""
MOST_FOLDED = 2_000


class Folded(NamedTuple):
    """An entry that stands for several events."""

    times: int
    last: ev.Event


class _Last(NamedTuple):
    """The last `set` of some outputs: number of its entry, time, setting, and the setting before."""

    number: int
    at_us: int
    words: tuple[str, ...]
    before: tuple[str, ...]


class Folding:
    """Decides to which entry each request belongs."""

    def __init__(self) -> None:
        self._last: dict[tuple[int, tuple[str, ...]], _Last] = {}
        self.folded: OrderedDict[int, Folded] = OrderedDict()
        """Folded entries by their number."""

    def take(self, event: ev.Asked, number: int) -> bool:
        """Take a `set` that would be entry `number`; return whether it is folded into an earlier one."""
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
