"""Links with one trouble each, made of the firmware's C core, the link's own host side, and a line that damages bytes.

Nothing here is made up as a link is expected to look: boards are the C core in virtual time (its checks, counters,
buffers, loop and heartbeats are its own), requests are repeated by the real host side, and what lies between handles
bytes: a UART that samples, a USB chip that collects, a hub that stalls, a computer that sleeps. Where a figure is from
a data sheet it is named; the rest is chosen, and drawn again for each run.
"""

from __future__ import annotations

import heapq
import itertools
import random
from bisect import bisect_right
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from firmware.virtual import Board, built

from benchcon.state import BenchState
from benchcon.timing.links import LinkEvidence, LinkVerdict
from benchcon.wire import codec
from benchcon.wire.host import HostSide
from benchcon.wire.records import BYTES_UP, LINE_DOWN, LINK, Batch

TROUBLES = ("up", "down", "both", "baud", "timer", "supply", "watchdog", "host", "hub", "loop", "plug", "drops")
SECONDS = 150.0
PING_US = 500_000.0
PACKET = 62
"""Bytes that a USB serial chip sends without waiting for its timer (FT232R data sheet: 64 with two of status)."""
LATENCY_US = 16_000.0
"""The latency timer as it comes (FT232R data sheet)."""
CONTACTS = ("sw1", "sw2", "sw3")


def sampled(data: bytes, rng: random.Random, *, off: float = 0.0, jitter: float = 0.0, hits: float = 0.0) -> bytes:
    """What a UART reads of `data`, sent without a pause, whose rate is `off` from the sender's.

    Edges lie up to `jitter` of a bit elsewhere; so many `hits` a bit turn the line over for half a bit to two. A start
    is a fall of the line, seen to a sixteenth of a bit; the middle of a bit is the majority of three samples a
    sixteenth apart; a new start is looked for right after the last sample of the stop bit (ATmega328P data sheet,
    asynchronous data recovery). A byte whose stop bit reads low is taken all the same, as a terminal in raw mode and
    the firmware do.
    """
    bits = [1]
    for byte in data:
        bits += [0, *((byte >> n) & 1 for n in range(8)), 1]
    bits += [1] * 12
    edges = [(n + rng.uniform(-jitter, jitter), bits[n]) for n in range(1, len(bits)) if bits[n] != bits[n - 1]]
    for _ in range(sum(rng.random() < hits for _ in bits) if hits else 0):
        begin = rng.uniform(0, len(bits))
        end = begin + rng.uniform(0.5, 2)
        inside = [(at, 1 - to) for at, to in edges if begin <= at < end]
        before = next((to for at, to in reversed(edges) if at < begin), 1)
        after = next((to for at, to in reversed(edges) if at < end), 1)
        edges = [edge for edge in edges if not begin <= edge[0] < end]
        edges = sorted([*edges, (begin, 1 - before), *inside, (end, after)])
    times = [at for at, _ in edges]

    def level(at: float) -> int:
        return edges[n - 1][1] if (n := bisect_right(times, at)) else 1

    out = bytearray()
    at = 0.0
    while True:
        first = bisect_right(times, at)
        while first < len(edges) and edges[first][1]:
            first += 1
        if first == len(edges):
            return bytes(out)
        falls = times[first]
        start = falls + rng.uniform(0, 1 / 16)
        centres = [start + (n + 0.5) * (1 + off) for n in range(10)]
        read = [sum(level(centre + step / 16) for step in (-1, 0, 1)) >= 2 for centre in centres]
        if not read[0]:  # else no start bit but a spike
            out.append(sum(read[n + 1] << n for n in range(8)))
            at = centres[9] + 1 / 16
        else:
            at = centres[0]


