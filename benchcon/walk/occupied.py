"""Notes in the stream that say when a walk or another test (`WHAT`) uses the bench, so that nothing else interferes.

Meanwhile everything that lights outputs or moves simulated controls by itself pauses. In a capture the notes show where
the walk was.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from benchcon.wire import events as ev

if TYPE_CHECKING:
    from benchcon.session import Session

WALK, WIGGLE, SOAK, MATCHING = WHAT = ("walk", "wiggle test", "soak", "lamp matching")


def begins(what: str) -> tuple[str, str]:
    """Return kind and text of the note that says that `what` (one of `WHAT`) begins."""
    return "word", f"{what} begins"


def ends(what: str) -> tuple[str, str]:
    """Return kind and text of the note that says that `what` ends."""
    return "word", f"{what} ends"


def change(event: ev.Event) -> bool | None:
    """Return True if `event` says that a test begins to use the bench, False if it ends, and None for other events."""
    if isinstance(event, ev.Note):
        for what in WHAT:
            if (event.kind, event.text) == begins(what):
                return True
            if (event.kind, event.text) == ends(what):
                return False
    return None


class Playing(Protocol):
    """Something that lights outputs or moves controls by itself, such as a rehearsal."""

    def pause(self, paused: bool) -> None:
        """Send nothing while `paused`."""

    def hands_off(self) -> None:
        """Stop moving controls."""


def step_aside(session: Session, run: Playing) -> Callable[[], None]:
    """Pause `run` while a walk or another test uses the bench; return a function that ends this.

    Anything else that moves or lights something would falsify what the walk finds.
    """

    def heard(events: list[ev.Event]) -> None:
        for taken in filter(lambda each: each is not None, map(change, events)):
            run.pause(bool(taken))
            if taken:
                run.hands_off()

    return session.subscribe(heard)
