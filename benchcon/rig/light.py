"""Counts the flashes of a lamp as the eye sees them."""

from __future__ import annotations

from collections import deque

from benchcon.panel.lightness import duty_of

_SECOND_US = 1_000_000
_CHANGE = 0.10
_DARKER = 0.80


class Flashes:
    """Counts flashes as WCAG 2 defines a general flash (success criterion 2.3.1).

    A flash is a pair of opposing changes of relative luminance by a tenth or more, the darker state being below 0.80.
    The limit is three in any one second.
    """

    def __init__(self) -> None:
        self.most = 0
        """The greatest number of flashes in any one second so far."""
        self._turned: deque[int] = deque(maxlen=4096)
        self._low = self._high = 0.0
        self._rising: bool | None = None

    def see(self, at_us: int, level_permille: int) -> None:
        """Take the lightness, 0 to 1000, that the lamp has from `at_us` on."""
        now = duty_of(level_permille)  # the duty is the relative luminance
        if self._rising is not True and now - self._low >= _CHANGE and self._low < _DARKER:
            self._turn(at_us, True)
            self._high = now
        elif self._rising is not False and self._high - now >= _CHANGE and now < _DARKER:
            self._turn(at_us, False)
            self._low = now
        elif self._rising:
            self._high = max(self._high, now)
        else:
            self._low = min(self._low, now)

    def _turn(self, at_us: int, rising: bool) -> None:
        self._rising = rising
        turned = self._turned
        turned.append(at_us)
        while turned[0] <= at_us - _SECOND_US:
            turned.popleft()
        self.most = max(self.most, len(turned) // 2)
