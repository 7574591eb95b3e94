"""Everything that the stream tells of time: clocks, transport delays, how contacts bounce, and what ails links."""

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
from benchcon.wire import events as ev
from benchcon.wire.records import KEYFRAME, Batch


class Timing:
    """Eats a stream, or the events of one that somebody else follows, and keeps what it tells of time."""

    def __init__(self, state: BenchState | None = None) -> None:
        self.state = state if state is not None else BenchState()
        self.clocks = Clocks(self.state)
        self.moments = Moments(self.state, self.clocks)
        self.raw = RawSamples(self.state)
        self.links = LinkEvidence(self.state)

    def feed(self, batch: Batch) -> None:
        """Take one batch of a stream that nobody else follows."""
        happened = self.state.feed(batch)
        if batch.kind == KEYFRAME:
            self.moments.stand()
        self.take(happened)

    def take(self, events: Iterable[ev.Event]) -> None:
        """Take what `BenchState.feed` gave for a batch, after it."""
        for event in events:
            self.clocks.feed((event,))
            self.moments.take(event)
            self.raw.take(event)
            self.links.take(event)

    def delays(self, panel: Panel, *, propose: bool = True, most: int = 0) -> list[Delays]:
        """Return the transport delays so far; with `most` of so many of the latest changes of each channel."""
        return delays_of(panel, self.state, self.moments, propose=propose, most=most)

    def contacts(self, panel: Panel) -> list[ContactTiming]:
        """Return how contacts bounce, encoders count and potentiometers read, where they were told raw."""
        return contacts_of(panel, self.state, self.raw)
