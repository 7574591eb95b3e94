"""How long a board or its host may be silent: one rule for link, state, screens and triggers.

See the line protocol, **alive-time** and section 10.
"""

from __future__ import annotations

from collections.abc import Sequence

ALIVE_US = 1_000_000
"""Time between two heartbeats after a reset."""
SILENT_AFTER = 3
"""How many heartbeats may be missed before a board counts as silent and its states are shown as not known."""

DEADMAN_MS = 2000
"""Default time after which a board goes dark if its host is silent."""


def silent_after_us(alive_us: int) -> int:
    """Return how long a board with a heartbeat every `alive_us` may say nothing before it counts as silent."""
    return SILENT_AFTER * alive_us


def is_silent(heard_us: int, alive_us: int, now_us: int) -> bool:
    """Return whether a board last heard at `heard_us`, with a heartbeat every `alive_us`, counts as silent."""
    return now_us > heard_us + silent_after_us(alive_us)


def alive_us_from(words: Sequence[str], before_us: int) -> int:
    """Return the time between heartbeats that an answer to ``alive`` gives; `before_us` if that is 0 or missing."""
    try:
        return int(words[1], 16) * 1000 or before_us
    except (IndexError, ValueError):
        return before_us
