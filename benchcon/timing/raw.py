"""Raw reports of boards, channel by channel: every edge of a contact or encoder, every reading of a potentiometer."""

from __future__ import annotations

from typing import NamedTuple

from benchcon.state import BenchState
from benchcon.timing.moments import Key
from benchcon.wire import events as ev

MOST_KEPT = 50_000
"""Most edges or readings of one channel that are kept; beyond that, the oldest are dropped."""


class Sample(NamedTuple):
    """One edge or reading."""

    clock_us: int
    """By the board's clock, unwrapped."""
    value: int
    """Level of the pin after the edge (encoder: A·2+B), or counts."""
    fresh: bool = False
    """Whether what came before is missing: after a reset, a gap in the running numbers, or switching raw on."""


class RawSamples:
    """Takes events, and keeps raw samples."""

    def __init__(self, state: BenchState) -> None:
        self._state = state
        self.edges: dict[Key, list[Sample]] = {}
        self.readings: dict[Key, list[Sample]] = {}
        self.lost: dict[int, int] = {}
        """Number of a board → how many notifications were lost while something was reported raw."""
        self._fresh: set[Key] = set()

    def take(self, event: ev.Event) -> None:
        """Take one event."""
        sort = type(event)
        if sort is ev.Edge:
            self._put(self.edges, (event.source, event.channel), event.clock_us, event.level)  # type: ignore[union-attr]
        elif sort is ev.Reading:
            self._put(self.readings, (event.source, event.channel), event.clock_us, event.counts)  # type: ignore[union-attr]
        elif sort is ev.Gap:
            self._broken(event.source, event.missing)  # type: ignore[union-attr]
        elif sort is ev.Boot:
            self._broken(event.source, 0)
        elif sort is ev.Notification and event.words[0] == "lost" and len(event.words) > 1:  # type: ignore[union-attr]
            self._broken(event.source, int(event.words[1], 16))  # type: ignore[union-attr]
        elif sort is ev.Answered and event.words[0] == "raw":  # type: ignore[union-attr]
            for word in event.words[1:]:  # type: ignore[union-attr]
                self._fresh.add((event.source, word.partition("=")[0]))

    def _broken(self, source: int, missing: int) -> None:
        keys = [key for kept in (self.edges, self.readings) for key in kept if key[0] == source]
        if keys:
            self.lost[source] = self.lost.get(source, 0) + missing
        self._fresh |= set(keys)

    def _put(self, into: dict[Key, list[Sample]], key: Key, clock_us: int, value: int) -> None:
        kept = into.setdefault(key, [])
        kept.append(Sample(clock_us, value, not kept or key in self._fresh))
        self._fresh.discard(key)
        if len(kept) > MOST_KEPT:
            del kept[: MOST_KEPT // 4]
