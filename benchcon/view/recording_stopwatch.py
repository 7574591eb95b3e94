"""The stopwatch of a capture that is played back."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from benchcon.errors import Trouble
from benchcon.replay.timed import VIRTUAL
from benchcon.session import ReplaySession
from benchcon.state import BenchState
from benchcon.state_reader import StateReader
from benchcon.timing.curves import LinkCurves
from benchcon.timing.timing import Timing
from benchcon.view.stopwatch import Stopwatch

if TYPE_CHECKING:
    from benchcon.link import PortInfo
    from benchcon.wire.events import Event

READ_S = 0.004
"""How long the capture is read at a time, so that the screen is not held up."""
PAUSE_S = 0.006
IDLE_S = 0.05
BACK_US = 1_000_000


class RecordingStopwatch(Stopwatch):
    """Measures a capture from its beginning to the replay's position, on a thread of its own.

    Delays before the start of the replay, or that it jumped over, count as well.
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
        """Ignore the session's events, because the capture is read from its file."""

    def learn_rates(self, ports: Iterable[PortInfo]) -> None:
        """Ignore the ports' rates, because the capture has them."""

    @property
    def behind_us(self) -> int:
        """Return the time in µs between what has been read and the replay's position."""
        return max(self._session.now_us() - self._read_us, 0)

    @property
    def span(self) -> str:
        """Return in words which stretch of time the figures are of."""
        if self.behind_us > 2_000_000:
            whole_us = max(self._session.now_us() - self._session.first_us, 1)
            return f"reading the capture: {100 * (whole_us - self.behind_us) // whole_us} %"
        return "in this capture up to here"

    def close(self) -> None:
        """End the thread."""
        self._over.set()

    # --- the thread ---------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        # The player reports a file that cannot be read.
        with contextlib.suppress(Trouble), StateReader(self._path) as reader:
            if reader.words.get("time") == "virtual":
                self.why_not = f"This is {VIRTUAL}."
                return
            while not self._over.is_set():
                self._read(reader)

    def _read(self, reader: StateReader) -> None:
        """Read from the beginning, follow the session, and return if it jumps back."""
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
