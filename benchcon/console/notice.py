"""One row for problems: a port with another protocol, a full disk, lost events.

The row stays in place when there is nothing to show, so that what is above it does not move under the mouse. It comes
and goes only on low screens. A long text takes more rows: the free one above the large letters, then those of the view.
"""

from __future__ import annotations

import functools
from collections.abc import Collection, Iterator
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from rich.cells import cell_len
from textual import events
from textual.app import App

from benchcon.console.canvas import Canvas, shortened
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink, mixed
from benchcon.view.palette import BRASS, ENGRAVED, GROUND, IVORY, WARN

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel


MOST_ROWS = 3
MARGIN = 4
"""Columns beside the text."""


@functools.lru_cache(maxsize=16)
def _wrapped(text: str, more: str, room: int, rows: int) -> tuple[str, ...]:
    """Return a notice, and how many more there are, as at most `rows` lines of `room` cells.

    What has no room is left out of the port's name first, then out of the middle: the end says what to do.
    """
    room = max(room, 8)
    for shorter in _shorter(text, room * rows):
        lines = wrap(f"{shorter} {more}", room)
        if len(lines) <= rows and all(cell_len(line) <= room for line in lines):
            return tuple(lines)
    return (shortened(text, room),)


def _shorter(text: str, room: int) -> Iterator[str]:
    yield text
    port, colon, rest = text.partition(": ")
    if colon and " " not in port:
        yield from (f"{shortened(port, width)}{colon}{rest}" for width in range(cell_len(port) - 1, 7, -1))
        yield rest
    yield from (shortened(text, width) for width in range(room, 5, -1))


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
    def rows(self) -> int:
        """How many rows the notice needs: as many as its text takes, as far as the screen is high enough."""
        width, height = self.app.size
        return len(self._lines(width - MARGIN, min(MOST_ROWS, height // 6)))

    def _lines(self, room: int, rows: int) -> list[str]:
        notices = self.model.notices
        return list(_wrapped(notices[0], self._more, room, max(rows, 1))) if notices else [""]

    @property
    def _more(self) -> str:
        more = len(self.model.notices) - 1
        return f"and {more} more: F5" if more > 0 else ""

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
        for y, line in enumerate(self._lines(canvas.width - MARGIN, canvas.height)):
            text = line.removesuffix(self._more)
            x = canvas.write(3, y, text, ink(IVORY, ground))
            canvas.write(x, y, line[len(text) :], ink(BRASS, ground))

    async def on_click(self, event: events.Click) -> None:
        """Show the links."""
        event.stop()
        await self.screen.run_action("view('links')")
