"""The keys that answer the walk's questions. Repeats of a held key, and keys that come too soon, are not answers."""

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
"""Keys that go back, and need not wait because they prove nothing; only their repeats are ignored."""
WAYS_OUT = ("s", "w", *ANY_TIME)
"""Keys that leave a step even while the walk waits for a board, because they prove nothing."""
GUARDED = ("enter", "x", "s", "w", *ANY_TIME)


def _now() -> float:
    """Return the time on the clock that stamps keys, in seconds."""
    return Message().time


class AnswerKeys:
    """Runs the screen's bindings for the keys in `GUARDED`, once for each press that is meant as an answer."""

    def __init__(self, screen: Screen[None], run: Callable[[str], Awaitable[None]], early: Callable[[], None]) -> None:
        """`run` does what a key is bound to; `early` tells the person that a key came too soon."""
        self._screen, self._run, self._early = screen, run, early
        self._guard = Guard()
        self._waits = False

    def asked(self, scene: Scene) -> None:
        """Note that `scene` is on the screen from now on; keys pressed before came too soon for it."""
        self._waits = bool(scene.trouble)
        if scene.state in ("ask", "look") and not scene.trouble:
            self._guard.asked(scene.number, _now())
        else:
            self._guard.nothing_asked()

    def stands(self) -> bool:
        """Return whether an answer counts now."""
        return self._guard.stands(_now())

    async def press(self, event: events.Key) -> None:
        """Handle a key, and stop it from reaching anything else."""
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
