"""What is wrong with links now: verdicts from the last few minutes only, without faults that were fixed since."""

from __future__ import annotations

from benchcon.state import BenchState
from benchcon.timing.links import LinkEvidence, LinkVerdict
from benchcon.wire import events as ev

SPAN_US = 150_000_000
"""Verdicts are based on the evidence of once to twice this time."""


class RecentLinks:
    """As `benchcon.timing.links.LinkEvidence`, but with a memory of two to five minutes.

    There are two collections of evidence, the second begun `span_us` after the first; when it is that old, the first is
    dropped.
    """

    def __init__(self, state: BenchState, span_us: int = SPAN_US) -> None:
        self._span_us = span_us
        self._current = LinkEvidence(state)
        self._next: LinkEvidence | None = None
        self._begun_us = -1

    def take(self, event: ev.Event) -> None:
        """Take one event."""
        at_us = event.at_us
        if self._begun_us < 0 or at_us < self._begun_us:
            self._begun_us = at_us
        elif at_us - self._begun_us >= self._span_us:
            self._begun_us = at_us
            self._current, self._next = self._next or self._current, (self._next or self._current).heir()
        self._current.take(event)
        if self._next is not None:
            self._next.take(event)

    def verdicts(self) -> list[LinkVerdict]:
        """Return what is wrong with the links; for each link the most serious first."""
        return self._current.verdicts()
