"""What the session's stream tells of time, from its beginning: delays, clocks, what ails links, how they have been."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from benchcon.capture.reader import Reader
from benchcon.errors import Trouble
from benchcon.panel.model import Panel
from benchcon.replay.timed import VIRTUAL
from benchcon.session import ReplaySession, Session
from benchcon.state import BenchState
from benchcon.timing.curves import LinkCurves
from benchcon.timing.delays import Delay, Delays
from benchcon.timing.links import LinkVerdict, told
from benchcon.timing.timing import Timing

if TYPE_CHECKING:
    from benchcon.link import PortInfo
    from benchcon.wire.events import Event

EACH_S = 1.0
"""The figures are worked out no more often than this, and take no more than a twentieth of the time."""
LINKS_S = 2.0
MOST_CHANGES = 1_000
"""Changes of each channel that count, the latest of them: more would take longer than a frame may."""
READ_S = 0.004
"""A recording is read for so long at a time, so that the screen is not held up by it."""
PAUSE_S = 0.006
IDLE_S = 0.05
BACK_US = 1_000_000


class Stopwatch:
    """Eats the events of a session whose stream comes in now; made when the session begins."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.lock: contextlib.AbstractContextManager[object] = session.lock
        self.timing = Timing(session.state, recent=True)
        self.curves = LinkCurves()
        """Hold `lock` while looking into these two."""
        self.found: list[Delays] = []
        self.links: list[LinkVerdict] = []
        """What ails links, by the last few minutes; the gravest first of each."""
        self.verdicts: dict[int, LinkVerdict] = {}
        """The gravest of each link, by source."""
        self.why_not = ""
        """Why nothing is measured; empty where it is."""
        self._due = self._links_due = 0.0
        self._rates: dict[int, int] = {}

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
        if began < self._links_due:
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
        """The latest answer of all."""
        rows = [(one, one.found[-1]) for one in self.found if one.found]
        return max(rows, key=lambda row: row[1].at_us + row[1].delay_us, default=None)

    def links_told(self) -> list[str]:
        """What ails each link, and what to do first; a paragraph each."""
        return told(self.links, self.timing.state)

    @property
    def span(self) -> str:
        """Which stretch of time the figures are of."""
        return "since this session began"

    def close(self) -> None:
        """End what runs beside."""


class RecordingStopwatch(Stopwatch):
    """The same of a recording, from its beginning to where it stands: read on a thread of its own, wherever one jumps.

    Delays that lie before where the replay was begun, or that were jumped over, count as well.
    """

    def __init__(self, session: ReplaySession) -> None:
        super().__init__(session)
        self.lock = threading.RLock()
        self._path = session.path
        self._session = session
        self._read_us = session.first_us
        self._begin()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="stopwatch", daemon=True)
        self._thread.start()

    def _begin(self) -> None:
        with self.lock:
            self.timing = Timing(BenchState(), recent=True)
            self.curves = LinkCurves()
            self._read_us = self._session.first_us
            self._due = self._links_due = 0.0

    def take(self, events: Sequence[Event]) -> None:
        """The recording is read here: what the session tells of it is known."""

    def learn_rates(self, ports: Iterable[PortInfo]) -> None:
        """A recording says them itself."""

    @property
    def behind_us(self) -> int:
        """What lies between what has been read and where the replay stands; 0 if nothing does."""
        return max(self._session.now_us() - self._read_us, 0)

    @property
    def span(self) -> str:
        """Which stretch of time the figures are of."""
        if self.behind_us > 2_000_000:
            whole_us = max(self._session.now_us() - self._session.first_us, 1)
            return f"reading the recording: {100 * (whole_us - self.behind_us) // whole_us} %"
        return "in this recording up to here"

    def close(self) -> None:
        """End the thread."""
        self._over.set()

    # --- the thread ---------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        # A file that cannot be read is told where it is played.
        with contextlib.suppress(Trouble), Reader(self._path) as reader:
            if reader.words.get("time") == "virtual":
                self.why_not = f"This is {VIRTUAL}."
                return
            while not self._over.is_set():
                self._read(reader)

    def _read(self, reader: Reader) -> None:
        """Read from the beginning, follow the session, and return when it has jumped back."""
        reader.rewind()
        self._begin()
        rest_s = time.monotonic() + READ_S
        for batch in reader:
            while batch.at_us > self._session.now_us():
                self._read_us = self._session.now_us()
                if self._over.wait(IDLE_S) or self._went_back(batch.at_us):
                    return
                rest_s = time.monotonic() + READ_S
            with self.lock:
                for event in self.timing.feed(batch):
                    self.curves.take(event)
            self._read_us = batch.at_us
            if time.monotonic() > rest_s:
                if self._over.wait(PAUSE_S) or self._went_back(batch.at_us):
                    return
                rest_s = time.monotonic() + READ_S
        self._read_us = self._session.last_us
        while not self._over.wait(IDLE_S) and self._session.now_us() >= self._session.last_us - BACK_US:
            pass

    def _went_back(self, at_us: int) -> bool:
        return self._session.now_us() < self.timing.moments.last_us - BACK_US


def stopwatch_of(session: Session) -> Stopwatch:
    """Return the stopwatch for a session; close it."""
    return RecordingStopwatch(session) if isinstance(session, ReplaySession) else Stopwatch(session)
