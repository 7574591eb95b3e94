"""Links with one trouble each, as a bench hears them: bytes on a line, answers in their time, 90 s of two boards.

The bytes go over a line that is sampled as a UART samples it (8 data bits, least first, a start and a stop bit, each
sampled in its middle by the receiver's clock), so that a difference of rates damages what it really damages.
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections.abc import Callable

from benchcon.state import BenchState
from benchcon.timing.links import LinkEvidence
from benchcon.wire import codec
from benchcon.wire.records import BYTES_UP, LINE_DOWN, LINE_UP, LINK, Batch

TROUBLES = ("up", "down", "both", "baud", "timer", "supply", "watchdog", "host", "hub", "loop", "plug", "drops")
SECONDS = 90
NOISE = 1 / 90
BYTE_US = 10e6 / 115_200
EDGE_JITTER = 0.098
"""Of a bit, one sigma: with rates 2.1 % apart about one line in 90 is damaged, and with equal ones none is."""


def sampled(line: bytes, off: float, rng: random.Random) -> bytes:
    """What a UART reads of `line` whose rate is `off` from the sender's."""
    out = bytearray()
    for byte in line:
        bits = [0, *((byte >> n) & 1 for n in range(8)), 1, 0]
        read = 0
        for number in range(1, 9):
            at = (number + 0.5) * (1 + off) + rng.gauss(0, EDGE_JITTER)
            read |= bits[min(max(int(at), 0), 10)] << (number - 1)
        out.append(read)
    return bytes(out)


def one_bit(line: bytes, rng: random.Random) -> bytes:
    """`line` with one bit turned, and no line end made of it."""
    while True:
        at = rng.randrange(len(line))
        found = line[:at] + bytes((line[at] ^ 1 << rng.randrange(8),)) + line[at + 1 :]
        if b"\n" not in found and b"\r" not in found:
            return found


