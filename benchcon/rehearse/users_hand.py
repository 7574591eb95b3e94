"""The user's own hand on simulated controls, besides that of a scenario."""

from __future__ import annotations

from collections.abc import Callable

from benchcon.rig.hand import Hand

MOVING = frozenset({"press", "release", "put", "turn", "unplug", "replug", "reset", "fault"})
"""Words of a hand with which the user takes over from the scenario."""


class UsersHand(Hand):
    """The user's own hand; `takes_over` is called when it moves something, so that the scenario's hand stops."""

    def __init__(self, control: str, takes_over: Callable[[], None]) -> None:
        super().__init__(control)
        self._takes_over = takes_over

    def ask(self, *words: str, allow_s: float = 0.0) -> list[str]:
        """Send a request as `Hand.ask` does, and take over if it moves something."""
        if words[0] in MOVING:
            self._takes_over()
        return super().ask(*words, allow_s=allow_s)
