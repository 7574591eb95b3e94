"""A host and a hand at one simulated board, in virtual time."""

from __future__ import annotations

from rig.panels import desk

from benchcon.rig.board import SimBoard
from benchcon.rig.control import obey
from benchcon.rig.faults import fault_of_words
from benchcon.rig.wiring import Wiring
from benchcon.wire import codec
from benchcon.wire.records import LINE_UP


class Host:
    """A host and a hand at one board, in virtual time."""

    def __init__(self, *texts: str, plan: Wiring | None = None, seed: int = 1) -> None:
        faults = [fault_of_words(text.split()) for text in texts]
        self.board = SimBoard(plan or desk(), seed=seed, faults=faults)
        self.now_us = 0
        self.raw = b""
        self.splitter = codec.Splitter("up")
        self.lines: list[codec.Parsed] = []
        self.bad = 0
        self.board.start(0)
        self.run(0)

    def run(self, ms: float) -> None:
        """Let time pass."""
        end_us = self.now_us + int(ms * 1000)
        while (due_us := self.board.next_us()) is not None and due_us <= end_us:
            self.now_us = max(due_us, self.now_us)
            self.board.run(self.now_us)
            self._take()
        self.now_us = end_us
        self.board.run(end_us)
        self._take()

    def _take(self) -> None:
        data = self.board.take()
        self.raw += data
        for kind, bodies in self.splitter.feed(data):
            if kind == LINE_UP:
                self.lines += [codec.parse(body) for body in bodies]
            else:
                self.bad += len(bodies)

    def ask(self, *words: str, ms: float = 20) -> tuple[str, ...]:
        """Ask the board; return the answer's words, nothing if none came."""
        seen = len(self.lines)
        self.board.feed(codec.request(1, words) + b"\n", self.now_us)
        self.run(ms)
        return next((line.words for line in self.lines[seen:] if line.kind == "answer"), ())

    def hand(self, request: str) -> str:
        """Ask the hand; let time pass until it has answered."""
        answers: list[str] = []
        obey(self.board, request.encode(), self.now_us, answers.append)
        for _ in range(2000):
            if answers:
                break
            self.run(5)
        self._take()
        return answers[0]

    def notifications(self, word: str) -> list[tuple[str, ...]]:
        return [line.words for line in self.lines if line.kind == "notification" and line.words[0] == word]

    def lit(self) -> dict[str, int]:
        words = self.hand("lit").split()
        return {word.partition("=")[0]: int(word.partition("=")[2]) for word in words[1:]}
