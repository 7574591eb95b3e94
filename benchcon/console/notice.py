"""One row for problems: a port with another protocol, a full disk, lost events.

The row stays in place when there is nothing to show, so that what is above it does not move under the mouse. It comes
and goes only on low screens.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any

from textual import events
from textual.app import App

from benchcon.console.canvas import Canvas, fitted
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink, mixed
from benchcon.view.palette import BRASS, ENGRAVED, GROUND, IVORY, WARN

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel


def take_back(app: App[Any], messages: Collection[str]) -> None:
    """Remove messages that no longer hold, wherever they are shown."""
    for old in [each for each in app._notifications if each.message in messages]:
        app._unnotify(old)


class Notice(Drawn):
    """Shows the first of the model's notices, and how many more there are."""

    TOLD = mixed(GROUND, WARN, 0.16)
    DEFAULT_CSS = """
    Notice { height: 1; display: none; }
    Notice.-told { display: block; }
    """

    def __init__(self, model: ViewModel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model

    def repaint(self) -> None:
        """Draw; on a low screen show the row only if there is a notice."""
        self.set_class(bool(self.model.notices), "-told")
        super().repaint()

    def paint(self, canvas: Canvas) -> None:
        """Draw the row."""
        notices = self.model.notices
        ground = self.TOLD if notices else self.GROUND
        canvas.wipe(0, 0, canvas.width, 1, ink(ENGRAVED, ground))
        if not notices:
            return
        more = f" and {len(notices) - 1} more: F5" if len(notices) > 1 else ""
        canvas.write(1, 0, "!", ink(WARN, ground, bold=True))
        text = fitted(notices[0], canvas.width - 4 - len(more))
        canvas.write(canvas.write(3, 0, text, ink(IVORY, ground)), 0, more, ink(BRASS, ground))

    async def on_click(self, event: events.Click) -> None:
        """Show the links."""
        event.stop()
        await self.screen.run_action("view('links')")
