"""Leaving a bench: makes it dark, and warns if not every board has confirmed that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from benchcon.session import LiveSession


def leave(session: LiveSession) -> bool:
    """Close `session`, which darkens its boards. If not all of them confirm it, warn on stderr and return False."""
    from benchcon.panel.unplug import not_confirmed

    session.close()
    if not session.dark_confirmed:
        say_on_stderr(not_confirmed(session.panel))
    return session.dark_confirmed
