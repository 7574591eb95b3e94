"""The keys that answer the walk's questions: one held down, or come before anybody can have looked, is none."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

from textual import events
from textual.message import Message

from benchcon.walk.guard import AFTER_S, Guard, Press

if TYPE_CHECKING:
    from textual.screen import Screen

    from benchcon.walk.interfaces import Scene

ANY_TIME = ("u", "r")
"""They lead back and prove nothing, so they need not wait; only their repeats are left out."""
WAYS_OUT = ("s", "w", *ANY_TIME)
"""They lead out of a walk that waits for a board, and prove nothing."""
GUARDED = ("enter", "x", "s", "w", *ANY_TIME)


def _now() -> float:
    """The clock that keys are stamped with."""
    return Message().time


class AnswerKeys:
    """Stands before the screen's bindings for `GUARDED`: it runs them itself, once for each press that is meant."""

    def __init__(self, screen: Screen[None], run: Callable[[str], Awaitable[None]], early: Callable[[], None]) -> None:
        """`run` does what a key is bound to; `early` tells the person that the key came too soon."""
        self._screen, self._run, self._early = screen, run, early
        self._guard = Guard()
        self._waits = False

    def asked(self, scene: Scene) -> None:
        """This is how the walk stands on the screen from now on; a key pressed before was pressed too soon."""
        self._waits = bool(scene.trouble)
        if scene.state in ("ask", "look") and not scene.trouble:
            self._guard.asked(scene.number, _now())
        else:
            self._guard.nothing_asked()

    def stands(self) -> bool:
        """Whether an answer counts now."""
        return self._guard.stands(_now())

    async def press(self, event: events.Key) -> None:
        """Take a key, and keep it from all others."""
        event.stop()
        event.prevent_default()
        verdict = self._guard.pressed(event.key, event.time)
        if verdict is Press.EARLY and event.key in (WAYS_OUT if self._waits else ANY_TIME):
            verdict = Press.TAKEN
        if verdict is Press.TAKEN:
            await self._run(event.key)
        elif verdict is Press.EARLY:
            self._early()
        elif verdict is Press.MAYBE:
            key = event.key

            async def settle() -> None:
                if self._guard.settled() is Press.TAKEN:
                    await self._run(key)

            self._screen.set_timer(AFTER_S, settle)
