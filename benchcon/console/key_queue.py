"""Handles keys one after the other, so that keys typed ahead go where they were meant.

A key may open a question, and the next key may come before the question has the focus. Textual gives each key to
whatever has the focus at that moment; here a key waits until the one before has been handled completely, and until a
question that it opened can take keys.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Any

from textual import events
from textual.app import App
from textual.message import Message

from benchcon.console.ask import Ask
from benchcon.view.dark_keys import DARK_KEYS, END_DARK_KEYS

LEAVE_KEYS = ("ctrl+q", "ctrl+c", "ctrl+backslash")
AT_ONCE = frozenset((*DARK_KEYS, *LEAVE_KEYS))
"""The keys for dark and for leaving, which do not wait."""
LOST_S = 1.0
"""Time after which the next key is sent in any case, as the widget with the focus may be gone."""
LOOK_S = 0.01
_ROUNDS = 2
"""Number of times that `Handled` is sent. A key's action may itself post a message, after which the second one
comes."""


class Handled(Message):
    """Follows a key through the same queues, and so reaches the app when the key has been handled completely."""

    def __init__(self, number: int, rounds: int) -> None:
        super().__init__()
        self.number, self.rounds = number, rounds


class TypedAhead:
    """The queue of keys that wait for the one before them."""

    def __init__(self, app: App[Any], hand_on: Callable[[events.Event], Awaitable[None]]) -> None:
        self._app, self._hand_on = app, hand_on
        self._waiting: deque[events.Event] = deque()
        self._number = 0
        self._busy_s: float | None = None
        """Since when a key is being handled; None if none is."""

    async def take(self, event: events.Event) -> bool:
        """Take a key or pasted text, at once or in turn; return False for other events."""
        if not isinstance(event, events.Key | events.Paste) or event.is_forwarded:
            return False
        if isinstance(event, events.Key) and event.key in AT_ONCE:
            if event.key in DARK_KEYS:
                # Dark overtakes the queue, but an end of dark that was pressed before must not come after it.
                self._waiting = deque(each for each in self._waiting if _name(each) not in END_DARK_KEYS)
            return False
        self._waiting.append(event)
        await self.go_on()
        return True

    async def go_on(self) -> None:
        """Pass on the next key, unless one is being handled."""
        if self._busy_s is not None and time.monotonic() - self._busy_s > LOST_S:
            self._busy_s = None
        if self._busy_s is None and self._waiting and self._app.is_running:
            self._busy_s = time.monotonic()
            self._number += 1
            await self._hand_on(self._waiting.popleft())
            self._follow(_ROUNDS)

    def _follow(self, rounds: int) -> None:
        (self._app.focused or self._app.screen).post_message(Handled(self._number, rounds))

    async def handled(self, message: Handled) -> None:
        """Take the message that follows a key."""
        if message.number != self._number or self._busy_s is None:
            return
        if message.rounds > 1:
            self._follow(message.rounds - 1)
            return
        screen = self._app.screen
        if not screen.is_mounted or (isinstance(screen, Ask) and screen.focused is None):
            self._app.set_timer(LOOK_S, lambda: self.handled(message))
            return
        self._busy_s = None
        await self.go_on()


def _name(event: events.Event) -> str:
    return event.key if isinstance(event, events.Key) else ""
