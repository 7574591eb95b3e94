"""One row for problems: a port with another protocol, a full disk, lost events.

The row stays in place when there is nothing to show, so that what is above it does not move under the mouse. It comes
and goes only on low screens. A long text takes a second row, from the free one above the large letters.
"""

from __future__ import annotations

from collections.abc import Collection
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from rich.cells import cell_len
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
    Notice.-shown { display: block; }
    """

    def __init__(self, model: ViewModel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model

    @property
    def is_long(self) -> bool:
        """Whether one row is not enough."""
        room = self.app.size.width - 4
        return bool(self.model.notices) and cell_len(self.model.notices[0] + self._more) > room

    @property
    def _more(self) -> str:
        more = len(self.model.notices) - 1
        return f" and {more} more: F5" if more > 0 else ""

    def repaint(self) -> None:
        """Draw; on a low screen show the row only if there is a notice."""
        self.set_class(bool(self.model.notices), "-shown")
        super().repaint()

    def paint(self, canvas: Canvas) -> None:
        """Draw the row or rows."""
        notices = self.model.notices
        ground = self.TOLD if notices else self.GROUND
        canvas.wipe(0, 0, canvas.width, canvas.height, ink(ENGRAVED, ground))
        if not notices:
            return
        canvas.write(1, 0, "!", ink(WARN, ground, bold=True))
        room, text = canvas.width - 4, notices[0]
        first = wrap(text, max(room, 1))[:1] if canvas.height > 1 and self.is_long else []
        for line in first:  # the second row has the rest
            canvas.write(3, 0, line, ink(IVORY, ground), room)
            text = text[len(line) :].lstrip()
        y = len(first)
        x = canvas.write(3, y, fitted(text, room - len(self._more)), ink(IVORY, ground))
        canvas.write(x, y, self._more, ink(BRASS, ground))

    async def on_click(self, event: events.Click) -> None:
        """Show the links."""
        event.stop()
        await self.screen.run_action("view('links')")
