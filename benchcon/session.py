"""One bench to look at, live or replayed: link, state, ring and capture put together.

The console cannot tell a `LiveSession` from a `ReplaySession` or a `benchcon.tap_session.TapSession`, except that only
the first has a `bench` to hand intents to; the others say why nothing can be driven (`Session.undriven`).
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
    """The last 10 minutes are being saved, with what follows."""

    path: Path
    left_us: int
    """How much longer it goes on."""


class Session:
    """What both kinds have in common. Hold `lock` while looking into `state`."""

    live = False
    simulated = False
    bench: Bench | None = None
    undriven = ""
    """Why nothing can be driven here, one line without an end; empty where it can."""
    badge = ""
    """A word for the head of the screen on what kind of bench this is; empty for an ordinary one."""
    trouble = ""
    """Why the stream has come to an end for good; empty while it goes on."""
    recording: Path | None = None

    def ports(self) -> list[PortInfo]:
        """Return how each port stands; none in a recording."""
        return []

    def offered(self, source: int) -> str:
        """Return what a tap offers to the program that drives this board, and whether it is open; empty without one."""
        return ""

    @property
    def ring_reach_us(self) -> int:
        """How far back the pre-trigger ring reaches; 0 without one."""
        return 0

    @property
    def recording_figures(self) -> Figures | None:
        """How the writing of the capture goes; None if none is being written."""
        return None

    @property
    def keeping(self) -> Keeping | None:
        """The capture into which the last 10 minutes and what follows are being saved; None if none is."""
        return None

    @property
    def captures(self) -> Sequence[Closed]:
        """Captures of this session that are closed: recorded ones, then those that were kept."""
        return ()

    def __init__(self, panel: Panel) -> None:
        self.panel = panel
        self.light_level = DAY
        """The level of the whole panel that `panel` is at, by day or at night."""
        self.lock = threading.RLock()
        self.state = BenchState(panel.text, panel.digest)
        self.hands: dict[str, Hand] = {}
        """By board name; only where the boards are simulated."""
        self._listeners: list[Listener] = []
        self._watchers: list[Watcher] = []
        self._changes: Changes | None = None
        """Made while somebody looks at changes."""

    def follow(self, watcher: Watcher) -> Callable[[], None]:
        """Have `watcher` called with what changes of what may be shown as current, and first with how all stands now.

        Silence changes that too, as long as the session's time is taken (`tick`, `advance`). The call comes with `lock`
        held, so in order; it must not block. Returns what ends that.
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
        """Whether anybody looks at changes: else none are made."""
        return bool(self._watchers)

    def _look_at_changes(self) -> Changes:
        if self._changes is None:
            self._changes = Changes(self.state, shown=True)
            self._changes.begin(self.now_us())
        return self._changes

    def take_panel(self, panel: Panel) -> None:
        """Have `panel` be the bench's from now on, at the level that the whole panel is at.

        What is shown, what triggers watch for, the budgets and what keyframes carry all follow at once. Raises
        `Trouble`, and changes nothing, if one of its triggers is wrong.
        """
        with self.lock:
            self.panel = at_level(panel, self.light_level)
            self.state.panel_text, self.state.panel_digest = panel.text, panel.digest

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Have `listener` called with the events of every batch, on the thread that feeds; it must not block.

        Returns what ends the subscription.
        """
        self._listeners.append(listener)

        def end() -> None:
            if listener in self._listeners:
                self._listeners.remove(listener)

        return end

    def now_us(self) -> int:
        """Return the present, in the stream's time."""
        raise Trouble("this session has no time")

    def close(self) -> None:
        """Give back what the session holds."""

    def _show(self, changes: list[ValueChange]) -> None:
        """With the lock held: tell who follows changes."""
        if changes:
            for watcher in tuple(self._watchers):
                watcher(changes)

    def _take_time(self, now_us: int) -> None:
        """With the lock held: what silence has changed until now."""
        if self._changes is not None:
            self._show(self._changes.tick(now_us))

    def _tell(self, happened: Sequence[Event]) -> None:
        if happened and self._listeners:
            happened = list(happened)
            for listener in tuple(self._listeners):
                listener(happened)


