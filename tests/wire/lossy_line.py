"""A host side and a board side at the two ends of a line that loses and spoils what it carries, in a time of its own.

The board takes `work_us` over each line and keeps what came meanwhile in a receive buffer of exactly the size it tells
of: what does not fit there is lost, and noted in `overrun`, as in a real chip.
"""

from __future__ import annotations

import random
from collections import deque

from wire.reference_board import description

from benchcon.wire.board import BoardSide
from benchcon.wire.codec import Splitter
from benchcon.wire.events import Event
from benchcon.wire.host import HostSide, Outcome
from benchcon.wire.observer import Observer
from benchcon.wire.records import LINE_DOWN, Batch

TRANSIT_US = 2_000


class LossyLine:
    def __init__(self, buffer: int = 128, seed: int = 0, known: bool = True, work_us: int = 3_000) -> None:
        self.now_us = 0
        self.buffer = buffer
        self.work_us = work_us
        self.board = BoardSide("reference", "Reference desk", description(), now_us=0, buffer=buffer)
        self.host = HostSide(0, buffer) if known else HostSide(0)
        self.observer = Observer()
        self.loss = 0.0
        """Share of lines that are lost or spoilt, each way."""
        self.dead = False
        """Nothing goes through at all."""
        self.outcomes: dict[int, Outcome] = {}
        self.events: list[Event] = []
        self.sent: list[tuple[int, bytes]] = []
        """Everything the host has put out, and when."""
        self.done: list[tuple[int, bytes]] = []
        """Lines that the board has acted upon, and when."""
        self.overrun = 0
        self._chance = random.Random(seed)
        self._up_splitter = Splitter("up")
        self._down: deque[tuple[int, bytes]] = deque()
        self._received: deque[tuple[int, bytes]] = deque()
        self._up: deque[tuple[int, bytes]] = deque()
        self._free_us = 0

    # --- the host's end ---------------------------------------------------------------------------------------------

    def pump(self) -> bytes:
        """Let the host put out what it may, and collect what became of its requests."""
        data = self.host.to_send(self.now_us)
        if data:
            self.sent.append((self.now_us, data))
            lines = [line for line in data.split(b"\n") if line]
            self.events += self.observer.feed(Batch(self.now_us, 1, LINE_DOWN, lines))
            for line in data.splitlines(keepends=True):
                if (spoilt := self._through(line)) is not None:
                    self._down.append((self.now_us + TRANSIT_US, spoilt))
        self._take(self.host.heard((), self.now_us))
        due_us = self.host.deadline_us()
        assert due_us is None or due_us > self.now_us, "it would be called again and again, with nothing to do"
        return data

    def _take(self, outcomes: list[Outcome]) -> None:
        for outcome in outcomes:
            assert outcome.ticket not in self.outcomes, "one outcome a ticket"
            self.outcomes[outcome.ticket] = outcome

    def _through(self, line: bytes) -> bytes | None:
        if self.dead:
            return None
        if self._chance.random() >= self.loss:
            return line
        if self._chance.random() < 0.5:
            return None
        at = self._chance.randrange(len(line))
        return line[:at] + bytes((line[at] ^ 1 << self._chance.randrange(8),)) + line[at + 1 :]

    # --- time -------------------------------------------------------------------------------------------------------

    def run(self, us: int) -> None:
        """Let this much time go by."""
        until_us = self.now_us + us
        self.pump()
        while True:
            due = [until_us, self.board.next_us()]
            if (deadline_us := self.host.deadline_us()) is not None:
                due.append(deadline_us)
            if self.board.waiting:
                due.append(self.now_us)
            due += [queue[0][0] for queue in (self._down, self._received, self._up) if queue]
            now_us = max(min(due), self.now_us)
            if now_us >= until_us:
                self.now_us = until_us
                return
            self.now_us = now_us
            self._step()

    def _step(self) -> None:
        now_us = self.now_us
        while self._down and self._down[0][0] <= now_us:
            _, line = self._down.popleft()
            if self.in_buffer + len(line) > self.buffer:
                self.overrun += 1
                continue
            self._free_us = max(self._free_us, now_us) + (self.work_us if line.strip() else 0)
            self._received.append((self._free_us, line))
        while self._received and self._received[0][0] <= now_us:
            _, line = self._received.popleft()
            self.board.feed(line, now_us)
            self.done.append((now_us, line))
        self.board.tick(now_us)
        for line in self.board.take().splitlines(keepends=True):
            if (spoilt := self._through(line)) is not None:
                self._up.append((now_us + TRANSIT_US, spoilt))
        while self._up and self._up[0][0] <= now_us:
            _, line = self._up.popleft()
            for kind, bodies in self._up_splitter.feed(line):
                happened = self.observer.feed(Batch(now_us, 1, kind, bodies))
                self.events += happened
                self._take(self.host.heard(happened, now_us))
        self.pump()

    @property
    def in_buffer(self) -> int:
        """Bytes in the board's receive buffer."""
        return sum(len(line) for _, line in self._received)

    @property
    def under_way(self) -> int:
        """Bytes on their way to the board or in its buffer."""
        return self.in_buffer + sum(len(line) for _, line in self._down)

    def settle(self, tickets: list[int], at_most_us: int = 20_000_000) -> None:
        """Run until all these are done."""
        until_us = self.now_us + at_most_us
        while not all(ticket in self.outcomes for ticket in tickets):
            assert self.now_us < until_us, "a request was neither answered nor given up"
            self.run(50_000)
