"""The base of the console's app that screens use: the session, its view model, and messages to the user."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from textual.app import App
from textual.css.query import NoMatches
from textual.notifications import Notification
from textual.widget import Widget
from textual.widgets._toast import Toast
from textual.worker import WorkerFailed

from benchcon.session import Session
from benchcon.view.model import ViewModel

if TYPE_CHECKING:
    from benchcon.rehearse.live import LiveRun


class BenchApp(App[int]):
    """An app on one session, live or replayed."""

    def __init__(self, session: Session, rehearsal: LiveRun | None = None) -> None:
        """`rehearsal` is what runs on the bench, if anything."""
        super().__init__()
        self.parting = ""
        """A sentence to leave on the terminal after the console; else empty."""
        self.session = session
        self.model = ViewModel(session, self.tell, rehearsal)

    def tell(self, text: str, severity: str = "information") -> None:
        """Show a message for a moment; it may be called on any thread."""

        def show() -> None:
            seconds = 3 if severity == "information" else 7
            self.notify(text, severity=severity, markup=False, timeout=seconds)

        loop = self._loop
        if loop is None or not self.is_running:
            return
        loop.call_soon_threadsafe(lambda: self.call_later(show))

    def notify(self, message: str, **how: Any) -> None:
        """Show a message for a moment. There is room for two; the oldest is removed for a third."""
        for old in list(self._notifications)[: None if len(message) > self.size.width - 14 else -1]:
            self._unnotify(old, refresh=False)
        super().notify(message, **how)

    def _unnotify(self, notification: Notification, refresh: bool = True) -> None:
        # Textual removes the text but leaves an empty row, which would push later messages out of sight.
        super()._unnotify(notification, refresh)
        for screen in self.screen_stack:
            for toast in screen.query(Toast):
                if toast._notification is notification and isinstance(toast.parent, Widget):
                    toast.parent.remove()

    def _handle_exception(self, error: Exception) -> None:
        # Textual puts nothing more up once the app is to end: a screen that was just being opened lacks its parts.
        what = error.error if isinstance(error, WorkerFailed) else error
        if not (self._exit and isinstance(what, NoMatches)):
            super()._handle_exception(error)