class End:
    """One board, its line, and the host side that asks it."""

    def __init__(self, world: CoreLinks, source: int, board: Board) -> None:
        rng = world.rng
        self.world, self.source, self.board = world, source, board
        self.rate = rng.choice((115_200, 115_200, 250_000, 500_000))
        self.skew = rng.uniform(-80e-6, 80e-6)  # a crystal
        self.polled = rng.uniform(0, 1000)
        self.trouble = ""
        self.up_free = self.down_free = self.read_at = 0.0
        self.timer_from = rng.uniform(0, LATENCY_US)
        self.supply = rng.randint(4780, 5120)
        self.off_by = 0.0
        self.jitter = 0.0
        self.share = 0.0
        self.splitter = codec.Splitter("up")
        self.host = HostSide(0)
        self.open = False
        self.sent_us = 0.0
        self.deadline: float | None = None
        self.pinged: int | None = None
        """The ping that is not answered yet."""

    # --- time and power -----------------------------------------------------------------------------------------------

    def power(self, at: float, cause: str = "power") -> None:
        self.board.command("reset", cause)
        self.board.command("supply", self.supply)
        self.born, self.clock = at, 0

    def advance(self, at: float) -> None:
        due = int((at - self.born) * (1 + self.skew))
        if due > self.clock:
            self.board.command("run", due - self.clock)
            self.clock = due
        for said in self.board.take():
            body = said.body.encode() + b" #%04X\n" % codec.check_of(said.body.encode() + b" ")
            self.up(self.born + said.at_us / (1 + self.skew), body)

    # --- the line -----------------------------------------------------------------------------------------------------

    def byte_us(self) -> float:
        return 10e6 / self.rate

    def damaged(self, data: bytes, way: str) -> bytes:
        if self.trouble == "baud":
            off = self.off_by if way == "up" else -self.off_by
            return sampled(data, self.world.rng, off=off, jitter=self.jitter)
        if self.trouble in (way, "both"):
            return sampled(data, self.world.rng, hits=self.share)
        return data

    def up(self, left: float, data: bytes) -> None:
        world = self.world
        whole = max(left, self.up_free) + len(data) * self.byte_us()
        self.up_free = whole
        got = self.damaged(data, "up")
        if self.trouble == "timer":
            # Sent when the timer runs out that began with the packet before; full packets at once.
            waits = (self.timer_from - whole) % LATENCY_US
            whole += waits if len(data) < PACKET else min(waits, len(data) * self.byte_us())
        polled = whole + (self.polled - whole) % 1000  # asked for once in each frame of 1 ms (USB 2.0, section 5)
        at = max(world.stalled("hub", polled), self.read_at)
        self.read_at = at
        world.at(world.awake(at), lambda now: self.heard(now, got))

    def heard(self, now: float, data: bytes) -> None:
        if not self.open:
            return
        self.world.record(now, self.source, [(kind, bodies) for kind, bodies in self.splitter.feed(data)])
        self.go_on(now)

    def write(self, now: float, data: bytes) -> None:
        world = self.world
        world.record(now, self.source, [(LINE_DOWN, [line]) for line in data.split(b"\n") if line])
        self.sent_us = now
        at = world.stalled("hub", now + world.rng.uniform(20, 1000))
        for line in data.splitlines(keepends=True):
            self.down_free = max(at, self.down_free) + len(line) * self.byte_us()
            got = self.damaged(line, "down")
            world.at(self.down_free, lambda _, got=got: self.board.send(got) if self.open else None)
            if b" set l" in line and b"=000" not in line:
                world.loaded(self, self.down_free)

    # --- the host -----------------------------------------------------------------------------------------------------

    def go_on(self, now: float) -> None:
        """Write what the host side has to write, and look again when it will have more."""
        if not self.open:
            return
        data = self.host.to_send(int(now))
        if data:
            self.write(now, data)
        deadline = self.host.deadline_us()
        if deadline is not None and deadline != self.deadline:
            self.deadline = deadline
            self.world.at(self.world.awake(max(deadline + 1, now + 1)), self.go_on)

    def ping(self, now: float) -> None:
        if self.open and now - self.sent_us >= PING_US and self.pinged is None:
            self.pinged = self.host.ask(("ping", f"{int(now) & 0xFFFFFFFF:08X}", "00000000"), int(now))
            self.go_on(now)
        self.world.at(self.world.awake(max(self.sent_us + PING_US, now + self.world.rng.uniform(50, 2000))), self.ping)

    def ask(self, now: float, *words: str) -> None:
        if self.open:
            self.host.ask(words, int(now))
            self.go_on(now)

    def plug(self, now: float) -> None:
        """The port is opened: DTR resets the board, and half a line of what was before is in the chip."""
        self.power(now, "power" if self.world.rng.random() < 0.5 else "reset")
        self.host, self.splitter, self.deadline = HostSide(int(now)), codec.Splitter("up"), None
        self.open, self.pinged = True, None
        port = f"port=/dev/ttyUSB{self.source}"
        self.world.record(now, self.source, [(LINK, [f"opened {port} rate={self.rate}".encode()])])
        if self.world.rng.random() < 0.5:
            self.world.record(
                now + 1, self.source, [(BYTES_UP, [bytes(self.world.rng.randrange(128, 255) for _ in "1234")])]
            )

        def call(then: float) -> None:
            self.host.bring_up(int(then))
            self.go_on(then)

        self.world.at(now + 300_000, call)

    def unplug(self, now: float) -> None:
        self.open = False
        self.world.record(now, self.source, [(LINK, [f"lost port=/dev/ttyUSB{self.source} why=hung%20up".encode()])])