class SimulatedLinks:
    """Two boards; the first has the trouble, but for what they share."""

    def __init__(self, trouble: str, seed: int) -> None:
        self.trouble, self.rng = trouble, random.Random(seed * 1000 + len(trouble))
        self.due: list[tuple[float, int, Callable[[float], None]]] = []
        self.order = itertools.count()
        self.out: list[tuple[float, int, Batch]] = []
        self.number = {1: 0, 2: 0}
        self.tag = {1: 0, 2: 0}
        self.bad_lines = {1: 3, 2: 0}
        self.dropped = {1: 0, 2: 0}
        self.supply = {1: 5010, 2: 4980}
        self.boot = {1: 7, 2: 9}
        self.born = {1: -4e6, 2: -9e6}
        self.reset_at: dict[int, float] = {}
        self.stalls = sorted(self._moments(14)) if trouble in ("host", "hub") else []

    def _moments(self, count: int) -> list[tuple[float, float]]:
        starts = [self.rng.uniform(4e6, SECONDS * 1e6) for _ in range(count)]
        return [(at, at + self.rng.uniform(60e3, 300e3)) for at in starts]

    def at(self, at: float, do: Callable[[float], None]) -> None:
        heapq.heappush(self.due, (at, next(self.order), do))

    def stalled(self, at: float, trouble: str) -> float:
        if self.trouble == trouble:
            for begin, end in self.stalls:
                if begin <= at < end:
                    return end + self.rng.uniform(0, 500)
        return at

    def put(self, at: float, source: int, kind: str, body: bytes) -> None:
        self.out.append((at, next(self.order), Batch(0, source, kind, [body])))

    def hear(self, at: float, source: int, line: bytes) -> bool:
        """A line from the board arrives; return whether it was whole."""
        rng, trouble = self.rng, self.trouble if source == 1 else ""
        if trouble == "timer":
            at += rng.uniform(0, 16_000)
        at = self.stalled(self.stalled(at + rng.uniform(0, 1000), "hub"), "host")
        got = line
        if trouble == "baud":
            got = sampled(line, 0.021, rng)
        elif trouble in ("up", "both") and rng.random() < NOISE:
            got = one_bit(line, rng)
        self.put(at, source, LINE_UP if got == line else BYTES_UP, got)
        return got == line

    def clock(self, source: int, at: float) -> int:
        return int(at - self.born[source]) & 0xFFFFFFFF

    def tell(self, at: float, source: int, text: str) -> None:
        line = codec.notification(self.number[source], self.clock(source, at), text.split(" "))
        self.number[source] = (self.number[source] + 1) & 0xFFFF
        self.hear(at + len(line) * BYTE_US, source, line)

    def ask(self, at: float, source: int, text: str, tries: int = 0, tag: int = 0) -> None:
        rng, trouble = self.rng, self.trouble if source == 1 else ""
        if not tag:
            tag = self.tag[source] = self.tag[source] % 250 + 1
        line = codec.request(tag, text.split(" "))
        at = self.stalled(at, "host")
        self.put(at, source, LINE_DOWN, line)
        damaged = (trouble in ("down", "both") and rng.random() < NOISE) or (
            trouble == "baud" and sampled(line, -0.021, rng) != line
        )
        came = self.stalled(at + len(line) * BYTE_US + rng.uniform(50, 400), "hub")
        if damaged:
            self.bad_lines[source] += 1
        else:
            came += rng.uniform(0, 35_000) if trouble == "loop" else rng.uniform(60, 900)
            stamp = f"{self.clock(source, came):08X}"
            word = text.split(" ")[0]
            answer = codec.answer(tag, [word, stamp, stamp] if word == "ping" else [word, stamp])
            damaged = not self.hear(came + len(answer) * BYTE_US, source, answer)
        if damaged and tries < 3:
            self.at(at + 250_000, lambda again: self.ask(again, source, text, tries + 1, tag))

    def stream(self) -> list[Batch]:
        rng = self.rng
        for source, ident in ((1, "desk"), (2, "other")):
            self.put(0, source, LINK, f"opened port=/dev/ttyUSB{source} rate=115200".encode())
            self.put(0, source, LINK, f"ident ident={ident} port=/dev/ttyUSB{source}".encode())
            self.put(rng.uniform(0, 1e6), source, BYTES_UP, b"ab\x80c")  # half a line, as when any port is opened
            for second in range(1, SECONDS):
                self.at(second * 1e6 + source * 3000, lambda at, s=source: self.alive(at, s))
            for _ in range(SECONDS * 5):
                level = rng.randrange(2)
                self.at(rng.uniform(2e6, SECONDS * 1e6), lambda at, s=source, v=level: self.tell(at, s, f"is sw1={v}"))
            # Bursts of work, and pauses with pings alone: one whenever nothing was sent for half a second.
            at, busy = 2e6, 0
            while at < SECONDS * 1e6:
                busy = busy or (rng.randint(8, 24) if rng.random() < 0.25 else 0)
                if busy:
                    busy -= 1
                    at += rng.uniform(60e3, 250e3)
                    self.at(at, lambda now, s=source: self.ask(now, s, f"set l1={rng.choice((0, 500, 1000)):03X}"))
                else:
                    at += 500e3 + rng.uniform(0, 3000)
                    self.at(at, lambda now, s=source: self.ask(now, s, f"ping {int(now):08X} 00000000"))
        for number in range(3):
            moment = rng.uniform(5e6, SECONDS * 1e6 - 8e6) if number else 20e6
            if self.trouble in ("supply", "watchdog"):
                self.at(moment, self.reset)
            elif self.trouble == "plug":
                self.at(moment, self.unplugged)
        found = []
        while self.due:
            at, _, do = heapq.heappop(self.due)
            do(at)
        last = 0
        for at, _, batch in sorted(self.out, key=lambda row: row[:2]):
            last = max(last, int(at))
            found.append(batch._replace(at_us=last))
        return found

    def alive(self, at: float, source: int) -> None:
        rng, trouble = self.rng, self.trouble if source == 1 else ""
        loop = rng.randint(25_000, 40_000) if trouble == "loop" else rng.randint(300, 2500)
        if trouble == "drops" and rng.random() < 0.2:
            self.dropped[source] += rng.randint(1, 9)
        supply = self.supply[source] + rng.randint(-30, 30)
        words = (self.boot[source], 0, self.bad_lines[source], self.dropped[source], loop, supply)
        self.tell(at, source, "alive " + " ".join(f"{word:04X}" for word in words) + " 00")

    def reset(self, at: float) -> None:
        cause = "brownout" if self.trouble == "supply" else "watchdog"
        if self.trouble == "supply":
            self.ask(at - 200_000, 1, "set l1=3E8")
        self.boot[1] += 1
        self.born[1], self.number[1], self.bad_lines[1] = at, 0, 0
        self.tell(at + 900, 1, f"boot {self.boot[1]:04X} {cause} 01")

    def unplugged(self, at: float) -> None:
        self.put(at, 1, LINK, b"lost port=/dev/ttyUSB1 why=hung%20up")
        self.put(at + 1_500_000, 1, LINK, b"opened port=/dev/ttyUSB1 rate=115200")


def first_named(trouble: str, seed: int) -> tuple[str, str]:
    """Run it; return what each of the two links is said to have first, empty for nothing."""
    state = BenchState()
    links = LinkEvidence(state)
    for batch in SimulatedLinks(trouble, seed).stream():
        for event in state.feed(batch):
            links.take(event)
    found = links.verdicts()
    named = [next((one.trouble for one in found if one.source == source), "") for source in (1, 2)]
    return named[0], named[1]
