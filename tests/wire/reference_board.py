"""The reference board of `protocols/vectors/board.txt` as a `BoardSide`, and a client that speaks lines to it."""

from __future__ import annotations

from wire.vector_files import blocks, only

from benchcon.wire import codec
from benchcon.wire.board import BoardSide
from benchcon.wire.items import Item, item_of


def description() -> list[Item]:
    found = []
    for block in blocks("board.txt"):
        item = item_of(["item", only(block, "item"), *only(block, "words").split(" ")])
        assert item is not None
        found.append(item)
    return found


class Rig:
    """A board, its clock, and lines to and from it as a host would see them."""

    def __init__(self, **options: object) -> None:
        self.now_us = 0
        self.board = BoardSide("reference", "Reference desk", description(), now_us=0, **options)  # type: ignore[arg-type]
        self._splitter = codec.Splitter("up")

    def send(self, words: str, tag: int = 1) -> None:
        self.raw(codec.request(tag, words.split(" ")) + b"\n")

    def raw(self, data: bytes) -> None:
        self.board.feed(data, self.now_us)

    def lines(self) -> list[str]:
        """What the board has said since, line by line without checks; every line must be a good one."""
        said = []
        for kind, bodies in self._splitter.feed(self.board.take()):
            assert kind == "<", bodies
            said += [body[:-6].decode() for body in bodies]
        assert self._splitter.pending == 0
        return said

    def answer(self, words: str, tag: int = 1) -> str:
        """Ask, and return the answer's words; notifications that waited are skipped."""
        self.lines()
        self.send(words, tag)
        (answer,) = (line for line in self.lines() if line.startswith(f"<{tag:02X} "))
        return answer[4:]

    def wait(self, ms: int) -> None:
        """Let time go by, the board doing what is due on the way."""
        until_us = self.now_us + ms * 1000
        while (due_us := self.board.next_us()) <= until_us:
            self.now_us = max(self.now_us, due_us)
            self.board.tick(self.now_us)
        self.now_us = until_us
        self.board.tick(until_us)

    def outputs(self) -> str:
        outputs = [channel for channel in self.board.channels.values() if channel.is_output]
        return " ".join(f"{channel.id}={self.board.values[channel.id]:0{channel.width}X}" for channel in outputs)
