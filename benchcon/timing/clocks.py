"""The clocks of all boards on a bench, from its events: several boards on one axis, with resets and wraps."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from benchcon.state import BenchState
from benchcon.text import decimal
from benchcon.timing.clock_map import ClockMap, Exchange, Heard, Placed
from benchcon.wire import events as ev

BITS_A_BYTE = 10
"""8 data bits, a start and a stop bit."""
REQUEST_EXTRA = len(">07 ") + len(" #C08E\n")
NOTIFICATION_EXTRA = len("!0A3F 0012ABCD ") + len(" #C08E\n")
MOST_KEPT = 20_000
"""Most limits that are kept of one board between two resets; beyond that, every other old one is dropped."""
_ONE_STAMP = {"set": 1, "dark": 1, "light": 1, "read": 2}
"""Word of an answer → which of its words is the board's clock."""
WRAP = 1 << 32


@dataclass(slots=True)
class Epoch:
    """The period of one board between two resets."""

    source: int
    number: int
    began_us: int
    rate: int = 0
    """Rate of its line in baud; 0: not known, or none."""
    exchanges: list[Exchange] = field(default_factory=list)
    heard: list[Heard] = field(default_factory=list)
    ticking: bool = False
    """Whether its clock was seen to advance; a clock that stands still does not count."""
    tick_us: float = 4.0
    last_clock: int = -1
    _fitted: ClockMap | None = None
    _fitted_of: tuple[int, int] = (-1, -1)

    def map(self) -> ClockMap | None:
        """Return the clock map from everything so far; None while that is too little."""
        have = len(self.exchanges), len(self.heard)
        if self._fitted_of != have:
            self._fitted_of = have
            self._fitted = ClockMap.fit(self.exchanges, self.heard, self.tick_us) if self.ticking else None
        return self._fitted

    def place(self, clock_us: float, heard_us: int) -> tuple[Placed, bool]:
        """Return a moment of the board on the bench's axis, and whether that is by the board's own clock.

        Without a clock map it is the bench's stamp `heard_us`, without a bound on how much earlier it may have been.
        """
        found = self.map()
        if found is None:
            return Placed(float(heard_us), 0.0, one_way=True), False
        return found.bench_us(clock_us), True

    def wire_us(self, count: int) -> float:
        """Return the least time that `count` bytes take on the line, in µs; 0 if its rate is not known."""
        return count * BITS_A_BYTE * 1e6 / self.rate if self.rate else 0.0

    def trim(self) -> None:
        for kept in (self.exchanges, self.heard):
            if len(kept) > MOST_KEPT:
                del kept[: MOST_KEPT // 2 : 2]


def rate_opened(event: ev.Link) -> int:
    """Return the rate in baud of an ``opened`` record; 0 for a pseudo-terminal, or if none is known."""
    return (decimal(event.detail.get("rate", "")) or 0) if event.detail.get("kind") != "pty" else 0


class Clocks:
    """Takes events, and keeps what they say about the boards' clocks."""

    def __init__(self, state: BenchState) -> None:
        self._state = state
        self.epochs: dict[int, list[Epoch]] = {}
        """Number of a board → its epochs, in order; the last one is the present."""
        self._rates: dict[int, int] = {}

    def epoch(self, source: int, at_us: int = 0) -> Epoch:
        """Return the present epoch of this board, made if there is none."""
        found = self.epochs.get(source)
        if not found:
            found = self.epochs[source] = [Epoch(source, 0, at_us, self._rates.get(source, 0))]
        return found[-1]

    def feed(self, events: Iterable[ev.Event]) -> None:
        """Take the events of a batch, after `BenchState.feed` has taken the batch."""
        for event in events:
            self.take(event)

    def take(self, event: ev.Event) -> None:
        """Take one event, in order; see `feed`."""
        sort = type(event)
        if sort is ev.Moved or sort is ev.Alive or sort is ev.Edge or sort is ev.Reading:
            self._heard(event.source, event.at_us, event.clock_us, sort is ev.Alive)  # type: ignore[union-attr]
        elif sort is ev.Answered:
            self._answered(event)  # type: ignore[arg-type]
        elif sort is ev.Boot:
            self._boot(event)  # type: ignore[arg-type]
        elif sort is ev.Link and event.word == "opened":  # type: ignore[union-attr]
            self.set_rate(event.source, rate_opened(event), event.at_us)  # type: ignore[arg-type]

    def set_rate(self, source: int, rate: int, at_us: int = 0) -> None:
        """Set the rate of a board's line, in baud; 0: none, or not known."""
        self._rates[source] = rate
        self.epoch(source, at_us).rate = rate

    def _boot(self, event: ev.Boot) -> None:
        known = self.epochs.setdefault(event.source, [])
        known.append(Epoch(event.source, len(known), event.at_us, self._rates.get(event.source, 0)))

    def _ticks(self, epoch: Epoch, clock: int) -> None:
        if not epoch.ticking and epoch.last_clock >= 0 and clock != epoch.last_clock:
            epoch.ticking = True
        epoch.last_clock = clock

    def _heard(self, source: int, at_us: int, clock_us: int, alive: bool) -> None:
        epoch = self.epoch(source, at_us)
        self._ticks(epoch, clock_us)
        heard = epoch.heard
        # A busy board reports thousands a second, and only the fastest line matters: keep the best of each 50 ms.
        if heard and at_us - heard[-1].at_us < 50_000:
            if clock_us - at_us > heard[-1].clock_us - heard[-1].at_us:
                heard[-1] = Heard(float(at_us), float(clock_us), epoch.wire_us(NOTIFICATION_EXTRA + 5))
            return
        heard.append(Heard(float(at_us), float(clock_us), epoch.wire_us(NOTIFICATION_EXTRA + (30 if alive else 5))))
        epoch.trim()

    def _answered(self, event: ev.Answered) -> None:
        request, words = event.request, event.words
        if request is None or event.took_us is None or not words:
            return
        if words[0] == "ping" and len(words) == 3:
            stamps = words[1], words[2]
        elif words[0] in _ONE_STAMP and len(words) > _ONE_STAMP[words[0]]:
            stamps = words[_ONE_STAMP[words[0]]], words[_ONE_STAMP[words[0]]]
        else:
            return
        try:
            received, answered = (self._state.observer.clock_us(event.source, int(word, 16)) for word in stamps)
        except ValueError:
            return
        epoch = self.epoch(event.source, event.at_us)
        self._ticks(epoch, answered)
        if answered < received:
            answered += WRAP
        back = epoch.wire_us(len(" ".join(words)) + REQUEST_EXTRA)
        out = epoch.wire_us(len(" ".join(request.words)) + REQUEST_EXTRA)
        sent = float(_sent_us(request))
        epoch.exchanges.append(Exchange(sent, float(received), float(answered), float(event.at_us), out, back))
        epoch.trim()


def _sent_us(request: ev.Asked) -> int:
    """Return the earliest moment at which a request was sent; our own pings hold the time before they were written.

    Captures of older versions stamp a line after the write, and on a busy computer the board may already have it then.
    """
    if request.words[0] == "ping" and len(request.words) == 3:
        try:
            late = (request.at_us - int(request.words[1], 16)) % WRAP
        except ValueError:
            return request.at_us
        if late < 100_000:
            return request.at_us - late
    return request.at_us
