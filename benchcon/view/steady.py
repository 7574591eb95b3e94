"""Keeps the screen itself from flashing, as WCAG 2.3.1 requires. Pure: times are arguments.

| on the screen | what is limited | how |
|---|---|---|
| the large letters | every change of their text | three in any second, the first two at once |
| a part on the face | going back and forth between states | three changes in any second, then a count of them |

Three changes are one and a half flashes. A selector swept through its positions, a turned knob and a counting number
are shown as they move, because they do not go back and forth. Once a part has been quiet for `QUIET_US`, it is shown as
it is again.
"""

from __future__ import annotations

from benchcon.link.limits import DISPLAY_SWING, WINDOW_US, display_height

MOST = 3
"""Most changes in any one second."""
QUIET_US = 500_000
"""Time without a change after which a part that went back and forth is at rest."""

CHATTERS, CHATTERS_A_SECOND = 6, 8
"""At least this many changes, at this rate or faster, are not a hand tapping a button: the contact chatters."""

LEVEL_SWING = 100
"""Permille of a lamp's lightness that counts as a change on the screen."""
SHARE_SWING = 250
"""Permille of a potentiometer's travel that counts as a change on the screen."""


class SteadyPace:
    """Lets at most `MOST` changes pass in any one second, evenly spread in a steady stream."""

    def __init__(self) -> None:
        self._times: list[int] = []

    def wait_us(self, now_us: int) -> int:
        """Return how long the next change has to wait, in microseconds; 0: it may pass now."""
        times = self._times
        if len(times) < MOST - 1 or now_us - times[1 - MOST] >= WINDOW_US:
            return 0  # fewer than `MOST - 1` in the last second
        opens_us = times[-1] + WINDOW_US // MOST
        if len(times) >= MOST:
            opens_us = max(opens_us, times[-MOST] + WINDOW_US)
        return max(opens_us - now_us, 0)

    def go(self, now_us: int) -> None:
        """Record that a change passes at `now_us`."""
        self._times = [*self._times[-MOST:], now_us]


class Steady:
    """One part on the face. `swing` is how far its state must move to count as a change."""

    __slots__ = (
        "_before",
        "_changes",
        "_count",
        "_held_from",
        "_held_since_us",
        "_moves",
        "_pace",
        "_seen",
        "_shown",
        "_turned_us",
        "chatters",
        "swing",
    )  # fmt: skip

    def __init__(self, swing: int = 1) -> None:
        self.swing = swing
        self._seen: int | None = None
        """The state at the last look."""
        self._before: list[tuple[int, int, int]] = []
        """For each change shown in the last second: its time, the state before, and the number of changes until
        then."""
        self._changes = 0
        self._moves = 0
        self._turned_us = 0
        """When it last changed (µs)."""
        self._held_from: int | None = None
        """The value of `_changes` when it began to go back and forth; None while every change is shown."""
        self._held_since_us = 0
        self._shown = 0
        """The state that was last shown before that."""
        self._pace = SteadyPace()
        self._count = 0
        self.chatters = False
        """Whether the held part changes faster than a hand can move it."""

    def take(self, state: int, now_us: int, moves: int = 0) -> int:
        """Return 0 if the part may be shown as it is, or the number of changes to show instead.

        `moves` counts every change of the part, including those between two looks; if it is 0, changed looks count.
        """
        if self._seen is None:
            self._seen, self._moves = state, moves
            return 0
        before, moved = self._seen, moves - self._moves
        changed = abs(state - before) >= self.swing or moved > 1  # there and back between two looks
        if not changed and not moved and not self._before and self._held_from is None:
            self._seen = state
            return 0
        so_far = self._changes
        self._seen, self._moves = state, moves
        if changed or moved > 0:
            self._changes += max(moved, int(changed))
            self._turned_us = now_us
        self._before = [each for each in self._before if now_us - each[0] < WINDOW_US]
        if self._held_from is not None:
            return self._hold(state, now_us)
        if changed:
            returns = any(abs(state - old) < self.swing for _, old, _ in self._before)
            if returns and len(self._before) >= MOST:
                self._held_since_us, _, self._held_from = self._before[0]
                self._shown, self._count, self.chatters = before, 0, False
                return self._hold(state, now_us)
            self._before.append((now_us, before, so_far))
        return 0

    def _hold(self, state: int, now_us: int) -> int:
        if now_us - self._turned_us >= QUIET_US and len(self._before) < MOST:
            self._held_from = None
            self._before.append((now_us, self._shown, self._changes))
            return 0
        if not self._count or not self._pace.wait_us(now_us):
            self._pace.go(now_us)
            self._count = self._changes - (self._held_from or 0)
            since_us = max(now_us - self._held_since_us, 1)
            self.chatters |= self._count >= CHATTERS and self._count * 1_000_000 >= CHATTERS_A_SECOND * since_us
        return self._count


def swing_of(kind: str) -> int:
    """Return how far the state of a part of this kind (``lamp``, ``pot``, or any other) must move to be a change."""
    return {"lamp": LEVEL_SWING, "display": DISPLAY_SWING, "pot": SHARE_SWING}.get(kind, 1)


def state_of(kind: str, step: int, level: int, segments: bytes) -> int:
    """Return the state of a part as a number that moves by at least `swing_of` its kind with each change."""
    if kind == "display":
        return display_height(int.from_bytes(segments, "big"), len(segments))
    if kind == "lamp":
        return level if level else -LEVEL_SWING
    return level if kind == "pot" else step
