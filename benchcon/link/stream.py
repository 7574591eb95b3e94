"""The stream of a bench: all its records in one order, observed once, and those who follow it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from benchcon.link.records import link_record
from benchcon.text import printable
from benchcon.wire.events import Event
from benchcon.wire.observer import Observer
from benchcon.wire.records import BENCH, Batch

Listener = Callable[[list[Batch]], None]
Follower = Callable[[list[Batch], list[Sequence[Event]]], None]
"""Called with batches and, for each, the events that the bench's observer made of it."""


class Stream:
    """Takes records on one thread, and passes them to everyone else in the same order.

    A follower or listener that raises is not called again, and a link record ``dismissed`` says so: its fault must not
    stop the boards. If not `careful`, the exception goes to the caller of `emit` instead.
    """

    def __init__(self, observer: Observer | None = None, *, careful: bool = True) -> None:
        self.observer = observer or Observer()
        self.lock = threading.RLock()
        """Held while a batch is observed and followers are called; whoever holds it sees both at the same moment."""
        self._careful = careful
        self._followers: tuple[Follower, ...] = ()
        self._listeners: tuple[Listener, ...] = ()
        self._queue: list[list[Batch]] = []
        self._telling = False
        self._last_us = 0

    def follow(self, follower: Follower) -> Callable[[], None]:
        """Call `follower` with all batches and their events, with `lock` held; return a function that ends this."""
        with self.lock:
            self._followers = (*self._followers, follower)
        return lambda: self._leave(follower)

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Call `listener` with all batches, after all followers; return a function that ends this."""
        with self.lock:
            self._listeners = (*self._listeners, listener)
        return lambda: self._leave(listener)

    def _leave(self, who: Listener | Follower) -> None:
        with self.lock:
            self._followers = tuple(each for each in self._followers if each != who)
            self._listeners = tuple(each for each in self._listeners if each != who)

    def emit(self, batches: list[Batch]) -> list[Sequence[Event]]:
        """Pass batches to all followers and listeners; return the events of each batch.

        Stamps never decrease: a batch stamped before the last one that was emitted gets the stamp of that. Batches
        emitted by a follower or listener wait until all have been called; that call returns no events.
        """
        for index, batch in enumerate(batches):
            if batch.at_us < self._last_us:
                batches[index] = batch._replace(at_us=self._last_us)
            else:
                self._last_us = batch.at_us
        if self._telling:
            self._queue.append(batches)
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
            for follower in self._followers:
                try:
                    follower(batches, happened)
                except Exception as error:
                    self._dismiss(follower, error)
        for listener in self._listeners:
            try:
                listener(batches)
            except Exception as error:
                self._dismiss(listener, error)
        return happened

    def _dismiss(self, who: Listener | Follower, error: Exception) -> None:
        if not self._careful:
            raise error
        self._leave(who)
        what = printable(f"{type(error).__name__}: {error}")[:200]
        self._queue.append([link_record(self._last_us, BENCH, "dismissed", why=what)])
