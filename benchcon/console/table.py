"""A table drawn on a canvas: columns with headings, rows that scroll, one row selected."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NamedTuple

from textual import events
from textual.binding import Binding, BindingType

from benchcon.console.canvas import Canvas, padded, shortened
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.view.palette import BRASS, ENGRAVED, GROUND, IVORY, QUIET, RAISED


class Column(NamedTuple):
    """A heading, a width in cells (0: the remaining width), and whether it is right-aligned."""

    heading: str
    width: int
    right: bool = False
    ends_matter: bool = False
    """Text that does not fit is cut in its middle, because names that begin alike differ at their ends."""


class Row(NamedTuple):
    """A line of the table. `key` identifies it; a line with an empty key is a heading."""

    key: str
    cells: Sequence[str]
    colour: str = IVORY


class Table(Drawn, can_focus=True):
    """A table. Subclasses define `columns` and `rows`, whose texts must be printable."""

    GROUND = GROUND
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,shift+tab", "go(-1)", "Row above", show=False),
        Binding("down,tab", "go(1)", "Row below", show=False),
        Binding("pageup", "leaf(-1)", "Page up", show=False),
        Binding("pagedown", "leaf(1)", "Page down", show=False),
        Binding("home", "go(-100000)", "First row", show=False),
        Binding("end", "go(100000)", "Last row", show=False),
    ]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.chosen = ""
        self.led = True
        """Whether `lead` may select a row, because the user has not selected one yet."""
        self._top = 0
        self._rows: list[Row] = []

    def columns(self, width: int) -> list[Column]:
        """Return the columns for a width in cells."""
        return []

    def rows(self) -> list[Row]:
        """Return the present rows."""
        return []

    def paint(self, canvas: Canvas) -> None:
        """Draw headings and the rows in view."""
        width, height = canvas.width, canvas.height
        columns = self.columns(width)
        taken = sum(column.width + 1 for column in columns if column.width)
        rest = max(4, width - 2 - taken)
        columns = [column if column.width else column._replace(width=rest) for column in columns]
        canvas.wipe(0, 0, width, 1, ink(QUIET, RAISED))
        self._line(canvas, 0, columns, [column.heading for column in columns], ENGRAVED, RAISED, True)
        self._rows = self.rows()
        keys = [row.key for row in self._rows if row.key]
        if self.chosen not in keys:
            self.chosen = keys[0] if keys else ""
        room = height - 1
        at = next((index for index, row in enumerate(self._rows) if row.key and row.key == self.chosen), 0)
        if at < self._top or at >= self._top + room:
            self._top = at - room // 2
        self._top = max(0, min(self._top, len(self._rows) - room))
        for y in range(1, height):
            index = self._top + y - 1
            if index >= len(self._rows):
                canvas.wipe(0, y, width, 1, self.ground)
                continue
            row = self._rows[index]
            if not row.key:
                canvas.wipe(0, y, width, 1, self.ground)
                canvas.write(1, y, row.cells[0] if row.cells else "", ink(row.colour, GROUND, bold=True), width - 2)
                continue
            chosen = row.key == self.chosen and self.has_focus
            ground = BRASS if chosen and self.colour else GROUND
            colour = GROUND if chosen and self.colour else row.colour
            canvas.wipe(0, y, width, 1, ink(colour, ground, reverse=chosen and not self.colour))
            self._line(canvas, y, columns, row.cells, colour, ground, False, chosen and not self.colour)

    def _line(
        self,
        canvas: Canvas,
        y: int,
        columns: Sequence[Column],
        cells: Sequence[str],
        colour: str,
        ground: str,
        bold: bool,
        reverse: bool = False,
    ) -> None:
        x = 1
        style = ink(colour, ground, bold=bold, reverse=reverse)
        for column, cell in zip(columns, cells, strict=False):
            text = shortened(cell, column.width) if column.ends_matter else cell
            canvas.write(x, y, padded(text, column.width, column.right), style)
            x += column.width + 1

    # --- selecting ------------------------------------------------------------------------------------------------

    def choose(self, key: str) -> None:
        """Select the row with this key, which `lead` then no longer changes."""
        self.chosen, self.led = key, False
        self.refresh_bindings()
        self.repaint()

    def lead(self, key: str) -> None:
        """Select a row of interest, unless the user has selected one."""
        if self.led:
            self.chosen = key

    def action_go(self, by: int) -> None:
        """Select another row."""
        keys = [row.key for row in self._rows if row.key]
        if keys:
            at = keys.index(self.chosen) if self.chosen in keys else 0
            self.choose(keys[max(0, min(len(keys) - 1, at + by))])

    def action_leaf(self, by: int) -> None:
        """Move by a screenful."""
        self.action_go(by * max(1, self.size.height - 2))

    def on_click(self, event: events.Click) -> None:
        """Select the clicked row."""
        index = self._top + event.y - 1
        if event.y > 0 and index < len(self._rows) and self._rows[index].key:
            event.stop()
            self.choose(self._rows[index].key)

    def wheel(self, event: events.MouseEvent, by: int) -> None:
        """Move the selection by the mouse wheel."""
        event.stop()
        self.action_go(by)
