"""The limits that protect people and parts, kept here for everyone: whatever asks, no output gets round them.

**Flashing.** WCAG 2.3.1: no more than three flashes in any one second, a flash being a *pair of opposing changes*. Each
such pair holds exactly one rise, so it is enough to hold back rises: falls, and turning off above all, pass at once.
What counts as a rise of one output:

| output | its height | a swing that counts |
|---|---|---|
| lamp that can be dimmed | its level in permille of lightness; off is `DIMMED_SWING` below zero | ≥ 30 permille |
| any other lamp | the same | any |
| digits | lit segments in permille of all; blank is `DIGITS_SWING` below zero | ≥ 500 permille |

So any change between off and lit counts, however faint, and so does blanking a display; counting up and down does not,
since what swings then is less than half of the segments. 30 permille of lightness is 7.6 % of full luminance where
lightness is steepest in luminance, at the top (CIE 1976), and WCAG lets changes under 10 % pass. Levels creeping up and
down in smaller steps are followed from turning point to turning point: what counts is the swing, not the step. A rise
in several steps is one rise, and lasts until its last step.

| rises in the last second | the output goes | then |
|---|---|---|
| any | down, or up by less than a swing, or further up in the same rise | passes |
| fewer than 3 | up by a swing | passes, and is counted |
| 3 | up by a swing | held back; the last level wanted is set as soon as the second is over |

A rise on its way counts from its *answer*, not from its sending: until the board has said that the lamp is lit it may
still be about to. That, and a second of `WINDOW_US`, keeps the promise on the board's side of the wire too.

**Current.** Each board has a budget, and each output its share of it; see `Allowance`. What would take a board over it
is held back until there is room. A fall makes room when it is confirmed, so lost and repeated lines never exceed it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from benchcon.panel.lightness import duty_of
from benchcon.panel.model import Panel

RISES_MOST = 3
"""Flashes allowed in any one second (WCAG 2.3.1)."""
WINDOW_US = 1_050_000
"""One second, and a twentieth for board clocks that are off (ceramic resonators: ±0.5 %) and for measuring."""
DIMMED_SWING = 30
DIGITS_SWING = 500

BLINK_HALF_US = 500_000
"""Half a period of the blinking that the host does: 1 Hz, all lamps in step, so that two do not flash in turns."""
WINK_US = 3_000_000
"""How long a board winks (line protocol, section 4), twice a second."""

LAMP_MA = 10.0
"""A lamp nobody described: half of the 20 mA that a pin is to be designed for (ATmega328P data sheet)."""
SEGMENT_MA = 5.0
"""A segment nobody described, on average: about 330 mA for the 64 of a MAX7219 data sheet (from memory)."""
LAMPS_MA = 100.0
"""All lamps of a board without a panel file: ten of 10 mA, half of what the chip's supply pins can bear."""
DIGITS_MA = 300.0
"""All digits of a board without a panel file. With the lamps 400 mA, and 500 mA is what a USB port gives."""

_NOT_YET = 1 << 62


class Flash:
    """The flash limit of one output. Owns no clock."""

    __slots__ = ("_rises", "_rising", "_turn", "swing")

    def __init__(self, swing: int) -> None:
        self.swing = swing
        """Change of height that counts."""
        self._rising = False
        self._turn = -swing
        """The highest point of this rise, or the lowest of this fall."""
        self._rises: list[int] = []
        """When the last rises were over; `_NOT_YET` for one that may still be coming."""

    def is_rise(self, height: int) -> bool:
        """Whether going to `height` now would begin a new rise."""
        return not self._rising and height >= self._turn + self.swing

    def may(self, height: int, now_us: int) -> bool:
        """Whether the output may go to `height` now."""
        return not self.is_rise(height) or self.opens_us() <= now_us

    def opens_us(self) -> int:
        """When the next rise is allowed, at the earliest; far in the future while one is on its way."""
        return self._rises[-RISES_MOST] + WINDOW_US if len(self._rises) >= RISES_MOST else 0

    def go(self, height: int) -> None:
        """The output is being sent to `height`."""
        if self._rising:
            if height > self._turn:
                self._turn = height
                self._rises[-1] = _NOT_YET
            elif height <= self._turn - self.swing:
                self._rising, self._turn = False, height
        elif self.is_rise(height):
            self._rising, self._turn = True, height
            self._rises = [*self._rises[-RISES_MOST:], _NOT_YET]
        else:
            self._turn = min(self._turn, height)

    def there(self, now_us: int) -> None:
        """The board has answered (or will not any more): whatever was on its way happened before now."""
        self._rises = [min(at_us, now_us) for at_us in self._rises]

    def fill(self, now_us: int) -> None:
        """Count as if the output had flashed as often as allowed up to now: somebody else made it flash."""
        self._rises = [now_us] * RISES_MOST

    @property
    def still_since_us(self) -> int:
        """When the last rise was over; 0 if there was none."""
        return self._rises[-1] if self._rises else 0


def lamp_height(level_permille: int, swing: int) -> int:
    """Return the height of a lamp at this level."""
    return level_permille if level_permille > 0 else -swing


def digits_height(segments: int, places: int) -> int:
    """Return the height of a display whose segments, eight bits a place, are `segments`."""
    lit = segments.bit_count()
    return lit * 1000 // (8 * max(places, 1)) if lit else -DIGITS_SWING


class Allowance(NamedTuple):
    """What the outputs of one board may take together."""

    lamps_ma: float = LAMPS_MA
    """Most current of all lamps together."""
    digits_ma: float = DIGITS_MA
    total_ma: float = LAMPS_MA + DIGITS_MA
    """Most current of all outputs together."""
    lamp_ma: Callable[[str], float] = lambda channel: LAMP_MA
    """Full current of a lamp, by channel."""
    segment_ma: Callable[[str], float] = lambda channel: SEGMENT_MA
    """Current of one lit segment, by channel."""

    def share_ma(self, channel: str, kind: str, value: int, dimmed: bool) -> float:
        """Return what an output takes at this value; a lamp that cannot be dimmed takes all or nothing."""
        if kind == "digits":
            return value.bit_count() * self.segment_ma(channel)
        if kind == "lamp":
            return self.lamp_ma(channel) * (duty_of(value) if dimmed else float(value > 0))
        return 0.0

    def fits(self, lamps_ma: float, digits_ma: float) -> bool:
        """Whether a board may take this much."""
        slack = 1e-6
        return (
            lamps_ma <= self.lamps_ma + slack
            and digits_ma <= self.digits_ma + slack
            and lamps_ma + digits_ma <= self.total_ma + slack
        )


def allowance_of(panel: Panel | None, ident: str) -> Allowance:
    """Return what the panel file allows the board `ident`, and the careful default where it says nothing."""
    board = next((board for board in panel.boards if ident in (board.ident, board.name)), None) if panel else None
    if panel is None or board is None:
        return Allowance()
    lamps = {lamp.channel.id: lamp.current_ma for lamp in panel.lamps if lamp.channel.board == board.name}
    segments = {each.channel.id: each.segment_ma for each in panel.digits if each.channel.board == board.name}
    return Allowance(
        board.budget_ma,
        board.budget_ma,
        board.budget_ma,
        lambda channel: lamps.get(channel, LAMP_MA),
        lambda channel: segments.get(channel, SEGMENT_MA),
    )
