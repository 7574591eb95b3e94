"""What a recording tells of time: the stopwatch of a session that is played back."""

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
"""How long a recording is read at a time, so that it does not hold up the screen."""
PAUSE_S = 0.006
IDLE_S = 0.05
BACK_US = 1_000_000


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
        """Ignore events of the session: the capture is read here, from its file."""

    def learn_rates(self, ports: Iterable[PortInfo]) -> None:
        """Ignore rates of ports: a capture holds them itself."""

    @property
    def behind_us(self) -> int:
        """What lies between what has been read and where the replay stands; 0 if nothing does."""
        return max(self._session.now_us() - self._read_us, 0)

    @property
    def span(self) -> str:
        """Which stretch of time the figures are of."""
        if self.behind_us > 2_000_000:
            whole_us = max(self._session.now_us() - self._session.first_us, 1)
            return f"reading the capture: {100 * (whole_us - self.behind_us) // whole_us} %"
        return "in this capture up to here"

    def close(self) -> None:
        """End the thread."""
        self._over.set()

    # --- the thread ---------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        # A file that cannot be read is reported where it is played.
        with contextlib.suppress(Trouble), StateReader(self._path) as reader:
            if reader.words.get("time") == "virtual":
                self.why_not = f"This is {VIRTUAL}."
                return
            while not self._over.is_set():
                self._read(reader)

    def _read(self, reader: StateReader) -> None:
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
