"""One bench, live or replayed: link, state, ring and capture together.

To the console a `LiveSession`, a `ReplaySession` and a `benchcon.tap_session.TapSession` are the same, except that only
the first has a `bench` that takes intents; the others say why nothing can be driven (`Session.undriven`).
"""

from __future__ import annotations

import os
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.lightness import DAY, at_level
from benchcon.panel.model import Panel
from benchcon.recording import Keeper
from benchcon.recording.keeper import Closed
from benchcon.state import BenchState
from benchcon.state.changes import Changes, ValueChange, take_observed
from benchcon.watch import triggers_of
from benchcon.wire.events import Event
from benchcon.wire.records import Batch

if TYPE_CHECKING:
    from benchcon.capture.places import Mark
    from benchcon.capture.writer import Figures, Writer
    from benchcon.link import Bench, PortInfo
    from benchcon.rig.hand import Hand

Listener = Callable[[list[Event]], None]
Watcher = Callable[[list[ValueChange]], None]


class Keeping(NamedTuple):
    """The last 10 minutes, and what follows, are being saved in this capture."""

    path: Path
    left_us: int
    """How much longer this goes on."""


class Session:
    """What all sessions have in common. Hold `lock` while you read `state`."""

    live = False
    simulated = False
    bench: Bench | None = None
    undriven = ""
    """Why nothing can be driven here, as one line; empty if it can."""
    badge = ""
    """A word at the top of the screen that says what kind of bench this is; empty for an ordinary one."""
    trouble = ""
    """Why the stream has ended for good; empty while it goes on."""
    recording: Path | None = None

    def ports(self) -> list[PortInfo]:
        """Return the state of each port; a replay has none."""
        return []

    def offered(self, source: int) -> str:
        """Return the port that a tap offers for this board, and whether it is open; empty if there is no tap."""
        return ""

    @property
    def ring_reach_us(self) -> int:
        """How far back the pre-trigger ring reaches; 0 if there is none."""
        return 0

    @property
    def recording_figures(self) -> Figures | None:
        """The progress of the capture being recorded; None if none is."""
        return None

    @property
    def keeping(self) -> Keeping | None:
        """The capture in which the last 10 minutes and what follows are being saved; None if none is."""
        return None

    @property
    def captures(self) -> Sequence[Closed]:
        """The closed captures of this session: recorded ones, then those of the last 10 minutes."""
        return ()

    def __init__(self, panel: Panel) -> None:
        self.panel = panel
        self.light_level = DAY
        """The light level of the whole panel, day or night, which `panel` is adjusted to."""
        self.lock = threading.RLock()
        self.state = BenchState(panel.text, panel.digest)
        self.hands: dict[str, Hand] = {}
        """Board name → simulated hand; only for simulated boards."""
        self._listeners: list[Listener] = []
        self._watchers: list[Watcher] = []
        self._changes: Changes | None = None
        """None while nobody needs changes."""

    def follow(self, watcher: Watcher) -> Callable[[], None]:
        """Call `watcher` with all present values, then with their changes; return a function that ends this.

        The values are those that may be shown as current. Silence changes them too, provided that `tick` or `advance`
        is called. `watcher` is called in order, with `lock` held, and must not block.
        """
        with self.lock:
            self._watchers.append(watcher)
            watcher(self._look_at_changes().known_values(self.now_us()))

        def end() -> None:
            with self.lock:
                if watcher in self._watchers:
                    self._watchers.remove(watcher)
                if not self._needs_changes:
                    self._changes = None

        return end

    @property
    def _needs_changes(self) -> bool:
        """Whether anybody needs changes; otherwise none are worked out."""
        return bool(self._watchers)

    def _look_at_changes(self) -> Changes:
        if self._changes is None:
            self._changes = Changes(self.state, shown=True)
            self._changes.begin(self.now_us())
        return self._changes

    def take_panel(self, panel: Panel) -> None:
        """Use `panel` from now on, adjusted to the present light level.

        What is shown, triggers, budgets and the panel in keyframes all follow at once. Raises `Trouble`, and changes
        nothing, if one of its triggers is wrong.
        """
        with self.lock:
            self.panel = at_level(panel, self.light_level)
            self.state.panel_text, self.state.panel_digest = panel.text, panel.digest

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Call `listener` with the events of every batch, on the thread that feeds the session; it must not block.

        Returns a function that ends the subscription.
        """
        self._listeners.append(listener)

        def end() -> None:
            if listener in self._listeners:
                self._listeners.remove(listener)

        return end

    def now_us(self) -> int:
        """Return the present time of the stream, in microseconds."""
        raise Trouble("this session has no time")

    def close(self) -> None:
        """Close everything that the session has opened."""

    def _show(self, changes: list[ValueChange]) -> None:
        """Pass changes to all watchers; call it with the lock held."""
        if changes:
            for watcher in tuple(self._watchers):
                watcher(changes)

    def _take_time(self, now_us: int) -> None:
        """Pass on what silence has changed until now; call it with the lock held."""
        if self._changes is not None:
            self._show(self._changes.tick(now_us))

    def _tell(self, happened: Sequence[Event]) -> None:
        if happened and self._listeners:
            happened = list(happened)
            for listener in tuple(self._listeners):
                listener(happened)


class OpenSession(Session, ABC):
    """A bench whose stream comes in now, whoever drives it: its state, its last ten minutes, its captures.

    `began`: wall-clock time of stamp 0. `kept`: captures of the last ten minutes are named after this path. Without
    `keep` the last ten minutes are not kept, and triggers are not watched for.

    A subclass that brings the stream calls `_take` with the lock held, and right after that `_tell_taken` without it.
    The state takes a batch before the capture does, because a keyframe holds the effect of all records before it.
    """

    live = True

    def __init__(self, panel: Panel, began: datetime, kept: Path | None = None, *, keep: bool = True) -> None:
        super().__init__(panel)
        self.began = began
        """Wall-clock time of stamp 0."""
        self.keeper = Keeper(
            kept or Path("bench.capture"), began, self.state, self.note, triggers=triggers_of(panel), panel=panel
        )
        """Keeps the last ten minutes, and has triggers write them out."""
        self._writer: Writer | None = None
        self._begun_us = 0
        self._recorded: list[Closed] = []
        self._happened: list[Event] = []
        self._keeps = keep
        """Whether the last ten minutes are kept and triggers watched for."""
        self._watch_changes()

    @property
    def _needs_changes(self) -> bool:
        return super()._needs_changes or (self._keeps and self.keeper.watch.needs_changes)

    def _watch_changes(self) -> None:
        if self._needs_changes:
            self._look_at_changes()

    def take_panel(self, panel: Panel) -> None:
        """Use the panel as `Session.take_panel` does, and its triggers."""
        with self.lock:
            self.keeper.watch.declare(triggers_of(panel), panel)
            super().take_panel(panel)
            self._watch_changes()

    @abstractmethod
    def note(self, kind: str, text: str) -> None:
        """Put a note into the stream: `kind` is ``mark``, ``trigger``, ``expectation`` or ``word``; `text` one line."""

    def _take(self, batches: Sequence[Batch], observed: Sequence[Sequence[Event]]) -> None:
        """Take batches, and the events that the state's observer made of each."""
        changes, happened = take_observed(self.state, self._changes, batches, observed)
        self._show(changes)
        if self._writer is not None:
            self._writer.write(batches)
        if self._keeps:
            self.keeper.take(batches, happened, changes)
        self._happened = list(happened) if self._listeners else []

    def _tell_taken(self) -> None:
        happened, self._happened = self._happened, []
        self._tell(happened)

    def tick(self) -> None:
        """Call this a few times a second, for what silence changes and triggers, and for captures that are to end."""
        with self.lock:
            now_us = self.now_us()
            self._take_time(now_us)
            self.keeper.tick(now_us)

    def keep_last(self) -> Path:
        """Save the last 10 minutes and what follows for a while; return the capture's path.

        Raises `Trouble` if the file cannot be made.
        """
        with self.lock:
            path = self.keeper.keep(self.now_us())
        if path is None:
            raise Trouble(self.keeper.trouble)
        return path

    @property
    def ring_reach_us(self) -> int:
        """How far back the pre-trigger ring reaches, in µs."""
        return max(0, self.now_us() - self.keeper.ring.from_us)

    def start_recording(
        self, path: str | os.PathLike[str], force: bool = False, words: Mapping[str, str] | None = None
    ) -> None:
        """Record into `path` from now on, with `words` in the capture's header.

        Raises `Trouble` if the file cannot be made, or exists already and not `force`, or if one is being recorded.
        """
        from benchcon.capture.writer import Writer

        with self.lock:
            if self._writer is not None:
                raise Trouble(f"already recording {self.recording}")
            # Under the lock, so that no record falls between the keyframe it opens with and the first batch.
            at_us = max(self.state.at_us, 0)
            self._writer = Writer(path, self.began, self._keyframe, at_us=at_us, force=force, words=words)
            self._begun_us = self.now_us()
            self.recording = Path(path)

    def stop_recording(self) -> Closed | None:
        """End the capture, and return it when it is on disk; None if none was being recorded."""
        with self.lock:
            begun_us, now_us = self._begun_us, self.now_us()
            writer, self._writer, self.recording = self._writer, None, None
            if writer is not None:
                writer.stop()  # under the lock, so that its last keyframe holds exactly the records before it
        if writer is None:
            return None
        self._recorded.append(Closed(writer.close(), begun_us, now_us))
        return self._recorded[-1]

    @property
    def recording_figures(self) -> Figures | None:
        """The progress of the capture being recorded; None if none is."""
        writer = self._writer
        return writer.figures() if writer is not None else None

    @property
    def keeping(self) -> Keeping | None:
        """The capture in which the last 10 minutes and what follows are being saved; None if none is."""
        with self.lock:
            path = self.keeper.writing
            left_us = max(0, self.keeper.until_us - self.now_us())
        return Keeping(path, left_us) if path is not None else None

    @property
    def captures(self) -> Sequence[Closed]:
        """The closed captures of this session: recorded ones, then those of the last 10 minutes."""
        return (*self._recorded, *self.keeper.closed)

    def mark(self, text: str) -> None:
        """Put a mark into the stream."""
        self.note("mark", text)

    def _keyframe(self) -> bytes:
        with self.lock:
            return self.state.keyframe()

    def close(self) -> None:
        """End all captures; they are on the disk when this returns."""
        self.stop_recording()
        with self.lock:
            self.keeper.end()


