"""How much processor time the link may spend on what boards send while a screen is shown. No clock of its own.

A board may send without end, far more than a screen can show. What is not read waits in the system's buffers, and then
at the board. Nothing is lost by that, and the screen, its keys and the other boards go on.
"""

from __future__ import annotations

SCREEN = "screen"
"""The name under which the program that the user looks at calls `Bench.beat`."""

MOST = 0.3
"""Share of one processor."""
BURST_S = 0.004
"""Longest time without a rest: several full reads."""
REST_MOST_S = 0.02


class Share:
    """The share of all ports of a bench together; a port that used too much has to rest."""

    def __init__(self) -> None:
        self._left_s = BURST_S
        self._then_s = 0.0

    def rest(self, used_s: float, now_s: float) -> float:
        """Return for how many seconds not to read a port that has just used `used_s`; 0: read on."""
        self._left_s = min(self._left_s + (now_s - self._then_s) * MOST, BURST_S) - used_s
        self._then_s = now_s
        if self._left_s >= 0:
            return 0.0
        return min(-self._left_s / MOST, REST_MOST_S)
