"""What the wiggle watch's and the soak's screens share: the watch runs on a thread of its own until the screen is left.

The watches themselves are `benchcon.walk.watching`; the command ``benchcon walk`` runs the same ones.
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
    """A watch has ended; `trouble` says why, if it could not go on."""

    def __init__(self, number: int, trouble: str) -> None:
        super().__init__()
        self.number, self.trouble = number, trouble


class WatchScreen(Screen[None]):
    """A screen with a watch."""

    def __init__(self, model: ViewModel, session: LiveSession, panel: Panel) -> None:
        super().__init__()
        self.model, self.session, self.panel = model, session, panel
        self._ends = threading.Event()
        self._thread: threading.Thread | None = None
        self.ready = False
        """Whether everything stands on the screen: a frame may come before."""
        self.number = 0
        """Goes up with every watch that is begun on this screen."""

    def begin(self, watch: Callable[[Callable[[], bool]], None]) -> None:
        """End the watch that goes on, if there is one, and begin `watch`; it is given what tells it to end.

        It runs on a thread of its own. What it makes known it leaves where `frame` finds it.
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
        """End the watch; it takes a fifth of a second at the most."""
        self._ends.set()
        if self._thread is not None:
            self._thread.join(2)
            self._thread = None

    def on_unmount(self) -> None:
        """Whatever takes the screen away ends the watch."""
        self.stop()

    def action_leave(self) -> None:
        """Back to where it was called from."""
        self.dismiss(None)
