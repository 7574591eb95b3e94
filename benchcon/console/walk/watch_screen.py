"""The base of the wiggle test's and the soak's screens: the test runs on a thread until the screen is left.

The tests themselves are in `benchcon.walk.watching`; the command ``benchcon walk`` runs the same ones.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from textual.message import Message
from textual.screen import Screen

from benchcon.errors import Trouble

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.session import LiveSession
    from benchcon.view.model import ViewModel


class Ended(Message):
    """Sent when a test has ended; `trouble` says why if it could not go on."""

    def __init__(self, number: int, trouble: str) -> None:
        super().__init__()
        self.number, self.trouble = number, trouble


class WatchScreen(Screen[None]):
    """A screen with a test on a thread of its own."""

    def __init__(self, model: ViewModel, session: LiveSession, panel: Panel) -> None:
        super().__init__()
        self.model, self.session, self.panel = model, session, panel
        self._ends = threading.Event()
        self._thread: threading.Thread | None = None
        self.ready = False
        """Whether everything is on the screen; `frame` may be called before."""
        self.number = 0
        """Increases with every test that is begun on this screen."""
        self.bell = True
        """Whether the bell rings when something goes wrong."""

    def begin(self, watch: Callable[[Callable[[], bool]], None]) -> None:
        """End the running test, if there is one, and begin `watch` on a new thread.

        Its argument returns whether it must end. It leaves its results where `frame` finds them.
        """
        self.stop()
        self._ends = ends = threading.Event()
        self.number += 1
        number = self.number

        def work() -> None:
            trouble = ""
            try:
                watch(ends.is_set)
            except Trouble as error:
                trouble = str(error)
            self.post_message(Ended(number, trouble))

        self._thread = threading.Thread(target=work, name="watch", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the test, which takes at most a fifth of a second."""
        self._ends.set()
        if self._thread is not None:
            self._thread.join(2)
            self._thread = None

    def on_unmount(self) -> None:
        """End the test, however the screen is left."""
        self.stop()

    def frame(self) -> None:
        """Draw what has changed; subclasses define it."""
        raise NotImplementedError

    def action_bell(self) -> None:
        """Switch the bell on or off."""
        self.bell = not self.bell
        self.frame()

    def action_leave(self) -> None:
        """End the test and go back to the previous screen, where a walk may go on at once and need the bench itself."""
        self.stop()
        self.dismiss(None)