class CoreLinks:
    """Two boards on one computer; the first has the trouble, but for what they share."""

    def __init__(self, trouble: str, seed: int, boards: tuple[Board, Board]) -> None:
        self.trouble = trouble
        self.rng = rng = random.Random(f"{trouble} {seed}")
        self.due: list[tuple[float, int, Callable[[float], object]]] = []
        self.order = itertools.count()
        self.now = 0.0
        self.stalls: list[tuple[float, float]] = []
        if trouble in ("host", "hub"):
            # A computer that is late is so again and again; a hub that stalls does for tenths of a second.
            count = rng.randint(12, 25)
            starts = [rng.uniform(4e6, SECONDS * 1e6) for _ in range(count)]
            self.stalls = sorted((at, at + rng.uniform(50e3, 350e3)) for at in starts)
        self.state = BenchState()
        self.links = LinkEvidence(self.state)
        self.ends = [End(self, source, board) for source, board in enumerate(boards, 1)]
        first = self.ends[0]
        first.trouble = trouble
        # 2.1 % is the ATmega328P's at 115 200 baud from 16 MHz (its data sheet); the computer's end adds its own.
        first.off_by = rng.uniform(0.0245, 0.028)
        first.jitter = 0.08
        first.share = 1 / rng.uniform(30, 80) / 400  # a line is about 400 bits
        if trouble == "baud":
            first.rate = 115_200

    # --- what the ends share ------------------------------------------------------------------------------------------

    def at(self, at: float, do: Callable[[float], object]) -> None:
        heapq.heappush(self.due, (at, next(self.order), do))

    def stalled(self, what: str, at: float) -> float:
        if self.trouble == what:
            for begin, end in self.stalls:
                if begin <= at < end:
                    return end
        return at

    def awake(self, at: float) -> float:
        """When the computer gets to what is due at `at`: a little later, or when it wakes."""
        return self.stalled("host", at) + min(self.rng.expovariate(1 / 80), 4000)

    def record(self, at: float, source: int, runs: list[tuple[str, list[bytes]]]) -> None:
        for kind, bodies in runs:
            at_us = max(int(at), self.state.at_us)
            events = self.state.feed(Batch(at_us, source, kind, bodies))
            for event in events:
                self.links.take(event)
            end = self.ends[source - 1]
            if end.pinged in [outcome.ticket for outcome in end.host.heard(events, at_us)]:
                end.pinged = None

    def loaded(self, end: End, at: float) -> None:
        """Lamps were lit: a supply that is too weak gives way, sometimes as far as a reset."""
        if end.trouble != "supply":
            return
        end.board.command("supply", self.rng.randint(4250, 4600))
        self.at(at + 2_500_000, lambda _: end.board.command("supply", end.supply))
        if self.rng.random() < 0.08:
            after = self.rng.uniform(20e3, 900e3)
            cause = "brownout" if self.rng.random() < 0.7 else "power"
            self.at(at + after, lambda now: end.power(now, cause))

    # --- two and a half minutes ------------------------------------------------------------------------------------

    def run(self) -> list[LinkVerdict]:
        rng = self.rng
        for end in self.ends:
            end.board.command("blank")
            end.power(0.0)
            end.board.command("baud", end.rate)
            end.board.command("turns", rng.randint(18_000, 40_000) if end.trouble == "loop" else rng.randint(50, 900))
            self.at(rng.uniform(0, 50e3), end.plug)
            self.at(rng.uniform(3e6, 3.4e6), end.ping)
            self._work(end)
        self._ail(self.ends[0])
        while self.due and self.now < SECONDS * 1e6:
            busy = any(end.host.unanswered_bytes for end in self.ends)
            self.now = min(self.due[0][0], self.now + (1_500 if busy else 40_000))
            for end in self.ends:
                end.advance(self.now)
            while self.due and self.due[0][0] <= self.now:
                at, _, do = heapq.heappop(self.due)
                do(at)
        return self.links.verdicts()

    def _work(self, end: End) -> None:
        """Hands at the controls, and a program that lights lamps: in bursts, as people do."""
        rng = self.rng
        at = 4e6
        while at < SECONDS * 1e6:
            for _ in range(rng.randint(1, 12)):
                at += rng.uniform(80e3, 400e3)
                made = f"{rng.choice(CONTACTS)} {rng.randrange(2)}"
                self.at(at, lambda _, made=made: end.board.command("made", *made.split(" ")))
                level = rng.choice((0, 500, 1000))
                words = ("set", f"{rng.choice(('l1', 'l2'))}={level:03X}")
                self.at(self.awake(at + rng.uniform(5e3, 50e3)), lambda now, words=words: end.ask(now, *words))
            at += rng.uniform(0.5e6, 4e6)

    def _ail(self, end: End) -> None:
        rng = self.rng
        moments = [rng.uniform(8e6 + 40e6 * n, 40e6 + 40e6 * n) for n in range(3)]
        if self.trouble == "watchdog":
            for at in moments:
                self.at(at, lambda now: end.power(now, "watchdog"))
        elif self.trouble == "plug":
            for at in moments:
                self.at(at, end.unplug)
                self.at(at + rng.uniform(1e6, 4e6), end.plug)
        elif self.trouble == "drops":
            # A knob that is spun, at a rate that cannot carry it.
            end.rate = 9600
            end.board.command("baud", 9600)
            self.at(4e6, lambda now: end.ask(now, "raw", "e1=1"))
            for at in moments:
                for n in range(400):
                    code = (0, 2, 3, 1)[n % 4]
                    self.at(at + n * 1200, lambda _, code=code: end.board.command("ab", "e1", code))


@contextmanager
def two_boards() -> Iterator[tuple[Board, Board]]:
    """Two boards that can be used for one run after the other."""
    boards = Board(built("reference")), Board(built("reference"))
    try:
        yield boards
    finally:
        for each in boards:
            each.close()


def first_named(trouble: str, seed: int, boards: tuple[Board, Board]) -> tuple[str, str]:
    """Run it; return what each of the two links is said to have first, empty for nothing."""
    found = CoreLinks(trouble, seed, boards).run()
    named = [next((one.trouble for one in found if one.source == source), "") for source in (1, 2)]
    return named[0], named[1]
