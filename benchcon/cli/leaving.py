"""Leaving a bench: dark, and what is said if not every board has confirmed it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from benchcon.session import LiveSession


def leave(session: LiveSession) -> bool:
    """Close `session`, which darkens its boards; say so and return False if not all of them confirm that."""
    from benchcon.panel.unplug import not_confirmed

    session.close()
    if not session.dark_confirmed:
        say_on_stderr(not_confirmed(session.panel))
    return session.dark_confirmed