class LiveSession(OpenSession):
    """A bench that is connected now; the session follows the link's stream on the link's thread.

    `hands`: board name → simulated hand, if the boards are simulated. `kept`: see `OpenSession`.
    """

    def __init__(
        self, bench: Bench, panel: Panel, hands: Mapping[str, Hand] | None = None, kept: Path | None = None
    ) -> None:
        self._link = bench
        super().__init__(panel, bench.began, kept)
        self.dark_confirmed = True
        """False after `close` if a linked board did not confirm that it is dark."""
        self.bench = bench
        self.hands = dict(hands or {})
        self.simulated = bool(self.hands)
        self.badge = "SIMULATED" if self.simulated else ""
        self.lock = bench.lock
        self.state.observer = bench.observer
        bench.follow(self._take)
        bench.subscribe(lambda _: self._tell_taken())

    def now_us(self) -> int:
        """Return the time since the stream began, in microseconds, by the link's clock."""
        return self._link.now_us()

    def take_panel(self, panel: Panel) -> None:
        """Use the panel as `Session.take_panel` does; the link's budgets follow too."""
        super().take_panel(panel)
        self._link.allow(self.panel)

    def ports(self) -> list[PortInfo]:
        """Return the state of each port."""
        return self._link.ports()

    def note(self, kind: str, text: str) -> None:
        """Put a note into the stream: `kind` is ``mark``, ``trigger``, ``expectation`` or ``word``; `text` one line."""
        self._link.note(kind, text)

    def close(self) -> None:
        """Make all boards dark, close the ports, and close all captures; see `dark_confirmed`."""
        self.dark_confirmed &= self._link.close()
        super().close()
        for hand in self.hands.values():
            hand.close()


