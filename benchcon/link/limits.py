"""The limits that protect people and parts. They hold for every output, whoever asks.

**Flashing.** WCAG 2.3.1 allows no more than three flashes in any one second, a flash being a *pair of opposing
changes*. Each such pair holds exactly one rise, so it is enough to hold back rises: falls, and above all turning off,
pass at once. There are two limits: that of each output (`Flash`), and that of all outputs of a bench together
(`Together`).

What counts as a rise of one output:

| output | its height | a swing that counts |
|---|---|---|
| lamp that can be dimmed | its level in permille of lightness; off is `DIMMED_SWING` below zero | ≥ 20 permille |
| any other lamp | the same | any |
| display | lit segments in permille of all; blank is `DISPLAY_SWING` below zero | ≥ 500 permille |

So any change between off and lit counts, however faint, and so does blanking a display. Counting up and down does not,
since less than half of the segments change then. 20 permille of lightness is at most 5.1 % of full luminance, at the
top of the scale where luminance changes fastest with lightness (CIE 1976). WCAG lets changes under 10 % pass; for
saturated red it has a threshold of its own, a change of more than 20 in 320 x (R - G - B), which is 6.25 % of a full
red. The colour of a lamp is not known for certain, so every lamp is treated as a red one. Levels that creep up and down
in smaller steps are followed from turning point to turning point: what counts is the swing, not the step. A rise in
several steps is one rise, and lasts until its last step.

| rises in the last second | the output goes | then |
|---|---|---|
| any | down, or up by less than a swing, or further up in the same rise | passes |
| fewer than 3 | up by a swing | passes, and is counted |
| 3 | up by a swing | held back; the last level wanted is set as soon as the second is over |

**Flashing in turn.** WCAG counts everything that flashes within ten degrees of the field of view together, if it fills
more than a quarter of that area. One lamp of a panel is far smaller (5 mm at half a metre: 0.00008 of the 0.006
steradian), but many lamps or a large display are not. So outputs that alternate count together, whatever their size and
wherever they are: after something has gone off, something may come on three times in any one second, and no more.
Lamps that are lit one after the other without one going off are one rise. Lamps that blink in step are one flash, even
if lines to two boards are some milliseconds apart. A single press is never held back unless there were three flashes in
the second before it. A board that winks (two flashes a second) takes two of the three.

A display that counts is left out of both limits because its digits are small: one 14 mm high with all its segments lit
is no more than 0.0009 steradian at half a metre. Whoever drives digits several times as large should count slowly.

A rise on its way counts from its *answer*, not from when it was sent: until the board has said that the lamp is lit, it
may be lit at any moment. That, and `WINDOW_US`, keeps the limit on the board's side of the wire too.

**Current.** Each board has a budget, and each output draws its share of it; see `Allowance`. A value that would take a
board over its budget is held back until there is room. A fall makes room only when it is confirmed, so lost and
repeated lines never exceed the budget.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import NamedTuple

from benchcon.panel.lightness import duty_of
from benchcon.panel.model import Panel

RISES_MOST = 3
"""Flashes allowed in any one second (WCAG 2.3.1)."""
WINDOW_US = 1_050_000
"""One second, and a twentieth for inexact board clocks (ceramic resonators: ±0.5 %) and for errors of measurement."""
DIMMED_SWING = 20
DISPLAY_SWING = 500

BLINK_HALF_US = 500_000
"""Half a period of the blinking that the host does: 1 Hz, all lamps in step, so that two do not flash in turn."""
WINK_US = 3_000_000
"""How long a board winks (line protocol, section 4), twice a second."""

LAMP_MA = 10.0
"""Assumed for a lamp that is not described: half of the 20 mA to design a pin for (ATmega328P data sheet)."""
SEGMENT_MA = 5.0
"""Assumed average of a segment that is not described: 64 of them draw 330 mA (MAX7219 data sheet, from memory)."""
LAMPS_MA = 100.0
"""Limit for all lamps of a board without a panel file: ten of 10 mA, half of what the chip's supply pins can bear."""
DISPLAYS_MA = 300.0
"""Limit for all displays of a board without a panel file; with the lamps 400 mA, and a USB port gives 500 mA."""

