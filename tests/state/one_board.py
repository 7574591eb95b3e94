"""One board and one host, joined by a line that may lose what goes up: whatever may happen to a board in its life."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st

from benchcon.state import BenchState
from benchcon.wire.board import BoardSide
from benchcon.wire.codec import Splitter
from benchcon.wire.host import HostSide
from benchcon.wire.items import items
from benchcon.wire.records import BENCH, BYTES_UP, LINK, NOTE, Batch

ACTS = ("move", "turn", "set", "dark", "light", "lose", "reset", "noise", "unplug", "hang", "mark", "run")

ITEMS = items(
    ("board", "", {}),
    ("model", "", {"text": "test board"}),
    ("contact", "sw1", {"raw": "1", "inv": "1", "label": "Stop bar"}),
    ("encoder", "e1", {"det": "4"}),
    ("pot", "p1", {"top": "03FF"}),
    ("lamp", "l1", {"dim": "1"}),
    ("display", "d1", {"digits": "3"}),
)


class Bench:
    """The two of them; every record is kept."""

    def __init__(self) -> None:
        self.now_us = 0
        self.board = BoardSide("lighting", "Lighting desk", ITEMS)
        self.host = HostSide(0)
        self.state = BenchState()
        self.stream: list[Batch] = []
        self._down, self._up = Splitter("down"), Splitter("up")
        self.lose: Callable[[bytes], bool] = lambda line: False
        self.record(Batch(0, 1, LINK, [b"opened port=/dev/ttyUSB0"]))
        self.host.bring_up(0)
        self.run(40)

    def record(self, batch: Batch) -> list[Any]:
        self.stream.append(batch)
        return self.state.feed(batch)

    def run(self, turns: int) -> None:
        for _ in range(turns):
            self.now_us += 1000
            out = self.host.to_send(self.now_us)
            for kind, bodies in self._down.feed(out):
                self.record(Batch(self.now_us, 1, kind, bodies))
            self.board.feed(out, self.now_us)
            lines = [line for line in self.board.take().splitlines(True) if not self.lose(line)]
            for kind, bodies in self._up.feed(b"".join(lines)):
                self.host.heard(self.record(Batch(self.now_us, 1, kind, bodies)), self.now_us)

    def live_through(self, data: st.DataObject) -> None:
        """Do up to twelve things that may happen."""
        for _ in range(data.draw(st.integers(1, 12))):
            act = data.draw(st.sampled_from(ACTS))
            if act == "move":
                self.board.change({"sw1": data.draw(st.integers(0, 1))}, self.now_us)
            elif act == "turn":
                self.board.change({"e1": data.draw(st.integers(0, 0xFFFF))}, self.now_us)
            elif act == "set":
                self.host.ask(("set", f"l1={data.draw(st.integers(0, 1000)):03X}"), self.now_us)
            elif act == "dark":
                self.host.dark(self.now_us)
            elif act == "light":
                self.host.ask(("light",), self.now_us)
            elif act == "lose":
                self.lose = data.draw(st.sampled_from([lambda line: False, lambda line: line[:1] == b"!"]))
            elif act == "reset":
                self.board.reset(self.now_us)
            elif act == "noise":
                self.record(Batch(self.now_us, 1, BYTES_UP, [data.draw(st.binary(max_size=80))]))
            elif act == "unplug":
                self.record(Batch(self.now_us, 1, LINK, [b"lost why=unplugged"]))
                self.now_us += data.draw(st.integers(0, 10_000_000))
                self.board.change({"sw1": data.draw(st.integers(0, 1))}, self.now_us)
                self.board.take()
                self.record(Batch(self.now_us, 1, LINK, [b"opened port=/dev/ttyUSB0"]))
                self.host.bring_up(self.now_us)
            elif act == "hang":
                self.now_us += data.draw(st.integers(0, 10_000_000))
            elif act == "mark":
                self.record(Batch(self.now_us, BENCH, NOTE, [b"mark here"]))
            self.run(data.draw(st.integers(0, 600)))