class ReplaySession(Session):
    """A capture played back. Nothing moves by itself: call `advance` with the real time that has passed."""

    undriven = "this is a recording: nothing can be switched in it"

    def __init__(self, path: str | os.PathLike[str]) -> None:
        from benchcon.state_reader import StateReader

        self.reader = StateReader(path)
        super().__init__(self.reader.carried_panel())
        self.path = Path(path)
        self.playing = False
        self.speed = 1.0
        self.first_us = self.reader.first_us
        self.last_us = self.reader.last_us
        self._at_us = float(self.first_us)
        self._pending: list[Batch] = []
        self._problems_seen = 0
        self.jump(self.first_us)

    def now_us(self) -> int:
        """Return the present moment of the replay, as a stamp."""
        return int(self._at_us)

    def new_problem(self) -> str:
        """Return the first problem found in the capture since the last call, as one line; empty if there is none."""
        problems = self.reader.problems
        new, self._problems_seen = problems[self._problems_seen :], len(problems)
        if not new:
            return ""
        more = f"; and {len(new) - 1} more" if len(new) > 1 else ""
        return f"{new[0]}{more}"

    def notes(self) -> list[Mark]:
        """Return the notes of the whole capture, in order."""
        return self.reader.notes()

    def advance(self, real_us: float) -> None:
        """Go on by `real_us` times the speed, if the replay is playing; it pauses at the end."""
        if not self.playing:
            return
        target = self._at_us + real_us * self.speed
        if target >= self.last_us:
            target = float(self.last_us)
            self.playing = False
        self._run_to(target)

    def jump(self, at_us: int) -> None:
        """Go to a stamp: the state is that of the moment. Listeners get nothing of what lies between."""
        at_us = min(max(at_us, self.first_us), self.last_us)
        with self.lock:
            self.state = self.reader.state_at(at_us)
            if self._changes is not None:
                self._changes = Changes(self.state, shown=True)
                self._changes.begin(at_us)
        self._pending = []
        # The reader is at another place now, so iterate again from there.
        self._batches = iter(self.reader)
        self._at_us = float(at_us)

    def step(self) -> bool:
        """Go on to the next moment at which a board reported a change; False at the end."""
        while True:
            batch = self._next()
            if batch is None:
                self._at_us = float(self.last_us)
                return False
            self._at_us = max(self._at_us, float(batch.at_us))
            happened = self._feed(batch)
            self._tell(happened)
            if any(type(event).__name__ in _CHANGES for event in happened):
                return True

    def step_back(self) -> bool:
        """Go back to the moment of the previous change; False if there is none. Listeners get nothing."""
        edge_us = int(self._at_us)
        while edge_us > self.first_us:
            keyframe = self.reader.seek(edge_us - 1)
            state = BenchState(self.panel.text, self.panel.digest)
            begun_us, found = self.first_us, -1
            if keyframe is not None:
                state.feed(keyframe)
                begun_us = keyframe.at_us
            for batch in self.reader.until(edge_us - 1):
                happened = state.feed(batch)
                if begun_us <= batch.at_us < edge_us and any(type(each).__name__ in _CHANGES for each in happened):
                    found = batch.at_us
            if found >= 0:
                self.jump(found)
                return True
            edge_us = min(begun_us, edge_us - 1)
        self.jump(int(self._at_us))  # the search has moved the reader
        return False

    def _run_to(self, target_us: float) -> None:
        happened: list[Event] = []
        while True:
            batch = self._next()
            if batch is None:
                break
            if batch.at_us > target_us:
                self._pending.append(batch)
                break
            happened += self._feed(batch)
        self._at_us = target_us
        with self.lock:
            self._take_time(int(target_us))
        self._tell(happened)

    def _feed(self, batch: Batch) -> Sequence[Event]:
        with self.lock:
            if self._changes is None:
                return self.state.feed(batch)
            self._show(self._changes.feed(batch))
            return self._changes.events

    def _next(self) -> Batch | None:
        if self._pending:
            return self._pending.pop()
        return next(self._batches, None)

    def close(self) -> None:
        """Close the capture."""
        self.reader.close()


_CHANGES = frozenset({"Moved", "Edge", "Reading", "Boot", "Gap", "Notification", "Note"})
