"""The time line: every channel against time, with zoom, two cursors, and the time between them."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from benchcon.console.canvas import Canvas, fitted, padded
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import LAMP_COLOURS, ink, mixed
from benchcon.durations import clock_text
from benchcon.panel.model import Display, Lamp
from benchcon.text import label_from, printable
from benchcon.view.history import UNKNOWN, Key
from benchcon.view.palette import BRASS, ENGRAVED, GOOD, GROUND, IVORY, QUIET, RAISED
from benchcon.view.palette import UNKNOWN as NOT_KNOWN
from benchcon.view.showing import channel_label
from benchcon.view.traces import (
    Trace,
    between_text,
    column_text,
    curve,
    drawn,
    round_step_us,
    tick_text,
    trace_of,
    value_text,
)
from benchcon.wire.records import BENCH

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

_SHORTEST_US = 50.0
"""Least time in a column."""
CURSOR_A, CURSOR_B = "A", "B"
TICK = 12
"""Least number of columns between two times on the axis."""
VALUE = 10
"""Columns for a value, with a blank one before it."""
WIDE = 110
"""Columns from which there is room for the values at both cursors."""


class TimeLine(Drawn, can_focus=True):
    """The time line of all channels, with the cursors `A` and `B`, one of which moves."""

    GROUND = GROUND
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Move cursor", show=False),
        Binding("right", "move(1)", "Move cursor", key_display="← →"),
        Binding("shift+left", "leap(-1)", "Previous change", show=False),
        Binding("shift+right", "leap(1)", "Next change", key_display="Shift →"),
        Binding("up", "row(-1)", "Row above", show=False),
        Binding("down", "row(1)", "Row below", show=False),
        Binding("plus,equals_sign", "zoom(0.5)", "Zoom in", key_display="+"),
        Binding("minus", "zoom(2.0)", "Zoom out", key_display="-"),
        Binding("tab", "other", "Swap cursor"),
        Binding("left_square_bracket", "mark(-1)", "Previous mark", show=False),
        Binding("right_square_bracket", "mark(1)", "Next mark", key_display="[ ]"),
        Binding("a", "all", "Show all of the time there is"),
        Binding("end", "follow", "Back to now, and follow it", key_display="End"),
        Binding("enter", "go", "Go there"),
    ]

    @dataclass
    class Go(Message):
        """Sent to take the replay to this time."""

        at_us: int

    def __init__(self, model: ViewModel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.each_us = 100_000.0
        """Time in a column (µs)."""
        self.end_us: int | None = None
        """Time at the right edge (µs); None: it follows the present."""
        self.cursors: dict[str, int | None] = {CURSOR_A: None, CURSOR_B: None}
        self.moving = CURSOR_A
        self._key: Key | None = None
        """The channel or value of the selected row; its number changes as values become known."""
        self._top = 0
        self._rows: list[Trace] = []
        self._lines: list[int] = []
        """For each line below the first, the index of its channel."""
        self._left = 18

    # --- what is shown --------------------------------------------------------------------------------------------

    @property
    def columns(self) -> int:
        """Number of columns of time."""
        return max(self.size.width - self._left - VALUE * self._values - 1, 8)

    @property
    def _values(self) -> int:
        """Number of columns of values at the right: for both cursors if there is room, else for the moving one."""
        both = self.size.width >= WIDE and all(at_us is not None for at_us in self.cursors.values())
        return 2 if both else 1

    @property
    def right_us(self) -> int:
        """Time at the right edge."""
        return self.end_us if self.end_us is not None else self.model.latest_us

    @property
    def start_us(self) -> float:
        """Time at the left edge."""
        return self.right_us - self.columns * self.each_us

    @property
    def chosen(self) -> int:
        """Number of the selected row, from 0."""
        return next((at for at, row in enumerate(self._rows) if row.key == self._key), 0)

    def rows(self) -> list[Trace]:
        """Return a row for each value of a rehearsal, with its unit, then one for each channel in the panel's order."""
        model = self.model
        rows = []
        picture = model.rehearsal.picture if model.rehearsal is not None else None
        labels = {value.name: value.label for value in picture.values} if picture is not None else {}
        for name, unit in list(model.past.quantities().items()):
            unit = f" [{printable(unit)}]" if unit else ""
            # A capture has only names, so labels are made as for a behaviour file without labels.
            label = labels.get(name) or printable(label_from(name))
            rows.append(Trace((BENCH, name), f"{label}{unit}", BRASS, 0, True, False, True))
        for part in model.panel.parts:
            for channel in part.channels:
                board = model.boards.get(channel.board)
                if board is None:
                    continue
                label = channel_label(part, channel.id)
                kind = board.channels[channel.id].kind if channel.id in board.channels else ""
                colour = mixed(GROUND, IVORY, 0.72)
                if isinstance(part, Lamp | Display):
                    colour = LAMP_COLOURS.get(part.colour, IVORY)
                rows.append(trace_of((board.source, channel.id), kind, part, label, colour))
        return rows

    # --- drawing --------------------------------------------------------------------------------------------------

    def on_show(self) -> None:
        """Show a capture as a whole at first."""
        if not self.model.session.live and self.end_us is None:
            self.action_all()

    def paint(self, canvas: Canvas) -> None:
        """Draw cursors and times above, rows in the middle, the axis below."""
        width, height = canvas.width, canvas.height
        self._left = 18 if width < 110 else 26
        self._rows = self.rows()
        chosen = self.chosen
        feet = self._feet()
        own_row = bool(feet) and height >= 24  # else they share the row of the axis, in place of numbers in their way
        room = max(height - 2 - own_row, 0)
        self._top = max(min(self._top, chosen), chosen - room + 1, 0)
        canvas.wipe(0, 0, width, height, self.ground)
        self._paint_cursor_line(canvas)
        # Levels are drawn as curves on two rows each, if there is room for all of them.
        high = len(self._rows) + sum(row.level for row in self._rows) <= room
        self._lines = []
        cursors = self._cursor_columns()
        for index, row in enumerate(self._rows[self._top :], self._top):
            self._lines += [index] * (1 + (high and row.level))
        for y, index in enumerate(self._lines[:room], 1):
            first = y == 1 or self._lines[y - 2] != index
            if first:
                lines = 1 + (high and self._rows[index].level)
                self._paint_row(canvas, y, self._rows[index], index == chosen, lines, cursors)
        if own_row:
            canvas.wipe(0, height - 2, width, 1, self.ground)
        self._paint_axis(canvas, height - 1, () if own_row else feet)
        y = height - 1 - own_row
        for column, (letter, colour) in feet.items():
            canvas.write(self._left + column, y, letter, ink(colour, GROUND if own_row else RAISED, bold=True))

    def _paint_cursor_line(self, canvas: Canvas) -> None:
        canvas.wipe(0, 0, canvas.width, 1, ink(QUIET, RAISED))
        x = 1
        for name in (CURSOR_A, CURSOR_B):
            at_us = self.cursors[name]
            mark = "▸" if name == self.moving else " "
            text = f"{mark}{name} {clock_text(at_us, 3) if at_us is not None else '–'}"
            x = canvas.write(x, 0, text, ink(BRASS if name == CURSOR_A else GOOD, RAISED, bold=name == self.moving)) + 2
        one, other = self.cursors[CURSOR_A], self.cursors[CURSOR_B]
        if one is not None and other is not None:
            canvas.write(x, 0, f"B−A  {between_text(other - one)}", ink(IVORY, RAISED, bold=True))
        scale = f"a column is {column_text(self.each_us)}"
        if canvas.width - len(scale) - 2 > x + 18:
            canvas.write(canvas.width - len(scale) - 1, 0, scale, ink(QUIET, RAISED))

    def _column_of(self, at_us: int) -> int | None:
        column = int((at_us - self.start_us) // self.each_us)
        return column if 0 <= column < self.columns else None

    def _cursor_columns(self) -> dict[int, str]:
        found = {}
        playing = None if self.model.session.live else self.model.now_us
        for at_us, colour in ((playing, ENGRAVED), (self.cursors[CURSOR_B], GOOD), (self.cursors[CURSOR_A], BRASS)):
            column = self._column_of(at_us) if at_us is not None else None
            if column is not None:
                found[column] = colour
        return found

    def _paint_row(
        self, canvas: Canvas, y: int, row: Trace, chosen: bool, lines: int, cursors: Mapping[int, str]
    ) -> None:
        """Draw a channel on one row, or a level as a curve on two, with name and values on the lower one."""
        above, y = y, y + lines - 1
        past = self.model.past
        style = ink(GROUND, BRASS, bold=True) if chosen and self.colour else ink(ENGRAVED, GROUND)
        if chosen and not self.colour:
            style = Style(reverse=True, bold=True)
        canvas.write(0, y, padded(f" {fitted(row.label, self._left - 2)}", self._left), style)
        start_us = self.start_us
        stretches = past.row(row.key, int(start_us), self.each_us, self.columns)
        if stretches is None:
            return
        reach = past.reach(row.key)
        begun, known = (past.first_us or 0) - self.each_us, True
        for column, stretch in enumerate(stretches):
            letter, colour = drawn(stretch, reach, row)
            if stretch.value == UNKNOWN and not stretch.changes and start_us + column * self.each_us > begun:
                # Never show its last value as if it still held.
                letter, colour = ("?" if known else "·"), NOT_KNOWN
            known = stretch.value != UNKNOWN or letter == " "
            ground = RAISED if column in cursors else GROUND
            if column in cursors and letter == " ":
                letter = "│"
                colour = cursors[column]
            elif column in cursors:
                colour = cursors[column]
            if lines == 2 and stretch.value != UNKNOWN and letter != "│":
                upper, letter = curve(stretch, reach, row)
                canvas.write(self._left + column, above, upper, ink(colour, ground))
            elif lines == 2 and column in cursors:
                canvas.write(self._left + column, above, "│", ink(colour, ground))
            canvas.write(self._left + column, y, letter, ink(colour, ground))
        names = (CURSOR_A, CURSOR_B) if self._values == 2 else (self.moving,)
        for number, name in enumerate(reversed(names)):
            at_us = self.cursors[name]
            text = value_text(past.value_at(row.key, at_us if at_us is not None else self.model.now_us), row)
            colour = (BRASS if name == CURSOR_A else GOOD) if self._values == 2 else IVORY if chosen else QUIET
            x = canvas.width - VALUE * (number + 1)
            canvas.write(x, y, padded(text, VALUE - 1, right=True), ink(colour, GROUND))

    def _feet(self) -> dict[int, tuple[str, str]]:
        """Return by column the signs between the rows and the axis: cursors, and marks over them."""
        found = {column: ("┃", colour) for column, colour in self._cursor_columns().items()}
        for at_us, _ in self.model.past.marks:
            column = self._column_of(at_us)
            if column is not None:
                found[column] = ("▲", BRASS)
        return found

    def _paint_axis(self, canvas: Canvas, y: int, taken: Collection[int]) -> None:
        canvas.wipe(0, y, canvas.width, 1, ink(QUIET, RAISED))
        step_us = round_step_us(TICK * self.each_us)
        at_us = -(-max(int(self.start_us), 0) // step_us) * step_us
        while (column := self._column_of(at_us)) is not None:
            text = "╵" + tick_text(at_us, step_us)
            covered = range(column, column + len(text))
            if covered.stop <= self.columns and not any(each in taken for each in covered):
                canvas.write(self._left + column, y, text, ink(QUIET, RAISED))
            at_us += step_us
        mark = self._mark_text()
        if mark:
            canvas.write(1, y, mark, ink(BRASS, RAISED), self._left - 2)

    def _mark_text(self) -> str:
        """Return the text of the mark at the moving cursor."""
        at_us = self.cursors[self.moving]
        if at_us is None:
            return "" if self.end_us is not None else "now →"
        near = [text for when, text in self.model.past.marks if abs(when - at_us) <= self.each_us]
        return near[0] if near else ""

    # --- keys -----------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to go to a time only in a replay."""
        return action != "go" or not self.model.session.live

    def _here(self) -> int:
        at_us = self.cursors[self.moving]
        return at_us if at_us is not None else self.model.now_us

    def put(self, at_us: int) -> None:
        """Put the moving cursor at a time, and scroll it into view."""
        at_us = max(0, min(at_us, self.model.latest_us))
        self.cursors[self.moving] = at_us
        if self.end_us is None:
            self.end_us = self.model.latest_us
        span = self.columns * self.each_us
        if not self.start_us <= at_us < self.right_us:
            self.end_us = int(at_us + span / 2)
        self.repaint()

    def action_move(self, by: int) -> None:
        """Move the cursor by `by` columns."""
        self.put(int(self._here() + by * max(self.each_us, 1)))

    def action_leap(self, by: int) -> None:
        """Move the cursor to the next change of the channel, or the previous one."""
        if self._rows:
            self.run_worker(self._leap(self._rows[self.chosen], by), exclusive=True, group="leap")

    async def _leap(self, row: Trace, by: int) -> None:
        """Search for the change on another thread, as it takes a moment in a long capture."""
        found = await asyncio.to_thread(self.model.past.change_near, row.key, self._here(), by)
        if found is None:
            self._nothing(f"change of this {'value' if row.thousandths else 'channel'}", by)
        else:
            self.put(found)

    def action_mark(self, by: int) -> None:
        """Move the cursor to the next mark or trigger, or the previous one."""
        here = self._here()
        times = [at_us for at_us, _ in self.model.past.marks]
        ahead = [at_us for at_us in times if (at_us > here if by > 0 else at_us < here)]
        if ahead:
            self.put(min(ahead) if by > 0 else max(ahead))
        else:
            self._nothing("mark or trigger", by)

    def _nothing(self, what: str, by: int) -> None:
        """Show that there is no further change or mark in that direction."""
        self.app.bell()
        self.app.notify(f"There is no {what} {'after' if by > 0 else 'before'} this.", timeout=3, markup=False)

    def action_row(self, by: int) -> None:
        """Select another channel."""
        if self._rows:
            self._key = self._rows[max(0, min(len(self._rows) - 1, self.chosen + by))].key
        self.repaint()

    def action_other(self) -> None:
        """Let the other cursor move; the first time it begins where this one is."""
        here = self._here()
        self.moving = CURSOR_B if self.moving == CURSOR_A else CURSOR_A
        self.put(here if self.cursors[self.moving] is None else self._here())

    def action_zoom(self, by: float) -> None:
        """Zoom in or out about the moving cursor."""
        before = self.each_us
        self.each_us = min(max(before * by, _SHORTEST_US), 3.6e9)
        if self.end_us is not None:
            here = self._here()
            self.end_us = int(here + (self.end_us - here) * self.each_us / before)
        self.repaint()

    def action_all(self) -> None:
        """Show everything, from beginning to end."""
        first = self.model.past.first_us or 0
        self.end_us = self.model.latest_us
        self.each_us = max((self.end_us - first) / max(self.columns - 1, 1), _SHORTEST_US)
        self.repaint()

    def action_follow(self) -> None:
        """Follow the present, and remove the moving cursor."""
        self.end_us = None
        self.cursors[self.moving] = None
        self.repaint()

    def action_go(self) -> None:
        """Take the replay to the cursor's time."""
        self.post_message(self.Go(self._here()))

    def on_click(self, event: events.Click) -> None:
        """Put the moving cursor at the click, and select the channel."""
        event.stop()
        if 0 <= event.y - 1 < len(self._lines) and event.y < self.size.height - 1:
            self._key = self._rows[self._lines[event.y - 1]].key
        if event.x >= self._left:
            self.put(int(self.start_us + (event.x - self._left + 0.5) * self.each_us))
        else:
            self.repaint()

    def wheel(self, event: events.MouseEvent, by: int) -> None:
        """Zoom by the mouse wheel; up is in."""
        event.stop()
        self.action_zoom(2.0**by)
