"""How much of the time the link takes for what boards say while somebody looks at a screen. No clock of its own.

A board may send without end, far more than a screen can take in. What is not read waits in the system's buffers, and
then at the board: nothing is lost by it, and the screen, its keys and the other boards go on.
"""

from __future__ import annotations

SCREEN = "screen"
"""Who beats for the program that the user looks at."""

MOST = 0.3
"""Share of one processor."""
BURST_S = 0.004
"""How much is taken at a time without a rest: several full reads."""
REST_MOST_S = 0.02


class Share:
    """All ports of a bench together; what one has used up too much, it waits for."""

    def __init__(self) -> None:
        self._left_s = BURST_S
        self._then_s = 0.0

    def rest(self, used_s: float, now_s: float) -> float:
        """Return how long to leave a port unread that has just used this much time; 0 for not at all."""
        self._left_s = min(self._left_s + (now_s - self._then_s) * MOST, BURST_S) - used_s
        self._then_s = now_s
        if self._left_s >= 0:
            return 0.0
        return min(-self._left_s / MOST, REST_MOST_S)