_NOT_YET = 1 << 62
WINK_FLASHES = 2
"""Flashes a second of a board that winks."""
_LOOK_AGAIN_US = 20_000
"""How often to ask again while another board's rise is on its way."""


class Flash:
    """The flash limit of one output. Owns no clock."""

    __slots__ = ("_rises", "_turn", "rising", "swing")

    def __init__(self, swing: int) -> None:
        self.swing = swing
        """The least change of height that counts."""
        self.rising = False
        """Whether the last swing of the output was a rise."""
        self._turn = -swing
        """The highest point of this rise, or the lowest of this fall."""
        self._rises: list[int] = []
        """When the last rises were over; `_NOT_YET` for one that is still on its way."""

    def is_rise(self, height: int) -> bool:
        """Return whether going to `height` now would begin a new rise."""
        return not self.rising and height >= self._turn + self.swing

    def may(self, height: int, now_us: int) -> bool:
        """Return whether the output may go to `height` now."""
        return not self.is_rise(height) or self.opens_us() <= now_us

    def opens_us(self) -> int:
        """Return when the next rise is allowed at the earliest; far in the future while one is on its way."""
        return self._rises[-RISES_MOST] + WINDOW_US if len(self._rises) >= RISES_MOST else 0

    def go(self, height: int) -> None:
        """Note that the output is being sent to `height`."""
        if self.rising:
            if height > self._turn:
                self._turn = height
                self._rises[-1] = _NOT_YET
            elif height <= self._turn - self.swing:
                self.rising, self._turn = False, height
        elif self.is_rise(height):
            self.rising, self._turn = True, height
            self._rises = [*self._rises[-RISES_MOST:], _NOT_YET]
        else:
            self._turn = min(self._turn, height)

    def there(self, now_us: int) -> None:
        """Note that the board has answered, or no longer will: whatever was on its way happened before now."""
        self._rises = [min(at_us, now_us) for at_us in self._rises]

    def fill(self, now_us: int) -> None:
        """Count the most flashes allowed up to now, because something else made the output flash."""
        self._rises = [now_us] * RISES_MOST

    @property
    def still_since_us(self) -> int:
        """When the last rise was over; 0 if there was none."""
        return self._rises[-1] if self._rises else 0


class Together:
    """The flash limit of all outputs of a bench together: how often something comes on after something went off.

    Owns no clock. The caller reports rises and falls as they are sent; `key` is anything that identifies an output.
    """

    def __init__(self) -> None:
        self._fallen = True
        """Whether something has gone off since the last rise that was counted."""
        self._rises: list[tuple[int, Hashable]] = []
        """The last rises that were counted: (when it was over, or `_NOT_YET` while it is on its way; its output)."""
        self._along: list[Hashable] = []
        """Outputs whose rise is on its way and counts as part of the last one counted."""
        self._falls: set[Hashable] = set()
        """Outputs whose fall is on its way; it may happen after a rise, on another board, that was sent later."""
        self._wink_over_us = 0

    def may(self, now_us: int) -> bool:
        """Return whether anything may rise now.

        After three flashes nothing may, not even together with the last rise: if something goes off in between, it is a
        flash of its own.
        """
        return self._opens_us(now_us) <= now_us

    def opens_us(self, now_us: int) -> int:
        """Return when something may rise again, or when to ask again."""
        at_us = self._opens_us(now_us)
        return at_us if at_us < _NOT_YET else now_us + _LOOK_AGAIN_US

    def _opens_us(self, now_us: int) -> int:
        times = sorted(at_us for at_us, _ in self._rises)
        opens_us = times[-RISES_MOST] + WINDOW_US if len(times) >= RISES_MOST else 0
        most = RISES_MOST - WINK_FLASHES
        if now_us < self._wink_over_us and len(times) >= most:
            opens_us = max(opens_us, times[-most] + WINDOW_US)
        return opens_us

    def rise(self, key: Hashable) -> None:
        """Note that an output is being sent up by a swing."""
        if self._fallen:
            self._fallen = False
            self._rises = [*self._rises[-RISES_MOST:], (_NOT_YET, key)]
        else:
            self._along.append(key)

    def fall(self, key: Hashable) -> None:
        """Note that an output is being sent down by a swing, or has gone off by itself."""
        self._falls.add(key)
        self._fall()

    def _fall(self) -> None:
        self._fallen = True
        if self._along:  # a rise on its way may happen after this fall, and is then a flash of its own
            self._rises = [*self._rises[-RISES_MOST:], (_NOT_YET, self._along[-1])]
            self._along.clear()

    def there(self, key: Hashable, now_us: int) -> None:
        """Note that a board has answered for this output: whatever was on its way to it happened before now."""
        if key in self._falls:
            self._falls.discard(key)
            self._fall()
        self._along = [each for each in self._along if each != key]
        self._rises = [(min(at_us, now_us), whose) if whose == key else (at_us, whose) for at_us, whose in self._rises]

    def wink_opens_us(self, now_us: int) -> int:
        """Return when a board may begin to wink at the earliest."""
        times = sorted(at_us for at_us, _ in self._rises)
        most = RISES_MOST - WINK_FLASHES
        opens_us = times[-most - 1] + WINDOW_US if len(times) > most else 0
        opens_us = opens_us if opens_us < _NOT_YET else now_us + _LOOK_AGAIN_US
        return max(self._wink_over_us, opens_us)

    def wink(self, over_us: int) -> None:
        """Note that a board winks until `over_us`."""
        self._wink_over_us = max(self._wink_over_us, over_us + WINDOW_US)


