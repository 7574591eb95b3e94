"""What all ports of a bench share, on the link's loop: the stream, the boards' numbers, the rules for all."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from benchcon.link.conversation import Talk
from benchcon.link.discovery import where_again
from benchcon.link.limits import Together, allowance_of
from benchcon.link.off_thread import aside
from benchcon.link.outputs import BoardOutputs
from benchcon.link.port import Pace, Port
from benchcon.link.records import link_record
from benchcon.link.share import Share
from benchcon.panel.model import Panel
from benchcon.text import printable
from benchcon.wire.events import Event
from benchcon.wire.observer import Observer
from benchcon.wire.records import BENCH, Batch

PING_MOST_US = 500_000
"""A board whose dead-man is set hears something at least this often."""

STILL_NS = 1_000_000_000
"""A program that has said `beat` and then nothing for so long stands still."""

MOST_BOARDS = 64
"""Boards that are told apart; one that takes a new ident at each start takes the place of one that is gone."""

CLOSE_S = 0.5
"""So long the end waits for drivers to release their ports."""

Listener = Callable[[list[Batch]], None]
Follower = Callable[[list[Batch], list[Sequence[Event]]], None]
"""Takes batches and, for each, the events that the bench's observer has made of it."""


class Hub:
    """The link's inside. All but `now_us` and `ports` belongs to the loop."""

    def __init__(
        self,
        panel: Panel | None,
        deadman_ms: int | None,
        listen_only: bool,
        pace: Pace,
        keep: bool,
        stirred: Callable[[], None],
    ) -> None:
        self.panel = panel
        self.deadman_ms = None if listen_only else deadman_ms
        self.listen_only = listen_only
        self.pace = pace
        self.keep = keep
        """Remember named ports on which a board answered."""
        self.stirred = stirred
        """Called when a port's standing has changed."""
        self.ping_every_us = min(PING_MOST_US, self.deadman_ms * 250) if self.deadman_ms else 0
        self.loop: asyncio.AbstractEventLoop = asyncio.new_event_loop()
        self.loop.set_exception_handler(self._fault)
        self.ports: dict[str, Port] = {}
        self.lock = threading.RLock()
        """Held while a batch is observed and followed: whoever has it sees observer and followers at one moment."""
        self.observer = Observer()
        self.followers: tuple[Follower, ...] = ()
        self.listeners: tuple[Listener, ...] = ()
        self.beat_ns = 0
        """When the program that the user looks at was last known to be at work; 0 if it never said so."""
        self.share = Share()
        """What the link may take of the time while a screen looks."""
        self.leaving = False
        """The bench is dark for good."""
        self._began_ns = time.monotonic_ns()
        self._sources: dict[str, int] = {}
        self._last_source = BENCH
        self._outputs: dict[int, BoardOutputs] = {}
        self._together = Together()
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._looking: set[asyncio.Task[None]] = set()
        self._queue: list[list[Batch]] = []
        self._telling = False
        self._told_us = 0

    @property
    def only_dark(self) -> bool:
        """Whether nothing but dark is sent any more: the bench is being left, or nobody looks at it.

        Any line feeds a board's dead-man; a program whose screen stands still must not keep lamps lit.
        """
        return self.leaving or (self.beat_ns > 0 and time.monotonic_ns() - self.beat_ns > STILL_NS)

    @property
    def watched(self) -> bool:
        """Whether a program with a screen looks at the bench."""
        return self.beat_ns > 0

    def beat(self, *, last: bool = False) -> None:
        """The program that the user looks at is at work; `last`: it is not looked for any more. From any thread."""
        stood = self.only_dark
        self.beat_ns = 0 if last else time.monotonic_ns()
        if stood and not self.leaving:
            with contextlib.suppress(RuntimeError):
                self.loop.call_soon_threadsafe(self._go_on)

    def _go_on(self) -> None:
        for port in list(self.ports.values()):
            if port.talk is not None:
                port.talk.pump()

    def now_us(self) -> int:
        """Host time since the bench was made, in microseconds; monotonic."""
        return (time.monotonic_ns() - self._began_ns) // 1000

    # --- the stream ------------------------------------------------------------------------------------------------

    def emit(self, batches: list[Batch]) -> list[Sequence[Event]]:
        """Hand batches to all who follow or listen, in the one order there is; return the events of each batch.

        Stamps never decrease along it: what took its stamp a moment before something else was told gets that one's.
        """
        for index, batch in enumerate(batches):
            if batch.at_us < self._told_us:
                batches[index] = batch._replace(at_us=self._told_us)
            else:
                self._told_us = batch.at_us
        if self._telling:
            self._queue.append(batches)  # from a listener, which asks for no events
            return []
        self._telling = True
        try:
            happened = self._tell(batches)
            while self._queue:
                self._tell(self._queue.pop(0))
        finally:
            self._telling = False
        return happened

    def _tell(self, batches: list[Batch]) -> list[Sequence[Event]]:
        with self.lock:
            happened = [self.observer.observe(batch) for batch in batches]
            for follower in self.followers:
                try:
                    follower(batches, happened)
                except Exception as error:  # a listener's fault must not stop the boards
                    self._dismiss(follower, error)
        for listener in self.listeners:
            try:
                listener(batches)
            except Exception as error:
                self._dismiss(listener, error)
        return happened

    def _dismiss(self, who: Listener | Follower, error: Exception) -> None:
        self.listeners = tuple(each for each in self.listeners if each != who)
        self.followers = tuple(each for each in self.followers if each != who)
        what = printable(f"{type(error).__name__}: {error}")[:200]
        self._queue.append([link_record(self.now_us(), BENCH, "dismissed", why=what)])

    def _fault(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Something here went wrong that nobody expected: it is told in the stream, never printed over a screen."""
        error = context.get("exception")
        what = printable(f"{type(error).__name__}: {error}" if error else str(context.get("message")))[:200]
        self.emit([link_record(self.now_us(), BENCH, "fault", why=what)])

    # --- boards and their numbers ----------------------------------------------------------------------------------

    def outputs(self, source: int, ident: str) -> BoardOutputs:
        """Return the outputs of board `source`, on whatever port; `ident`, once known, says what they may take."""
        found = self._outputs.get(source)
        if found is None:
            found = self._outputs[source] = BoardOutputs(together=self._together)
        if ident:
            found.allowance = allowance_of(self.panel, ident)
        return found

    def allow(self, panel: Panel | None) -> None:
        """From now on the budgets of `panel` hold."""
        self.panel = panel
        for port in self.ports.values():
            if port.talk is not None and port.talk.ident:
                self.outputs(port.talk.source, port.talk.ident)

    def all_outputs(self) -> list[BoardOutputs]:
        """Return the outputs of all boards. Callable from any thread."""
        return list(self._outputs.values())

    def source_for(self, port: Port) -> int:
        """Return the number under which a port just opened is heard until its board says who it is.

        That of the board last heard there, if that is not linked elsewhere; else a new one.
        """
        taken = {other.talk.source for other in self.ports.values() if other.talk is not None}
        if port.source and port.source not in taken:
            return port.source
        self._last_source += 1
        return self._last_source

    def identify(self, talk: Talk, ident: str) -> None:
        """The board says who it is: it gets back the number it had, or is refused if another has its ident."""
        port = self._port_with(talk)
        if port is None:
            return
        now_us = self.now_us()
        holder = self.port_of(ident)
        if holder is not None and holder.talk is not talk:
            if not talk.duplicate:
                self.emit([link_record(now_us, talk.source, "refused", why="duplicate", ident=ident, port=port.name)])
            talk.ident, talk.duplicate = ident, True
            talk.stirred.set()
            return
        source = self._sources.get(ident)
        owners = {number: name for name, number in self._sources.items()}
        if source is None:
            source = self._number_for_new(talk, owners)
            self._sources[ident] = source
        if source != talk.source:
            if talk.source in owners:
                self.emit([link_record(now_us, talk.source, "lost", port=port.name, why="another board is there")])
            else:
                self.emit([link_record(now_us, talk.source, "moved", to=source)])
                self._outputs.pop(talk.source, None)
        self._make_way(source, port)
        talk.source = port.source = source
        talk.ident, talk.duplicate = ident, False
        talk.outputs = self.outputs(source, ident)
        talk.stirred.set()
        self.emit([link_record(now_us, source, "ident", ident=ident, port=port.name, rate=talk.connection.rate)])

    def _number_for_new(self, talk: Talk, owners: dict[int, str]) -> int:
        """Return the number for a board never seen before; with too many of them, that of one that is gone."""
        if len(owners) >= MOST_BOARDS:
            linked = {port.talk.source for port in self.ports.values() if port.talk and port.talk is not talk}
            gone = next((number for number in owners if number not in linked), None)
            if gone is not None:
                del self._sources[owners[gone]]
                self._outputs.pop(gone, None)
                self.emit(
                    [link_record(self.now_us(), gone, "forgotten", ident=owners.pop(gone), why="too many boards")]
                )
                return gone
        if talk.source not in owners:
            return talk.source
        self._last_source += 1
        return self._last_source

    def _make_way(self, source: int, port: Port) -> None:
        """Board `source` is on `port`: wherever else it was thought to be, it is not."""
        for other in self.ports.values():
            if other is not port and other.source == source:
                other.source, other.ident = 0, ""
                if other.talk is not None and other.talk.source == source:
                    self._last_source += 1
                    other.source = other.talk.source = self._last_source
                    other.talk.outputs = self.outputs(other.source, "")
                    rate = other.talk.connection.rate
                    self.emit([link_record(self.now_us(), other.source, "opened", port=other.name, rate=rate)])

    def renamed(self, talk: Talk, ident: str) -> None:
        """The board took a new ident: it keeps its number under the new one."""
        if not talk.duplicate and talk.ident and ident not in self._sources:
            self._sources.pop(talk.ident, None)
            self._sources[ident] = talk.source

    def port_of(self, ident: str) -> Port | None:
        """Return the port on which the board with this ident is linked."""
        for port in self.ports.values():
            talk = port.talk
            if talk is not None and not talk.over and talk.ident == ident and not talk.duplicate:
                return port
        return None

    def talk_of(self, source: int) -> Talk | None:
        """Return the conversation with board `source`, or None if it is not linked."""
        for port in self.ports.values():
            if port.talk is not None and port.talk.source == source and not port.talk.over:
                return port.talk
        return None

    def known_sources(self) -> set[int]:
        """Return the numbers of all boards that ever said who they are."""
        return set(self._sources.values())

    def _port_with(self, talk: Talk) -> Port | None:
        return next((port for port in self.ports.values() if port.talk is talk), None)

    # --- ports -----------------------------------------------------------------------------------------------------

    def add(self, name: str, named: bool = True) -> None:
        """Open a port and keep it open; one that is there already is reopened if it was released."""
        port = self.find(name)
        if port is not None:
            port.named = port.named or named
            port.reopen()
            return
        port = self.ports[name] = Port(self, name, named)
        if named:
            # Numbered in the order in which the ports were named, not in that in which they happen to open.
            self._last_source += 1
            port.source = self._last_source
        self._tasks[name] = self.loop.create_task(port.run(), name=f"port {name}")

    def find(self, name: str) -> Port | None:
        """Return the port with this name, or another name of the same device."""
        if name in self.ports or "://" in name:
            return self.ports.get(name)
        real = os.path.realpath(name)
        for port in self.ports.values():
            if "://" not in port.name and os.path.realpath(port.name) == real and os.path.exists(real):
                return port
        return None

    def look_for(self, port: Port) -> None:
        """A board is lost: look where that very board or its USB device may be, and nowhere else."""
        if port.ident and not port.released and self.port_of(port.ident) is None:
            task = self.loop.create_task(self._look_for(port.ident, port.hardware), name=f"look for {port.ident}")
            self._looking.add(task)
            task.add_done_callback(self._looking.discard)

    async def _look_for(self, ident: str, hardware: str) -> None:
        for name in await aside(lambda: where_again(ident, hardware)):
            if self.find(name) is None and self.port_of(ident) is None:
                self.add(name, named=False)

    def drop(self, port: Port) -> None:
        """A port that was only looked at for a lost board is left alone again."""
        self.ports.pop(port.name, None)
        self._tasks.pop(port.name, None)

    async def end(self) -> None:
        """End all ports; each is free for other programs when this returns, unless its driver is stuck."""
        tasks = [*self._tasks.values(), *self._looking]
        left = set(tasks)
        while left:
            # Again and again: `wait_for` of Python 3.11 loses a cancellation that comes with what it waited for.
            for task in left:
                task.cancel()
            _, left = await asyncio.wait(left, timeout=0.05)
        closing = [port.connection.released.wait() for port in self.ports.values() if port.connection is not None]
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asyncio.gather(*closing), CLOSE_S)
