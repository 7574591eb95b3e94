"""A bench of boards whose true clocks and delays are known, as the records of its stream."""

from __future__ import annotations

import heapq
import itertools
import random
from collections.abc import Callable
from pathlib import Path

from replay.story import write
from timing.simulated_clocks import Clock

from benchcon.timing.timing import Timing
from benchcon.wire import codec
from benchcon.wire.records import LINE_DOWN, LINE_UP, LINK, Batch

PANEL = """
[boards.left]
[boards.right]

[controls.hdg_button]
kind = "button"
channel = "left.b1"

[controls.mains]
kind = "switch"
channel = "left.sw1"

[controls.course]
kind = "encoder"
channel = "left.e1"

[lamps.hdg_lit]
channel = "left.l1"
answers = "hdg_button"
within = "100 ms"

[lamps.hdg_far]
channel = "right.l1"
answers = "hdg_button"
within = "100 ms"

[displays.course_shown]
channel = "right.d1"
digits = 3
answers = "course"

[lamps.other]
channel = "right.l2"
"""
ITEMS = {
    1: ("left", ["contact b1", "contact sw1", "encoder e1 det=4", "lamp l1 dim=1"]),
    2: ("right", ["display d1 digits=3", "lamp l1 dim=1", "lamp l2 dim=1"]),
}


class KnownDelays:
    """Moves and sets at true times; what the bench hears of them comes in order, after the line's delays."""

    def __init__(self, clocks: dict[int, Clock] | None = None, seed: int = 1, pings: bool = True) -> None:
        self.clocks = clocks or {1: Clock(60, start_us=5e6), 2: Clock(-90, start_us=70e6)}
        self.rng = random.Random(seed)
        self.pings = pings
        self._due: list[tuple[float, int, Callable[[int], Batch]]] = []
        self._order = itertools.count()
        self._tags = itertools.count(1)
        self.number = dict.fromkeys(ITEMS, 0)
        self.last_us = 0.0
        for source, (ident, items) in ITEMS.items():
            port = f"port=/dev/tty{source}"
            self._link(source, f"opened {port} rate=115200")
            self._link(source, f"ident ident={ident} {port}")
            for index, item in enumerate([f"board ident={ident}", *items]):
                self._ask(source, 1_000.0, 2_000.0, f"item {index:02X}", f"item {index:02X} {item}", 250 - index)

    def _link(self, source: int, text: str) -> None:
        self._at(0, lambda at: Batch(at, source, LINK, [text.encode()]))

    def _at(self, at_us: float, make: Callable[[int], Batch]) -> None:
        heapq.heappush(self._due, (at_us, next(self._order), make))

    def _ask(self, source: int, sent: float, heard: float, request: str, answer: str, tag: int) -> None:
        down, up = codec.request(tag, request.split(" ")), codec.answer(tag, answer.split(" "))
        self._at(sent, lambda at: Batch(at, source, LINE_DOWN, [down]))
        self._at(heard, lambda at: Batch(at, source, LINE_UP, [up]))

    def _clock(self, source: int, at_us: float) -> int:
        return int(self.clocks[source].shown(at_us)) % 2**32

    def move(self, at_us: float, value: str, source: int = 1) -> None:
        """An input is accepted as changed at this true time, and told a little later."""
        self._tell(at_us, ["is", value], source)

    def edges(self, at_us: float, *words: str, source: int = 1) -> None:
        """A contact whose edges are told raw: its id with the level, then the times between edges in hex."""
        self._tell(at_us, ["edge", *words], source)

    def _tell(self, at_us: float, words: list[str], source: int) -> None:
        self.last_us = max(self.last_us, at_us)

        def make(at: int) -> Batch:
            number = self.number[source]
            self.number[source] += 1
            return Batch(at, source, LINE_UP, [codec.notification(number, self._clock(source, at_us), words)])

        self._at(at_us + self.rng.uniform(2700, 4500), make)

    def set(self, at_us: float, value: str, source: int = 1) -> None:
        """An output is really as asked at this true time; the request went out before, the answer comes after."""
        self.last_us = max(self.last_us, at_us)
        tag = next(self._tags) % 200 + 1
        sent, heard = at_us - self.rng.uniform(1900, 3000), at_us + self.rng.uniform(2200, 4000)
        self._ask(source, sent, heard, f"set {value}", f"set {self._clock(source, at_us):08X}", tag)

    def dark(self, at_us: float, word: str = "dark", source: int = 1) -> None:
        """Dark, or ``light``, is asked for and done."""
        tag = next(self._tags) % 200 + 1
        self._ask(source, at_us - 2500, at_us + 2500, word, f"{word} {self._clock(source, at_us):08X}", tag)

    def stream(self, more_us: float = 3_000_000) -> list[Batch]:
        """Everything up to now, pings at 4 Hz among it, and so much silence after it."""
        end = self.last_us + more_us
        if self.pings:
            for source in ITEMS:
                for at in range(100_000 + source * 7_000, int(end), 250_000):
                    out, busy = self.rng.uniform(2900, 3100), self.rng.uniform(50, 300)
                    back = self.rng.uniform(2900, 4000)
                    stamps = f"{self._clock(source, at + out):08X} {self._clock(source, at + out + busy):08X}"
                    tag = 201 + at // 250_000 % 40
                    self._ask(source, at, at + out + busy + back, "ping 00000000 00000000", f"ping {stamps}", tag)
        self._at(end, lambda at: Batch(at, 1, LINK, [b"idle"]))
        found = []
        while self._due:
            at, _, make = heapq.heappop(self._due)
            found.append(make(int(at)))
        return found

    def timing(self) -> Timing:
        """What comes of it."""
        timing = Timing()
        for batch in self.stream():
            timing.feed(batch)
        return timing

    def write(self, path: Path, panel: str = "") -> Path:
        """It as a capture, which may carry a panel file."""
        return write(path, self.stream(), panel=panel)
