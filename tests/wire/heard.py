"""One board's stream, said line by line to an observer."""

from __future__ import annotations

from collections.abc import Sequence

from benchcon.wire import codec
from benchcon.wire.events import Answered, Event
from benchcon.wire.observed import Counters
from benchcon.wire.observer import Observer
from benchcon.wire.records import LINE_DOWN, LINE_UP, Batch


class Heard:
    """Lines go in, a millisecond apart; events come out."""

    def __init__(self) -> None:
        self.observer = Observer()
        self.at_us = 0

    def feed(self, kind: str, *bodies: bytes) -> list[Event]:
        self.at_us += 1_000
        return self.observer.feed(Batch(self.at_us, 1, kind, list(bodies)))

    def notification(self, number: int, clock: int, words: str) -> list[Event]:
        return self.feed(LINE_UP, codec.notification(number, clock, words.split(" ")))

    def ask(self, tag: int, words: str) -> list[Event]:
        return self.feed(LINE_DOWN, codec.request(tag, words.split(" ")))

    def answer(self, tag: int, words: str) -> Answered:
        *_, answered = self.feed(LINE_UP, codec.answer(tag, words.split(" ")))
        assert isinstance(answered, Answered)
        return answered

    def hand(self, words: str) -> None:
        self.feed(LINE_DOWN, codec.by_hand(words.split(" ")))

    @property
    def counters(self) -> Counters:
        return self.observer.counters(1)


def kinds(events: Sequence[Event]) -> list[str]:
    return [type(event).__name__ for event in events]
