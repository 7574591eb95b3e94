"""What the session's stream tells of time, from its beginning: delays, clocks, what ails links, how they have been."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from benchcon.panel.model import Panel
from benchcon.session import Session

if TYPE_CHECKING:
    from benchcon.link import PortInfo
    from benchcon.timing.curves import LinkCurves
    from benchcon.timing.delays import Delay, Delays
    from benchcon.timing.links import LinkVerdict
    from benchcon.timing.timing import Timing
    from benchcon.wire.events import Event

EACH_S = 1.0
"""The figures are worked out no more often than this, and take no more than a twentieth of the time."""
LINKS_S = 2.0
MOST_CHANGES = 1_000
"""Changes of each channel that count, the latest of them: more would take longer than a frame may."""


class Stopwatch:
    """Eats the events of a session whose stream comes in now; made when the session begins.

    What measures is loaded with the first of them: the first look at a bench shows none of it.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.lock: contextlib.AbstractContextManager[object] = session.lock
        self.found: list[Delays] = []
        self.links: list[LinkVerdict] = []
        """What ails links, by the last few minutes; the gravest first of each."""
        self.verdicts: dict[int, LinkVerdict] = {}
        """The gravest of each link, by source."""
        self.why_not = ""
        """Why nothing is measured; empty where it is."""
        self._due = self._links_due = 0.0
        self._rates: dict[int, int] = {}

    @cached_property
    def timing(self) -> Timing:
        """Delays, clocks and what ails links; hold `lock` while looking into it."""
        from benchcon.timing.timing import Timing

        return Timing(self.session.state, recent=True)

    @cached_property
    def curves(self) -> LinkCurves:
        """How links have been; hold `lock` while looking into it."""
        from benchcon.timing.curves import LinkCurves

        return LinkCurves()

    def take(self, events: Sequence[Event]) -> None:
        """Take events that the session has told."""
        with self.lock:
            self.timing.take(events)
            for event in events:
                self.curves.take(event)

    def learn_rates(self, ports: Iterable[PortInfo]) -> None:
        """Learn the rates of ports that were open before this began."""
        for port in ports:
            rate = 0 if os.path.realpath(port.port).startswith("/dev/pts/") else port.rate
            if port.source and self._rates.get(port.source) != rate:
                self._rates[port.source] = rate
                with self.lock:
                    self.timing.clocks.set_rate(port.source, rate)

    def look_at_links(self) -> None:
        """Judge the links, if it is time."""
        began = time.monotonic()
        if began < self._links_due or "timing" not in self.__dict__:
            return
        with self.lock:
            self.links = self.timing.links.verdicts()
        verdicts: dict[int, LinkVerdict] = {}
        for verdict in self.links:
            verdicts.setdefault(verdict.source, verdict)
        self.verdicts = verdicts
        self._links_due = began + max(LINKS_S, 20 * (time.monotonic() - began))

    def look(self, panel: Panel) -> bool:
        """Work the delays out if it is time; return whether there are new figures."""
        began = time.monotonic()
        if began < self._due:
            return False
        with self.lock:
            self.found = self.timing.delays(panel, most=MOST_CHANGES)
        self._due = began + max(EACH_S, 20 * (time.monotonic() - began))
        return True

    def last(self) -> tuple[Delays, Delay] | None:
        """Return the latest answer of all, with the delays it belongs to; None if there is none."""
        rows = [(one, one.found[-1]) for one in self.found if one.found]
        return max(rows, key=lambda row: row[1].at_us + row[1].delay_us, default=None)

    def link_sentences(self) -> list[str]:
        """Return what ails each link and what to do first, a paragraph each."""
        from benchcon.timing.links import sentences

        return sentences(self.links, self.timing.state)

    @property
    def span(self) -> str:
        """Which stretch of time the figures are of."""
        return "since this session began"

    def close(self) -> None:
        """End what runs beside."""
