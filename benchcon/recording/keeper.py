"""Saving a fault: ring and triggers together, so that what came before a trigger is written out with what follows.

`Keeper` follows the stream after the state, on the same thread. When a trigger that saves fires, or `keep` is called,
it begins a capture with everything in the ring, goes on recording for a while after the last such moment, and closes
the file. It never delays the bench.
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
"""How long a capture goes on after the last trigger."""
MOST_FIRED = 200


class Closed(NamedTuple):
    """A capture that is written and closed, and the period that it covers, as stamps."""

    figures: Figures
    from_us: int
    to_us: int


class Keeper:
    """Keeps the last 10 minutes of a bench, and writes captures of them.

    `path`: captures are named after it, with the time before the suffix: ``night.20260301T120003Z.capture``. `began`:
    the wall-clock time of stamp 0. `state`: the bench's. `note` is called to put a note (kind and text) into the
    stream. `follow_s`: how long a capture goes on after the last trigger.
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
        """The last triggers that fired, for the screen."""
        self.kept: list[Path] = []
        """The captures begun, in order."""
        self.trouble = ""
        """Why the last capture could not be begun; empty if it could."""
        self.closed: list[Closed] = []
        """The captures that are closed and on disk, in order."""
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
        """The capture being written now; None if there is none."""
        return self.kept[-1] if self._writer is not None else None

    @property
    def until_us(self) -> int:
        """Stamp at which the capture being written ends by itself."""
        return self._until_us

    @property
    def follow_us(self) -> int:
        """How long a capture goes on after the last trigger or key, in µs."""
        return self._follow_us

    def take(self, batches: Sequence[Batch], events: Sequence[Event], changes: Sequence[ValueChange]) -> None:
        """Take batches, their events, and the changes if the watch needs them; `state` must have taken them already."""
        self.ring.feed(batches)
        if self._writer is not None:
            self._writer.write(batches)
        self._act(self.watch.feed(changes, events, self._state))
        if self._writer is not None and batches and batches[-1].at_us > self._until_us:
            self._end_aside()

    def tick(self, now_us: int) -> None:
        """Call this a few times a second, for triggers of silence and to end a capture when nothing comes any more."""
        self._act(self.watch.tick(now_us, self._state))
        if self._writer is not None and now_us > self._until_us:
            self._end_aside()

    def keep(self, now_us: int, why: str = "") -> Path | None:
        """Write out the ring and what follows; return the capture's path, or None (see `trouble`) if that fails."""
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
        """Close the capture being written, and wait until all are closed; return its figures, or None if none was."""
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.stop()
        figures = self._close(writer, self._from_us, self._state.at_us) if writer is not None else None
        for thread in self._closing:
            thread.join()
        self._closing.clear()
        return figures

    def _end_aside(self) -> None:
        """Close the capture being written on a thread of its own, so that the disk does not delay the bench."""
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
        """Return the progress of writing; None while no capture is being written."""
        return self._writer.figures() if self._writer is not None else None

    def _act(self, fired: Sequence[Fired]) -> None:
        for one in fired:
            self.fired.append(one)
            if one.trigger.save:
                self.keep(one.at_us, one.trigger.name)
            # The note comes back with the stream and so into ring and capture, after what led to it.
            self._note("trigger", one.note)
