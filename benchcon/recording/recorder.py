"""Recording a bench's stream into a capture without a screen, while watching for triggers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from benchcon import PROGRAM
from benchcon.capture import Writer
from benchcon.capture.ring import Ring
from benchcon.capture.writer import Figures
from benchcon.panel.model import Panel
from benchcon.recording.keeper import Keeper
from benchcon.state import BenchState
from benchcon.state.changes import Changes, take_observed
from benchcon.watch.triggers import Trigger
from benchcon.watch.watch import Watch
from benchcon.wire.events import Event
from benchcon.wire.records import Batch

if TYPE_CHECKING:
    from benchcon.link import Bench


class Rotation(NamedTuple):
    """When to go on in a new file, and what to do with closed ones; 0 means never, or no limit."""

    bytes: int = 0
    seconds: float = 0
    keep_bytes: int = 0
    packed: bool = False


class Recorder:
    """Follows a bench's stream on the link's thread: first the state takes it, then the capture.

    Records that come before `begin` are held, and become the beginning of the capture, so that a port that is refused
    leaves no file behind. With `on_trigger` nothing is written until a trigger fires (see `Keeper`). `force` and
    `rotation`: see `Writer`.
    """

    def __init__(
        self,
        bench: Bench,
        path: Path,
        panel: Panel,
        triggers: Sequence[Trigger] = (),
        *,
        force: bool = False,
        on_trigger: bool = False,
        rotation: Rotation | None = None,
    ) -> None:
        self._bench = bench
        self._fired: list[str] = []
        self._path = path
        self._force = force
        self._rotation = rotation or Rotation()
        self._lock = bench.lock
        self._state = BenchState(panel.text, panel.digest, bench.observer)
        self._first = self._state.keyframe()
        self._early: list[Batch] | None = []
        self._writer: Writer | None = None
        self._watch = Watch(triggers, panel)
        self._changes = Changes(self._state, shown=True) if self._watch.needs_changes else None
        self._keeper: Keeper | None = None
        if on_trigger:
            ring = Ring(self._state.keyframe)
            self._keeper = Keeper(path, bench.began, self._state, self._note, triggers=triggers, panel=panel, ring=ring)
            self._early = None
        self._end = bench.follow(self._take)

    def _take(self, batches: list[Batch], observed: list[Sequence[Event]]) -> None:
        changes, happened = take_observed(self._state, self._changes, batches, observed)
        if self._keeper is not None:
            self._keeper.take(batches, happened, changes)
            return
        if self._early is not None:
            self._early += batches
        elif self._writer is not None:
            self._writer.write(batches)
        for fired in self._watch.feed(changes, happened, self._state):
            self._note("trigger", fired.note)

    def _note(self, kind: str, text: str) -> None:
        self._bench.note(kind, text)
        if kind == "trigger":
            self._fired.append(text)

    def take_fired(self) -> list[str]:
        """Return the notes of the triggers that have fired since the last call: name and what happened."""
        with self._lock:
            fired, self._fired = self._fired, []
        return fired

    def begin(self) -> None:
        """Make the file, and write what has come so far. Raises `Trouble` if the file cannot be made."""
        if self._keeper is not None:
            return
        rotation = self._rotation
        with self._lock:
            early, self._early = self._early or [], None
            keyframes = iter([self._first])
            self._writer = Writer(
                self._path,
                self._bench.began,
                lambda: next(keyframes, None) or self._state.keyframe(),
                force=self._force,
                words={"program": PROGRAM},
                rotate_bytes=rotation.bytes,
                rotate_s=rotation.seconds,
                keep_bytes=rotation.keep_bytes,
                packed=rotation.packed,
            )
            self._writer.write(early)

    def tick(self) -> None:
        """Call this a few times a second, for triggers of silence and for captures that are to end."""
        now_us = self._bench.now_us()
        with self._lock:
            if self._keeper is not None:
                self._keeper.tick(now_us)
                return
            for fired in self._watch.tick(now_us, self._state):
                self._note("trigger", fired.note)

    def heard(self) -> dict[int, str]:
        """Return number → ident of the boards that have sent a good line so far; the ident is empty if not known."""
        with self._lock:
            boards = self._state.boards.values()
            return {board.source: board.ident for board in boards if board.last_heard_us is not None}

    @property
    def kept(self) -> list[Path]:
        """The captures that triggers have begun."""
        return list(self._keeper.kept) if self._keeper is not None else []

    def figures(self) -> Figures | None:
        """Return the progress of writing; None while nothing is being written."""
        with self._lock:
            if self._keeper is not None:
                return self._keeper.figures()
            return self._writer.figures() if self._writer is not None else None

    @property
    def closed(self) -> list[Figures]:
        """The final figures of captures that triggers began, in the order in which they were closed."""
        return [closed.figures for closed in self._keeper.closed] if self._keeper is not None else []

    @property
    def trouble(self) -> str:
        """Why the last capture of a trigger could not be begun; empty if it could."""
        return self._keeper.trouble if self._keeper is not None else ""

    def end(self) -> Figures | None:
        """Take no more, close what is being written, and return its figures; None if nothing was being written."""
        self._end()
        with self._lock:
            writer, self._writer = self._writer, None
            if self._keeper is not None:
                return self._keeper.end()
            if writer is not None:
                writer.stop()
        return writer.close() if writer is not None else None