class OpenSession(Session, ABC):
    """A bench whose stream comes in now, whoever drives it: its state, its last ten minutes, its captures.

    Whoever brings the stream calls `_take` with the lock held, state first, then capture: a keyframe holds what all
    records before it have made; and `_tell_taken` right after that, without the lock.
    """

    live = True

    def __init__(self, panel: Panel, began: datetime, kept: Path | None = None, *, keep: bool = True) -> None:
        super().__init__(panel)
        self.began = began
        """Wall time at stamp 0."""
        self.keeper = Keeper(
            kept or Path("bench.capture"), began, self.state, self.note, triggers=triggers_of(panel), panel=panel
        )
        """The last ten minutes, and the triggers that have them written out; captures are named after `kept`."""
        self._writer: Writer | None = None
        self._begun_us = 0
        self._recorded: list[Closed] = []
        self._happened: list[Event] = []
        self._keeps = keep
        """Whether the last ten minutes are kept and triggers looked for."""
        self._watch_changes()

    @property
    def _needs_changes(self) -> bool:
        return super()._needs_changes or (self._keeps and self.keeper.watch.needs_changes)

    def _watch_changes(self) -> None:
        if self._needs_changes:
            self._look_at_changes()

    def take_panel(self, panel: Panel) -> None:
        """Take the panel as `Session.take_panel` does, and its triggers."""
        with self.lock:
            self.keeper.watch.declare(triggers_of(panel), panel)
            super().take_panel(panel)
            self._watch_changes()

    @abstractmethod
    def note(self, kind: str, text: str) -> None:
        """Put a note into the stream: `kind` is ``mark``, ``trigger``, ``expectation`` or ``word``, `text` one line."""

    def _take(self, batches: Sequence[Batch], observed: Sequence[Sequence[Event]]) -> None:
        """Take batches, and what the state's observer made of each."""
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
        """Take the time, a few times a second: what silence changes, its triggers, captures that are to end."""
        with self.lock:
            now_us = self.now_us()
            self._take_time(now_us)
            self.keeper.tick(now_us)

    def keep_last(self) -> Path:
        """Save the last 10 minutes, and what follows for a while. Raises `Trouble` if the file cannot be made."""
        with self.lock:
            path = self.keeper.keep(self.now_us())
        if path is None:
            raise Trouble(self.keeper.trouble)
        return path

    @property
    def ring_reach_us(self) -> int:
        """How far back the pre-trigger ring reaches."""
        return max(0, self.now_us() - self.keeper.ring.from_us)

    def start_recording(
        self, path: str | os.PathLike[str], force: bool = False, words: Mapping[str, str] | None = None
    ) -> None:
        """Record from now on into `path`, with these words in its header. Raises `Trouble` if the file is there and
        `force` is not given."""
        from benchcon.capture.writer import Writer

        if self._writer is not None:
            raise Trouble(f"{self.recording} is being recorded already")
        with self.lock:
            # Under the lock, so that no record falls between the keyframe it opens with and the first batch.
            at_us = max(self.state.at_us, 0)
            self._writer = Writer(path, self.began, self._keyframe, at_us=at_us, force=force, words=words)
            self._begun_us = self.now_us()
            self.recording = Path(path)

    def stop_recording(self) -> Closed | None:
        """End the capture; what was recorded is on disk when this returns. None if none was being written."""
        with self.lock:
            begun_us, now_us = self._begun_us, self.now_us()
            writer, self._writer, self.recording = self._writer, None, None
            if writer is not None:
                writer.stop()  # under the lock: its last keyframe says what the records before it made
        if writer is None:
            return None
        self._recorded.append(Closed(writer.close(), begun_us, now_us))
        return self._recorded[-1]

    @property
    def recording_figures(self) -> Figures | None:
        """How the writing of the capture goes; None if none is being written."""
        writer = self._writer
        return writer.figures() if writer is not None else None

    @property
    def keeping(self) -> Keeping | None:
        """The capture into which the last 10 minutes and what follows are being saved; None if none is."""
        with self.lock:
            path = self.keeper.writing
            left_us = max(0, self.keeper.until_us - self.now_us())
        return Keeping(path, left_us) if path is not None else None

    @property
    def captures(self) -> Sequence[Closed]:
        """Captures of this session that are closed: recorded ones, then those that were kept."""
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
    """A bench that is connected now; the session takes part in the link's stream on the link's thread."""

    def __init__(
        self, bench: Bench, panel: Panel, hands: Mapping[str, Hand] | None = None, kept: Path | None = None
    ) -> None:
        self._link = bench
        super().__init__(panel, bench.began, kept)
        self.dark_confirmed = True
        """False once it was closed and a linked board had not said that it is dark."""
        self.bench = bench
        self.hands = dict(hands or {})
        self.simulated = bool(self.hands)
        self.badge = "SIMULATED" if self.simulated else ""
        self.lock = bench.lock
        self.state.observer = bench.observer
        bench.follow(self._take)
        bench.subscribe(lambda _: self._tell_taken())

    def now_us(self) -> int:
        """Return the link's clock."""
        return self._link.now_us()

    def take_panel(self, panel: Panel) -> None:
        """Take the panel as `Session.take_panel` does; the link's budgets follow, too."""
        super().take_panel(panel)
        self._link.allow(self.panel)

    def ports(self) -> list[PortInfo]:
        """Return how each port stands."""
        return self._link.ports()

    def note(self, kind: str, text: str) -> None:
        """Put a note into the stream: `kind` is ``mark``, ``trigger``, ``expectation`` or ``word``, `text` one line."""
        self._link.note(kind, text)

    def close(self) -> None:
        """Dark, the ports closed, the capture on disk."""
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
        """Return where the replay stands."""
        return int(self._at_us)

    def new_problem(self) -> str:
        """Return the first of what was found wrong with the capture since the last call, in one line; mostly empty."""
        problems = self.reader.problems
        new, self._problems_seen = problems[self._problems_seen :], len(problems)
        if not new:
            return ""
        more = f"; and {len(new) - 1} more" if len(new) > 1 else ""
        return f"{new[0].where}: {new[0].text}{more}"

    def notes(self) -> list[Mark]:
        """Return the marks, triggers and words of the whole capture, in order."""
        return self.reader.notes()

    def advance(self, real_us: float) -> None:
        """Go on by this much real time, times the speed, if it plays; it pauses at the end."""
        if not self.playing:
            return
        target = self._at_us + real_us * self.speed
        if target >= self.last_us:
            target = float(self.last_us)
            self.playing = False
        self._run_to(target)

    def jump(self, at_us: int) -> None:
        """Go to a time: the state is what stood then. Listeners get nothing of what lies between."""
        at_us = min(max(at_us, self.first_us), self.last_us)
        with self.lock:
            self.state = self.reader.state_at(at_us)
            if self._changes is not None:
                self._changes = Changes(self.state, shown=True)
                self._changes.begin(at_us)
        self._pending = []
        # The reader stands elsewhere now: what it gives from here on.
        self._batches = iter(self.reader)
        self._at_us = float(at_us)

    def step(self) -> bool:
        """Go on to the next moment at which a board said that something changed; False at the end."""
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
        """Go back to the moment of the change before; False if there is none. Listeners get nothing."""
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
        self.jump(int(self._at_us))  # the reader was led astray
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
        """Close the file."""
        self.reader.close()


_CHANGES = frozenset({"Moved", "Edge", "Reading", "Boot", "Gap", "Told", "Note"})
