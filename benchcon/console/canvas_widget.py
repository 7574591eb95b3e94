"""The base of drawn widgets: a canvas of the widget's size, of which only rows that changed are repainted."""

from __future__ import annotations

from rich.style import Style
from textual import events
from textual.filter import ANSIToTruecolor
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from benchcon.console.canvas import Canvas
from benchcon.console.ink import ink
from benchcon.view.palette import ENGRAVED, GROUND


class Drawn(Widget, inherit_css=True):
    """A widget that is a canvas. A subclass draws in `paint`; `repaint` requests it."""

    GROUND = GROUND

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self.canvas = Canvas(0, 0, self.ground)

    @property
    def ground(self) -> Style:
        """The style of an empty cell."""
        return ink(ENGRAVED, self.GROUND)

    @property
    def colour(self) -> bool:
        """Whether colours may carry meaning (NO_COLOR is not set)."""
        return not self.app.no_color

    def paint(self, canvas: Canvas) -> None:
        """Draw everything; cells that stay the same cost nothing."""

    def repaint(self) -> None:
        """Draw, and show what changed with the next frame."""
        changes = self._drawn()
        if changes:
            self.refresh(*changes)

    def _drawn(self) -> list[Region]:
        """Draw; return the regions that have changed."""
        width, height = self.size
        if not width or not height:
            return []
        if (self.canvas.width, self.canvas.height) != (width, height):
            self.canvas = Canvas(width, height, self.ground)
        self.paint(self.canvas)
        return [Region(start, y, end - start, 1) for y, start, end in self.canvas.changes()]

    @property
    def _behind(self) -> bool:
        """Whether the canvas is of another size, as before the widget's first resize event."""
        return (self.canvas.width, self.canvas.height) != self.size

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return rows for the compositor; draw first if needed, so that the first frame is complete."""
        if self._behind:
            self._drawn()
        if self.app.no_color:
            return super().render_lines(crop)
        # A canvas has neither border nor padding, and each of its cells has both colours: Textual's styles have nothing
        # to add, and to look through them for each line took a tenth of the time of a busy face.
        rows = [self.render_line(y) for y in crop.line_range]
        for line_filter in self.get_line_filters():
            if not isinstance(line_filter, ANSIToTruecolor):  # there are no colours by number on a canvas
                ground = self.background_colors[1]
                rows = [row.apply_filter(line_filter, ground) for row in rows]
        return rows if crop.column_span == (0, self.size.width) else [row.crop(*crop.column_span) for row in rows]

    def on_resize(self) -> None:
        """Make a new canvas for a new size."""
        self.repaint()

    def wheel(self, event: events.MouseEvent, by: int) -> None:
        """Handle the mouse wheel, `by` -1 up or 1 down; a subclass that uses it stops the event."""

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Handle the wheel, up."""
        self.wheel(event, -1)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Handle the wheel, down."""
        self.wheel(event, 1)

    def render_line(self, y: int) -> Strip:
        """Return one row for the compositor."""
        return self.canvas.strip(y) if y < self.canvas.height else Strip.blank(self.size.width, self.ground)
