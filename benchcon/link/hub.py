"""What all ports of a bench share, on the link's loop: the stream, the boards' numbers, the common limits."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import Callable
from typing import Any

from benchcon.link.conversation import Talk
from benchcon.link.discovery import where_again
from benchcon.link.limits import Together, allowance_of
from benchcon.link.numbers import Numbers
from benchcon.link.off_thread import aside
from benchcon.link.outputs import BoardOutputs
from benchcon.link.port import Pace, Port
from benchcon.link.records import link_record
from benchcon.link.share import SCREEN, Share
from benchcon.link.stream import Stream
from benchcon.panel.model import Panel
from benchcon.text import printable
from benchcon.wire.host import PING_MOST_US
from benchcon.wire.records import BENCH

STILL_NS = 1_000_000_000
"""A program that has called `beat` counts as frozen when it has not done so again for this long."""

CLOSE_S = 0.5
"""How long the end waits for drivers to release their ports."""


class Hub:
    """The inside of the link. Use it on the loop only, apart from `now_us`, `ports` and methods that say otherwise."""

    def __init__(
        self,
        panel: Panel | None,
        deadman_ms: int | None,
        listen_only: bool,
        pace: Pace,
        keep: bool,
        stage_changed: Callable[[], None],
        *,
        stream: Stream | None = None,
        now_us: Callable[[], int] | None = None,
    ) -> None:
        self.panel = panel
        self.deadman_ms = None if listen_only else deadman_ms
        self.listen_only = listen_only
        self.pace = pace
        self.keep = keep
        """Whether to remember named ports on which a board answered."""
        self.stage_changed = stage_changed
        """Called when a port's stage has changed."""
        self.ping_every_us = min(PING_MOST_US, self.deadman_ms * 250) if self.deadman_ms else 0
        self.loop: asyncio.AbstractEventLoop = asyncio.new_event_loop()
        self.loop.set_exception_handler(self._fault)
        self.ports: dict[str, Port] = {}
        self.stream = stream or Stream()
        self.emit = self.stream.emit
        self.beats: dict[str, int] = {}
        """Who has to be at work for anything to stay lit → when each last said that it is, in ns."""
        self.leaving = False
        """Whether the bench is dark for good."""
        self.share = Share()
        """How much of the processor the link may use while there is a screen."""
        began_ns = time.monotonic_ns()
        self.now_us: Callable[[], int] = now_us or (lambda: (time.monotonic_ns() - began_ns) // 1000)
        """Returns the host time in microseconds since the bench was made; monotonic. Callable from any thread."""
        self._numbers = Numbers()
        self._outputs: dict[int, BoardOutputs] = {}
        self._together = Together()
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._looking: set[asyncio.Task[None]] = set()

    def leave(self) -> None:
        """Send nothing but dark from now on. Callable from any thread."""
        self.leaving = True

    @property
    def only_dark(self) -> bool:
        """Whether nothing but dark is sent now: the program is about to end, or is no longer at work.

        Any line feeds a board's dead-man, and a program whose screen stands still, or whose rules hang, must not keep
        lamps lit.
        """
        if self.leaving or not self.beats:
            return self.leaving
        return time.monotonic_ns() - min(tuple(self.beats.values()), default=time.monotonic_ns()) > STILL_NS

    @property
    def watched(self) -> bool:
        """Whether a program with a screen is at work on the bench."""
        return SCREEN in self.beats

    def beat(self, who: str, *, last: bool = False) -> None:
        """Note that `who` is at work; `last`: it no longer has to be. Callable from any thread."""
        was_dark = self.only_dark
        if last:
            self.beats.pop(who, None)
        else:
            self.beats[who] = time.monotonic_ns()
        if was_dark and not self.leaving:
            with contextlib.suppress(RuntimeError):
                self.loop.call_soon_threadsafe(self._go_on)

    def _go_on(self) -> None:
        for port in list(self.ports.values()):
            if port.talk is not None:
                port.talk.pump()

    def _fault(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Record an unexpected error of the loop in the stream; it must not be printed over a screen."""
        error = context.get("exception")
        what = printable(f"{type(error).__name__}: {error}" if error else str(context.get("message")))[:200]
        self.emit([link_record(self.now_us(), BENCH, "fault", why=what)])

    # --- boards and their numbers ----------------------------------------------------------------------------------

    def outputs(self, source: int, ident: str) -> BoardOutputs:
        """Return the outputs of board `source`, on whatever port; `ident`, once known, says what they may draw."""
        found = self._outputs.get(source)
        if found is None:
            found = self._outputs[source] = BoardOutputs(together=self._together)
        if ident:
            found.allow(allowance_of(self.panel, ident))
        return found

    def allow(self, panel: Panel | None) -> None:
        """Apply the budgets of `panel` from now on."""
        self.panel = panel
        for port in self.ports.values():
            if port.talk is not None and port.talk.ident:
                self.outputs(port.talk.source, port.talk.ident)

    def all_outputs(self) -> list[BoardOutputs]:
        """Return the outputs of all boards. Callable from any thread."""
        return list(self._outputs.values())

    def source_for(self, port: Port) -> int:
        """Return the number that a port which was just opened has until its board says who it is.

        It is that of the board last heard there, if that is not linked elsewhere; else a new one.
        """
        taken = {other.talk.source for other in self.ports.values() if other.talk is not None}
        return port.source if port.source and port.source not in taken else self._numbers.lend()

    def identify(self, talk: Talk, ident: str) -> None:
        """Take the ident that a board gave: it gets back the number it had, or is refused if another has its ident."""
        port = next((port for port in self.ports.values() if port.talk is talk), None)
        if port is None:
            return
        now_us, lent = self.now_us(), talk.source
        holder = self.port_of(ident)
        if holder is not None and holder.talk is not talk:
            if not talk.duplicate:
                if self._numbers.belongs_to_a_board(lent):
                    lent = self._lend_another(port, talk)
                self.emit([link_record(now_us, lent, "refused", why="duplicate", ident=ident, port=port.name)])
            talk.is_duplicate(ident)
            return
        was_a_board = self._numbers.belongs_to_a_board(lent)
        linked = {port.talk.source for port in self.ports.values() if port.talk and port.talk is not talk}
        source, forgotten = self._numbers.give(ident, lent, linked)
        if forgotten:
            self._outputs.pop(source, None)
            self.emit([link_record(now_us, source, "forgotten", ident=forgotten, why="too many boards")])
        if source != lent:
            if was_a_board:
                self._is_elsewhere(lent, port)
            else:
                self.emit([link_record(now_us, lent, "moved", to=source)])
                self._outputs.pop(lent, None)
        for other in self.ports.values():
            if other is not port and other.source == source:
                self._has_moved_away(other)
        port.is_heard_as(source)
        talk.is_board(ident, source, self.outputs(source, ident))
        self.emit([link_record(now_us, source, "ident", ident=ident, port=port.name, rate=talk.connection.rate)])

    def _has_moved_away(self, port: Port) -> None:
        """Note that the board that was thought to be on this port is on another one."""
        talk, source = port.talk, port.source
        port.is_heard_as(0)
        if talk is not None and talk.source == source:
            self._lend(port, talk)

    def _lend_another(self, port: Port, talk: Talk) -> int:
        """Lend the board that is where another one was a number of its own, and return that."""
        self._is_elsewhere(talk.source, port)
        port.is_heard_as(0)
        return self._lend(port, talk)

    def _lend(self, port: Port, talk: Talk) -> int:
        lent = self._numbers.lend()
        port.is_heard_as(lent)
        talk.is_lent(lent, self.outputs(lent, ""))
        self.emit([link_record(self.now_us(), lent, "opened", port=port.name, rate=talk.connection.rate)])
        return lent

    def _is_elsewhere(self, source: int, port: Port) -> None:
        self.emit([link_record(self.now_us(), source, "lost", port=port.name, why="another board is there")])

    def renamed(self, talk: Talk, ident: str) -> None:
        """Let the board that took a new ident keep its number under the new one."""
        if not talk.duplicate:
            self._numbers.rename(talk.ident, ident)

    def port_of(self, ident: str) -> Port | None:
        """Return the port on which the board with this ident is linked, or None."""
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
        """Return the numbers of all boards that have ever said who they are."""
        return self._numbers.known()

    # --- ports -----------------------------------------------------------------------------------------------------

    def add(self, name: str, named: bool = True) -> None:
        """Open a port and keep it open; one that is known already is opened again if it was released."""
        port = self.find(name)
        if port is not None:
            port.reopen(named)
            return
        port = self.ports[name] = Port(self, name, named)
        if named:
            # Numbered in the order in which the ports were named, not in the order in which they happen to open.
            port.is_heard_as(self._numbers.lend())
        self._tasks[name] = self.loop.create_task(port.run(), name=f"port {name}")

    def find(self, name: str) -> Port | None:
        """Return the port with this name or with another name of the same device, or None."""
        if name in self.ports or "://" in name:
            return self.ports.get(name)
        real = os.path.realpath(name)
        for port in self.ports.values():
            if "://" not in port.name and os.path.realpath(port.name) == real and os.path.exists(real):
                return port
        return None

    def look_for(self, port: Port) -> None:
        """Look for a lost board on ports where that very board or its USB device may be, and nowhere else."""
        if port.ident and not port.released and self.port_of(port.ident) is None:
            task = self.loop.create_task(self._look_for(port.ident, port.hardware), name=f"look for {port.ident}")
            self._looking.add(task)
            task.add_done_callback(self._looking.discard)

    async def _look_for(self, ident: str, hardware: str) -> None:
        for name in await aside(lambda: where_again(ident, hardware)):
            if self.find(name) is None and self.port_of(ident) is None:
                self.add(name, named=False)

    def drop(self, port: Port) -> None:
        """Forget a port that was only tried in search of a lost board."""
        self.ports.pop(port.name, None)
        self._tasks.pop(port.name, None)

    async def end(self) -> None:
        """Close all ports; each is free for other programs when this returns, unless its driver is stuck."""
        tasks = [*self._tasks.values(), *self._looking]
        left = set(tasks)
        while left:
            # Repeated, because Python 3.11's `wait_for` loses a cancellation that comes together with its result.
            for task in left:
                task.cancel()
            _, left = await asyncio.wait(left, timeout=0.05)
        closing = [port.connection.released.wait() for port in self.ports.values() if port.connection is not None]
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asyncio.gather(*closing), CLOSE_S)
