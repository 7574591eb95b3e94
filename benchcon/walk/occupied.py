"""Notes in the stream that say when a walk or the like (`WHAT`) has the bench, so that nothing else works it.

Whatever else lights outputs or moves simulated controls by itself keeps off meanwhile; in a capture the notes show
where the walk was.
"""

from __future__ import annotations

from benchcon.wire import events as ev

WALK, WIGGLE, SOAK, MATCHING = WHAT = ("walk", "wiggle watch", "soak", "lamp matching")


def begins(what: str) -> tuple[str, str]:
    """Return kind and text of the note that `what` (one of `WHAT`) begins."""
    return "word", f"{what} begins"


def ends(what: str) -> tuple[str, str]:
    """Return kind and text of the note that `what` ends."""
    return "word", f"{what} ends"


def change(event: ev.Event) -> bool | None:
    """Whether this event says that the bench is taken (True) or given back (False); None: it says nothing of it."""
    if isinstance(event, ev.Note):
        for what in WHAT:
            if (event.kind, event.text) == begins(what):
                return True
            if (event.kind, event.text) == ends(what):
                return False
    return None
