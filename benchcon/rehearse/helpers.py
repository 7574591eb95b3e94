"""Helpers for rules: hysteresis, latches, edges, timers, blinking.

Each keeps its state in the rule's memory, under `key`, so that one rule can use several. They are plain functions: your
own tests can call a rule that uses them with a `Memory()` and any seconds.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

FLASHES_MOST_HZ = 3.0
"""No more than three flashes in any one second (WCAG 2.x, success criterion 2.3.1)."""

_HALF_MICROSECOND = 5e-7
"""Times that differ by less than this are the same moment, since time is counted in whole microseconds."""


class Memory(dict[str, Any]):
    """What one rule keeps from call to call; empty when the rehearsal begins and when the rules are reloaded."""


def hysteresis(memory: Memory, key: str, value: float, *, on: float, off: float) -> bool:
    """Return True once `value` is above `on`, until it is below `off`; with `on` less than `off`, the other way round.

    In between it keeps its state, which is False at first.
    """
    was = bool(memory.get(key, False))
    switch_on = value > on if on >= off else value < on
    stays = value >= off if on >= off else value <= off
    now = switch_on or (was and stays)
    memory[key] = now
    return now


def latch(memory: Memory, key: str, *, set: Any, reset: Any) -> bool:
    """Return True from when `set` was true until `reset` is true; `reset` wins. For alarms that need acknowledging."""
    memory[key] = not reset and (bool(set) or bool(memory.get(key, False)))
    return bool(memory[key])


def rising(memory: Memory, key: str, state: Any) -> bool:
    """Return True when `state` has become true since the last call; not at the first call."""
    was = memory.get(key)
    memory[key] = bool(state)
    return was is False and bool(state)


def toggle(memory: Memory, key: str, pressed: Any, *, start: bool = False) -> bool:
    """Return a state that changes each time `pressed` becomes true."""
    if rising(memory, f"{key} pressed", pressed):
        memory[key] = not memory.get(key, start)
    return bool(memory.get(key, start))


def after(memory: Memory, key: str, state: Any, seconds: float, delay: float) -> bool:
    """Return True when `state` has been true for `delay` seconds without a break; `seconds` is the present time."""
    if not state:
        memory[key] = None
        return False
    since = memory.get(key)
    if since is None:
        memory[key] = since = seconds
    return bool(seconds - since >= delay - _HALF_MICROSECOND)  # 2.15 - 2.0 is a little less than 0.15 in floats


def blink(seconds: float, hz: float = 1.0) -> bool:
    """Return True in the first half of each period. Raises ValueError above three flashes a second."""
    if not 0 < hz <= FLASHES_MOST_HZ:
        raise ValueError(
            f"blinking at {hz:g} Hz; at most {FLASHES_MOST_HZ:g} Hz is allowed (WCAG 2.x, success criterion 2.3.1)"
        )
    return (seconds * hz) % 1.0 < 0.5


def nearest(value: float, step: float) -> float:
    """Return `value` rounded to the nearest multiple of `step`, halves away from zero: 1013.25, 0.1 gives 1013.3."""
    if not math.isfinite(value) or not step > 0:
        raise ValueError(f"{value:g} cannot be rounded to steps of {step:g}")
    size = Decimal(repr(float(step)))
    return float((Decimal(repr(float(value))) / size).quantize(Decimal(1), ROUND_HALF_UP) * size)


def convert(value: float, unit: str, to: str) -> float:
    """Return `value`, which is in `unit`, in the unit `to`: ``convert(1013.25, "hPa", "inHg")``.

    Raises ValueError for an unknown unit, or one of another kind.
    """
    from benchcon.units import linear

    factor, offset = linear(unit, to)
    return value * factor + offset
