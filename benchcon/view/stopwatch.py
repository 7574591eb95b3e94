"""Measures time in a session's stream from its beginning: delays, clocks, and the health of links."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from benchcon.link.pseudo_terminals import is_pseudo_terminal
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
"""Least time between two calculations of the figures, which take at most a twentieth of the time."""
LINKS_S = 2.0
MOST_CHANGES = 1_000
"""How many of each channel's latest changes are used; more would take longer than a frame may."""


class Stopwatch:
    """Takes the events of a live session; create it when the session begins.

    The modules that measure are loaded with the first event, because the first screen shows none of the figures.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.lock: contextlib.AbstractContextManager[object] = session.lock
        self.found: list[Delays] = []
        self.links: list[LinkVerdict] = []
        """What ailed links in the last few minutes; the worst of each link comes first."""
        self.verdicts: dict[int, LinkVerdict] = {}
        """The worst verdict on each link, by source."""
        self.why_not = ""
        """Why nothing is measured; empty if it is."""
        self._due = self._links_due = 0.0
        self._rates: dict[int, int] = {}

    @cached_property
    def timing(self) -> Timing:
        """Delays, clocks and what is wrong with links; hold `lock` while reading it."""
        from benchcon.timing.timing import Timing

        return Timing(self.session.state, recent=True)

    @cached_property
    def curves(self) -> LinkCurves:
        """The history of links; hold `lock` while reading it."""
        from benchcon.timing.curves import LinkCurves

        return LinkCurves()

    def take(self, events: Sequence[Event]) -> None:
        """Take events of the session."""
        with self.lock:
            self.timing.take(events)
            for event in events:
                self.curves.take(event)

    def learn_rates(self, ports: Iterable[PortInfo]) -> None:
        """Take the rates of ports that were open before this began."""
        for port in ports:
            rate = 0 if is_pseudo_terminal(port.port) else port.rate
            if port.source and self._rates.get(port.source) != rate:
                self._rates[port.source] = rate
                with self.lock:
                    self.timing.clocks.set_rate(port.source, rate)

    def look_at_links(self) -> None:
        """Judge the links if it is time to."""
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
        """Work out the delays if it is time to; return whether there are new figures."""
        began = time.monotonic()
        if began < self._due:
            return False
        with self.lock:
            self.found = self.timing.delays(panel, most=MOST_CHANGES)
        self._due = began + max(EACH_S, 20 * (time.monotonic() - began))
        return True

    def last(self) -> tuple[Delays, Delay] | None:
        """Return the latest answer, with the delays that it belongs to; None if there is none."""
        rows = [(one, one.found[-1]) for one in self.found if one.found]
        return max(rows, key=lambda row: row[1].at_us + row[1].delay_us, default=None)

    def link_sentences(self) -> list[str]:
        """Return for each link that something is wrong with a paragraph that says what it is and what to do first."""
        from benchcon.timing.links import sentences

        return sentences(self.links, self.timing.state)

    @property
    def span(self) -> str:
        """Which stretch of time the figures are of."""
        return "since this session began"

    def close(self) -> None:
        """End any thread of its own."""