def lamp_height(level_permille: int, swing: int) -> int:
    """Return the height of a lamp at this level, 0 to 1000; see the table above."""
    return level_permille if level_permille > 0 else -swing


def display_height(segments: int, digits: int) -> int:
    """Return the height of a display whose segments, eight bits per digit, are `segments`; see the table above."""
    lit = segments.bit_count()
    return lit * 1000 // (8 * max(digits, 1)) if lit else -DISPLAY_SWING


class Allowance(NamedTuple):
    """How much current the outputs of one board may draw, in mA, and how much each of them draws."""

    lamps_ma: float = LAMPS_MA
    """Most that all lamps together may draw."""
    displays_ma: float = DISPLAYS_MA
    """Most that all displays together may draw."""
    total_ma: float = LAMPS_MA + DISPLAYS_MA
    """Most that all outputs together may draw."""
    lamp_ma: Callable[[str], float] = lambda channel: LAMP_MA
    """Channel id → current of a lamp at full level."""
    segment_ma: Callable[[str], float] = lambda channel: SEGMENT_MA
    """Channel id → current of one lit segment."""

    def share_ma(self, channel: str, kind: str, value: int, dimmed: bool) -> float:
        """Return what an output draws at this value, in mA; a lamp that cannot be dimmed draws all or nothing."""
        if kind == "display":
            return value.bit_count() * self.segment_ma(channel)
        if kind == "lamp":
            return self.lamp_ma(channel) * (duty_of(value) if dimmed else float(value > 0))
        return 0.0

    def fits(self, lamps_ma: float, displays_ma: float) -> bool:
        """Return whether a board may draw this much."""
        slack = 1e-6
        return (
            lamps_ma <= self.lamps_ma + slack
            and displays_ma <= self.displays_ma + slack
            and lamps_ma + displays_ma <= self.total_ma + slack
        )


def allowance_of(panel: Panel | None, ident: str) -> Allowance:
    """Return what the panel file allows the board `ident`, or the careful default if it does not know the board."""
    board = next((board for board in panel.boards if ident in (board.ident, board.name)), None) if panel else None
    if panel is None or board is None:
        return Allowance()
    lamps = {lamp.channel.id: lamp.current_ma for lamp in panel.lamps if lamp.channel.board == board.name}
    segments = {each.channel.id: each.segment_ma for each in panel.displays if each.channel.board == board.name}
    return Allowance(
        board.budget_ma,
        board.budget_ma,
        board.budget_ma,
        lambda channel: lamps.get(channel, LAMP_MA),
        lambda channel: segments.get(channel, SEGMENT_MA),
    )
