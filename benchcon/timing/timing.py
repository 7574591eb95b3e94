"""Everything about time in a stream: clocks, transport delays, how contacts bounce, what is wrong with links."""

from __future__ import annotations

from collections.abc import Iterable

from benchcon.panel.model import Panel
from benchcon.state import BenchState
from benchcon.timing.clocks import Clocks
from benchcon.timing.contacts import ContactTiming, contacts_of
from benchcon.timing.delays import Delays, delays_of
from benchcon.timing.links import LinkEvidence
from benchcon.timing.moments import Moments
from benchcon.timing.raw import RawSamples
from benchcon.timing.recent import RecentLinks
from benchcon.wire import events as ev
from benchcon.wire.records import KEYFRAME, Batch


class Timing:
    """Takes a stream, or the events of one that somebody else feeds, and keeps everything about time."""

    def __init__(self, state: BenchState | None = None, *, recent: bool = False) -> None:
        """Take events into `state`'s account; with `recent`, judge links by the last few minutes only, for a screen."""
        self.state = state if state is not None else BenchState()
        self.clocks = Clocks(self.state)
        self.moments = Moments(self.state, self.clocks)
        self.raw = RawSamples(self.state)
        self.links: LinkEvidence | RecentLinks = RecentLinks(self.state) if recent else LinkEvidence(self.state)

    def feed(self, batch: Batch) -> list[ev.Event]:
        """Take one batch of a stream that nobody else feeds to the state; return its events."""
        happened = self.state.feed(batch)
        if batch.kind == KEYFRAME:
            self.moments.stand()
        self.take(happened)
        return happened

    def take(self, events: Iterable[ev.Event]) -> None:
        """Take the events of a batch, after `BenchState.feed` has taken the batch."""
        clocks, moments, raw, links = self.clocks.take, self.moments.take, self.raw.take, self.links.take
        for event in events:
            clocks(event)
            moments(event)
            raw(event)
            links(event)

    def delays(self, panel: Panel, *, propose: bool = True, most: int = 0) -> list[Delays]:
        """Return the transport delays so far; see `delays_of`."""
        return delays_of(panel, self.state, self.moments, propose=propose, most=most)

    def contacts(self, panel: Panel) -> list[ContactTiming]:
        """Return how contacts bounce, encoders count and potentiometers read, for channels that were reported raw."""
        return contacts_of(panel, self.state, self.raw)
