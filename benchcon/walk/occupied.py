"""Notes in the stream that say when a walk or the like (`WHAT`) has the bench, so that nothing else works it.

Whatever else lights outputs or moves simulated controls by itself keeps off meanwhile; in a capture the notes show
where the walk was.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from benchcon.wire import events as ev

if TYPE_CHECKING:
    from benchcon.session import Session

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


class Playing(Protocol):
    """What lights outputs or moves controls by itself: a rehearsal."""

    def pause(self, paused: bool) -> None:
        """Send nothing for as long."""

    def hands_off(self) -> None:
        """Move no control any more."""


def step_aside(session: Session, run: Playing) -> Callable[[], None]:
    """Have `run` keep off while a walk or the like has the bench; return what ends that.

    A walk is a user at work: whoever else moves or lights something would spoil what it finds.
    """

    def heard(events: list[ev.Event]) -> None:
        for taken in filter(lambda each: each is not None, map(change, events)):
            run.pause(bool(taken))
            if taken:
                run.hands_off()

    return session.subscribe(heard)
