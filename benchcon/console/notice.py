"""One row for when something is the matter: a port with another protocol, a full disk, lost events.

Its place is kept free while there is nothing to say, so that what stands above it does not move under a hand that aims
at it. Only where rows are few does it come and go.
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
    """Take messages away that are true no longer, wherever they are shown."""
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
        """Come and go with what there is to say."""
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
        """A click shows the links."""
        event.stop()
        await self.screen.run_action("view('links')")
