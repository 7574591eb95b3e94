"""Leaving a bench: dark, and what is said if not every board has confirmed it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.session import LiveSession


def leave(session: LiveSession) -> bool:
    """Close `session`, which darkens its boards; say so and return False if not all of them confirm that."""
    from benchcon.panel.unplug import not_confirmed

    session.close()
    if not session.dark_confirmed:
        print(f"benchcon: {not_confirmed(session.panel)}", file=sys.stderr, flush=True)
    return session.dark_confirmed
