"""Keeping the fault: ring and watch together, so that what came before a trigger is written out with what follows.

`Keeper` takes part in the stream after the state, on the same thread. When a trigger that saves fires, or `keep` is
called, it begins a capture with all that the ring holds, goes on recording for a while after the last such moment, and
closes the file. The bench is never held up by it.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from benchcon.capture.ring import Ring
from benchcon.durations import capture_path
from benchcon.errors import Trouble
from benchcon.panel.model import Panel
from benchcon.state import BenchState
from benchcon.state.changes import ValueChange
from benchcon.watch.triggers import Trigger
from benchcon.watch.watch import Fired, Watch
from benchcon.wire.events import Event
from benchcon.wire.records import Batch

if TYPE_CHECKING:
    from benchcon.capture.writer import Figures, Writer

FOLLOW_S = 60.0
"""How long it goes on after the last trigger."""
MOST_FIRED = 200


class Closed(NamedTuple):
    """A capture that is written and closed, and the stretch of the bench that it holds."""

    figures: Figures
    from_us: int
    to_us: int


class Keeper:
    """The last 10 minutes of a bench, and what becomes of them.

    `path`: the captures are named after it, with the time put in before the suffix: ``night.20260301T120003Z.capture``.
    `note` puts a note into the stream (kind and text). `began` is the wall-clock time of stamp 0.
    """

    def __init__(
        self,
        path: Path,
        began: datetime,
        state: BenchState,
        note: Callable[[str, str], None],
        *,
        triggers: Sequence[Trigger] = (),
        panel: Panel | None = None,
        ring: Ring | None = None,
        follow_s: float = FOLLOW_S,
    ) -> None:
        self.watch = Watch(triggers, panel)
        self.ring = ring or Ring(state.keyframe, at_us=state.at_us)
        self.fired: deque[Fired] = deque(maxlen=MOST_FIRED)
        """What fired last, for the screen."""
        self.kept: list[Path] = []
        """Captures written, in order."""
        self.trouble = ""
        """Why the last capture could not be begun; empty if it could."""
        self.closed: list[Closed] = []
        """Captures that are on the disk and closed, in order."""
        self._path = path
        self._began = began
        self._state = state
        self._note = note
        self._follow_us = int(follow_s * 1_000_000)
        self._writer: Writer | None = None
        self._from_us = self._until_us = 0
        self._closing: list[threading.Thread] = []

    @property
    def writing(self) -> Path | None:
        """The capture being written now."""
        return self.kept[-1] if self._writer is not None else None

    @property
    def until_us(self) -> int:
        """When the capture being written ends by itself."""
        return self._until_us

    @property
    def follow_us(self) -> int:
        """How long a capture goes on after the last trigger or key."""
        return self._follow_us

    def take(self, batches: Sequence[Batch], events: Sequence[Event], changes: Sequence[ValueChange]) -> None:
        """Take batches, the events they gave and, where the watch needs them, changes; `state` has eaten them."""
        self.ring.feed(batches)
        if self._writer is not None:
            self._writer.write(batches)
        self._act(self.watch.feed(changes, events, self._state))
        if self._writer is not None and batches and batches[-1].at_us > self._until_us:
            self._end_aside()

    def tick(self, now_us: int) -> None:
        """Take the time: for silence, and for ending a capture although nothing comes any more."""
        self._act(self.watch.tick(now_us, self._state))
        if self._writer is not None and now_us > self._until_us:
            self._end_aside()

    def keep(self, now_us: int, why: str = "") -> Path | None:
        """Write out what the ring holds, with what follows; None (see `trouble`) if the file cannot be made."""
        from benchcon.capture.writer import Writer

        self._until_us = now_us + self._follow_us
        if self._writer is None:
            path = capture_path(self._path, self._began + timedelta(microseconds=now_us))
            try:
                self._writer = Writer(
                    path,
                    self._began,
                    self._state.keyframe,
                    at_us=now_us,
                    opening=self.ring.contents(),
                    words={"kept": why} if why else None,
                )
            except Trouble as trouble:
                self.trouble = str(trouble)
                return None
            self.trouble = ""
            self._from_us = self.ring.from_us
            self.kept.append(path)
        return self.kept[-1]

    def end(self) -> Figures | None:
        """Close the capture being written, if one is, and wait until all that were begun are closed."""
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.stop()
        figures = self._close(writer, self._from_us, self._state.at_us) if writer is not None else None
        for thread in self._closing:
            thread.join()
        self._closing.clear()
        return figures

    def _end_aside(self) -> None:
        """Close the capture being written on a thread of its own: the bench is not held up by the disk."""
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.stop()
            self._closing = [thread for thread in self._closing if thread.is_alive()]
            given = writer, self._from_us, self._state.at_us
            self._closing.append(threading.Thread(target=self._close, args=given, name="capture close"))
            self._closing[-1].start()

    def _close(self, writer: Writer, from_us: int, to_us: int) -> Figures:
        figures = writer.close()
        self.closed.append(Closed(figures, from_us, max(to_us, from_us)))
        return figures

    def figures(self) -> Figures | None:
        """Return how the writing goes; None while no capture is written."""
        return self._writer.figures() if self._writer is not None else None

    def _act(self, fired: Sequence[Fired]) -> None:
        for one in fired:
            self.fired.append(one)
            if one.trigger.save:
                self.keep(one.at_us, one.trigger.name)
            # The note comes back with the stream and so into ring and capture, after what led to it.
            self._note("trigger", one.note)
