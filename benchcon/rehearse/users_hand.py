"""The user's own hand on simulated controls, beside that of a scenario."""

from __future__ import annotations

from collections.abc import Callable

from benchcon.rig.hand import Hand

MOVING = frozenset({"press", "release", "put", "turn", "unplug", "replug", "reset", "fault"})
"""Words of a hand by which a user takes over from the scenario's."""


class UsersHand(Hand):
    """The user's own hand: as soon as it moves something, the scenario's keeps off."""

    def __init__(self, control: str, takes_over: Callable[[], None]) -> None:
        super().__init__(control)
        self._takes_over = takes_over

    def ask(self, *words: str, allow_s: float = 0.0) -> list[str]:
        """As `Hand.ask`."""
        if words[0] in MOVING:
            self._takes_over()
        return super().ask(*words, allow_s=allow_s)
