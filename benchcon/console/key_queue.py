"""Keys are handled one after the other, so that what is typed ahead goes where it was meant.

A key may open a question, and the next key may come before the question stands and has the keyboard. Textual hands each
key to whatever has the keyboard at that moment; here the next one waits until the one before has gone all its way, and
until a question that it opened can take it.
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
"""Dark and leaving wait for nothing."""
LOST_S = 1.0
"""After this long without word the next key is sent anyway: what had the keyboard may be gone."""
LOOK_S = 0.01
_ROUNDS = 2
"""What a key does may itself send a word the same way (a line is taken); the second round comes after that."""


class Handled(Message):
    """Follows a key through the same queues, and so arrives at the application when all has been done with the key."""

    def __init__(self, number: int, rounds: int) -> None:
        super().__init__()
        self.number, self.rounds = number, rounds


class TypedAhead:
    """The keys that wait for the one before them."""

    def __init__(self, app: App[Any], hand_on: Callable[[events.Event], Awaitable[None]]) -> None:
        self._app, self._hand_on = app, hand_on
        self._waiting: deque[events.Event] = deque()
        self._number = 0
        self._busy_s: float | None = None
        """Since when a key is on its way."""

    async def take(self, event: events.Event) -> bool:
        """Take a key or what is pasted, now or in its turn; False for everything else."""
        if not isinstance(event, events.Key | events.Paste) or event.is_forwarded:
            return False
        if isinstance(event, events.Key) and event.key in AT_ONCE:
            if event.key in DARK_KEYS:
                # Dark overtakes what waits: an end of dark that was pressed before it must not come after it.
                self._waiting = deque(each for each in self._waiting if _name(each) not in END_DARK_KEYS)
            return False
        self._waiting.append(event)
        await self.go_on()
        return True

    async def go_on(self) -> None:
        """Hand on the next key, if none is on its way."""
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
        """The word behind a key has come through."""
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
