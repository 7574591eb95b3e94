"""The console's terminal driver, for keys that must not wait for the screen."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from textual import events

from benchcon.view.dark_keys import DARK_KEYS

if TYPE_CHECKING:
    from textual.driver import Driver
    from textual.message import Message


def quick(driver_class: type[Driver]) -> type[Driver]:
    """Return Textual's `driver_class`, changed in two ways.

    The keys for dark go to ``app.dark_now()`` on the thread that reads the terminal, before the screen's loop gets them
    as well, so that dark is sent even if that loop is busy or hangs. Being continued after SIGSTOP does not start the
    terminal a second time, which would leave a second reading thread that nothing ends.
    """

    class Quick(driver_class):  # type: ignore[misc, valid-type]
        def process_message(self, message: Message) -> None:
            """Take a message on the thread that reads the terminal."""
            if isinstance(message, events.Key) and message.key in DARK_KEYS:
                app: Any = self._app
                with contextlib.suppress(Exception):  # the screen gets the key as well, and reports what is wrong
                    app.dark_now()
            super().process_message(message)

        def _sigcont_application(self, *how: object) -> None:
            if getattr(self, "_must_signal_resume", True):
                super()._sigcont_application(*how)

    return Quick
