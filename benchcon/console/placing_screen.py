"""The last question of naming by hand: where on the plate a part is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar, NamedTuple

from rich.cells import cell_len
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Offset, Region
from textual.screen import Screen
from textual.widgets import Static

from benchcon.console.ask import HelpAbout
from benchcon.console.canvas import Canvas, shortened
from benchcon.console.canvas_widget import Drawn
from benchcon.console.face_true import CELL_RATIO
from benchcon.console.ink import ink
from benchcon.console.keyline import KeyLine
from benchcon.panel.model import Panel, Part, Place
from benchcon.panel.places import footprint_mm, inside_of
from benchcon.view.palette import BRASS, EDGE, ENGRAVED, GROUND, IVORY, PLATE, QUIET, RAISED
from benchcon.view.showing import label_of

ABOUT_PLACE = (
    "The frame is the panel, seen from the front, with the parts that have a place. Put the cross where the "
    "middle of the part is: its place in millimetres goes into the panel file. Where a name has no room on the plate, "
    "there is a number, which the list explains. Skip leaves the place open."
)

MARK = "▪"
"""Mark of a part that is too small to be drawn; its name or number follows."""

SHARES = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5)
"""Sizes of the plate to try, as shares of the room, until all names can be read."""


class Name(NamedTuple):
    """The text at a part, and how many cells it may have."""

    part: Part
    x: int
    y: int
    text: str
    listed: bool
    """Whether the text is the number under which the name is listed."""
    room: int = 0

    @property
    def fits(self) -> bool:
        """Whether the text is not cut."""
        return cell_len(self.text) <= self.room

    @property
    def shown(self) -> str:
        """The text that fits: a name is shortened; a number, which would become another one, is left out."""
        mark = MARK if self.text.startswith(MARK) else ""
        text = self.text.removeprefix(mark)
        return self.text if self.fits else mark + ("" if self.listed else shortened(text, self.room - len(mark)))


class PlateMap:
    """The plate of `panel` with its parts, drawn to scale in `size` cells, as large as there is room.

    A name without room at its part is replaced by a number, and listed below the plate or beside it. The plate is made
    smaller for this, down to half the size; if not all names have room even then, they are cut.
    """

    def __init__(self, panel: Panel, part: Part, size: tuple[int, int]) -> None:
        """`part` is the one whose place is asked for; it is not drawn."""
        self.size = size
        self.others = {
            each.name: (each, each.place)
            for each in panel.parts
            if each.place is not None and part.name not in (each.name, inside_of(each)) and not inside_of(each)
        }
        places = [each.place for each in panel.parts if each.place is not None]
        self.width_mm = panel.width_mm or max([400.0, *(place.x_mm + 40 for place in places)])
        self.height_mm = panel.height_mm or max([150.0, *(place.y_mm + 40 for place in places)])
        self.legend: list[tuple[int, int, str]] = []
        """The list of names without room at their parts, each with its number: column, row and text."""
        if not any(self._draw(share) for share in SHARES):
            self._draw(1.0)

    def _draw(self, share: float) -> bool:
        """Draw the plate in a share of the room; return whether every name can be read."""
        # The row above the plate gives the position of the cross, the one below the size of the plate.
        room = max(self.size[0] - 3, 1), max(self.size[1] - 5, 1)
        self.across = share * min(room[0] / self.width_mm, CELL_RATIO * room[1] / self.height_mm)
        self.down = self.across / CELL_RATIO
        width, height = round(self.width_mm * self.across) + 3, round(self.height_mm * self.down) + 3
        self.plate = Region(max(0, (self.size[0] - width) // 2), max(1, (self.size[1] - height) // 2), width, height)
        self.names = self._names({})
        cut = sorted((name for name in self.names if not name.fits), key=lambda name: (name.y, name.x))
        lines = [f"{number:>{len(str(len(cut)))}} {label_of(name.part)}" for number, name in enumerate(cut, 1)]
        if not self._list(lines):
            return False
        self.names = self._names({name.part.name: number for number, name in enumerate(cut, 1)})
        return all(name.fits for name in self.names)

    def cell(self, place: Place) -> tuple[int, int]:
        """Return the cell of a place on the plate."""
        return (
            self.plate.x + 1 + round(place.x_mm * self.across),
            self.plate.y + 1 + round(place.y_mm * self.down),
        )

    def place(self, x: int, y: int) -> Place:
        """Return the place at a cell; for a cell outside the plate it is beyond the plate's edge."""
        return Place((x - 1 - self.plate.x) / self.across, (y - 1 - self.plate.y) / self.down)

    def outline(self, part: Part, place: Place) -> Region | None:
        """Return the cells that a part covers around its centre; None if it is too small to be drawn."""
        width, height = footprint_mm(part)
        beside, above = round((width * self.across - 1) / 2), round((height * self.down - 1) / 2)
        if not beside or not above:
            return None
        x, y = self.cell(place)
        return Region(x - beside, y - above, 2 * beside + 1, 2 * above + 1)

    def nearest(self, place: Place) -> Part | None:
        """Return the part nearest to a place; None if there is no other."""
        others = self.others.values()
        return min(others, key=lambda each: math.dist(each[1], place))[0] if others else None

    def _names(self, numbers: Mapping[str, int]) -> list[Name]:
        left, top = self.plate.x + 1, self.plate.y + 1
        found: list[Name] = []
        boxes: list[Region] = []
        for part, place in self.others.values():
            listed = part.name in numbers
            text = str(numbers[part.name]) if listed else label_of(part)
            x, y = self.cell(place)
            box = self.outline(part, place)
            if box is None:
                found.append(Name(part, x, y, f"{MARK}{'' if listed else ' '}{text}", listed))
            else:
                boxes.append(box)
                found.append(Name(part, max(x - cell_len(text) // 2, left), max(box.y - 1, top), text, listed))

        def room(name: Name) -> int:
            stops = [other.x for other in found if other.y == name.y]
            stops += [box.x for box in boxes if box.y <= name.y < box.bottom]
            room = min([self.plate.right - 1, *(stop - 1 for stop in stops if stop > name.x)]) - name.x
            return room + name.listed  # a number may touch the next mark

        return [name._replace(room=room(name)) for name in found]

    def _list(self, lines: list[str]) -> bool:
        """List `lines` below the plate, or else beside it; return False if there is no room."""
        width, height = self.size
        if not lines:
            return True
        wide = max(map(cell_len, lines)) + 3
        below, beside = height - 2 - self.plate.height, width - self.plate.width - 2
        if (across := max(width - 2, 0) // wide) and (rows := math.ceil(len(lines) / across)) <= below:
            self.plate = self.plate.at_offset(Offset(self.plate.x, 1 + max(below - rows - 1, 0) // 2))
            x, y = 2, self.plate.bottom + (rows < below)
        elif height > 2 and (across := math.ceil(len(lines) / (height - 2))) * wide <= beside:
            rows = math.ceil(len(lines) / across)
            self.plate = self.plate.at_offset(Offset((beside - across * wide) // 2, self.plate.y))
            x, y = self.plate.right + 2, max(min(self.plate.y, height - 1 - rows), 1)
        else:
            self.legend = []
            return False
        self.legend = [(x + at // rows * wide, y + at % rows, line) for at, line in enumerate(lines)]
        return True


class PointMap(Drawn, can_focus=True):
    """The panel to scale with its placed parts, and a cross to move to the place of another part."""

    GROUND = PLATE
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "go(0,-1)", "Move", key_display="Arrows"),
        Binding("down", "go(0,1)", "Move", show=False),
        Binding("left", "go(-1,0)", "Move", show=False),
        Binding("right", "go(1,0)", "Move", show=False),
        Binding("shift+up", "nudge(0,-1)", "1 mm", key_display="Shift+Arrows"),
        Binding("shift+down", "nudge(0,1)", "1 mm", show=False),
        Binding("shift+left", "nudge(-1,0)", "1 mm", show=False),
        Binding("shift+right", "nudge(1,0)", "1 mm", show=False),
    ]
    HELP_KEYS = BINDINGS

    def __init__(self, panel: Panel, part: Part) -> None:
        super().__init__(id="map")
        self.panel, self.part = panel, part
        self.map = PlateMap(panel, part, (0, 0))
        self.at = part.place or Place(self.map.width_mm / 2, self.map.height_mm / 2)

    def paint(self, canvas: Canvas) -> None:
        """Draw the panel's edge, its parts, and the cross."""
        if self.map.size != (canvas.width, canvas.height):
            self.map = PlateMap(self.panel, self.part, (canvas.width, canvas.height))
        plate = self.map.plate
        canvas.wipe(0, 0, canvas.width, canvas.height, ink(ENGRAVED, GROUND))
        canvas.wipe(*plate, self.ground)
        canvas.frame(*plate, ink(EDGE, PLATE))
        for part, place in self.map.others.values():
            if (box := self.map.outline(part, place)) is not None:
                canvas.frame(*box, ink(QUIET, PLATE))
        self._cross(canvas)
        for name in self.map.names:
            canvas.write(name.x, name.y, name.shown, ink(ENGRAVED, PLATE))
        for x, y, line in self.map.legend:
            canvas.write(x, y, line, ink(ENGRAVED, GROUND))
        canvas.write(*self.map.cell(self.at), "┼", ink(BRASS, PLATE, bold=True))
        label = label_of(self.part)
        caption = f" {label}: {self.at.x_mm:.0f} mm from the left, {self.at.y_mm:.0f} mm from the top "
        canvas.write(2, 0, caption, ink(IVORY, RAISED, bold=True), canvas.width - 4)
        if canvas.height > 4:
            nearest = self.map.nearest(self.at)
            caption = f" near the cross: {label_of(nearest)}  " if nearest is not None else ""
            caption += f" panel {self.map.width_mm:.0f} × {self.map.height_mm:.0f} mm "
            canvas.write(2, canvas.height - 1, caption, ink(QUIET, GROUND), canvas.width - 4)

    def _cross(self, canvas: Canvas) -> None:
        """Draw the cross and what the part will cover, below the names, which stay readable."""
        plate, style = self.map.plate, ink(BRASS, PLATE, bold=True)
        if (box := self.map.outline(self.part, self.at)) is not None:
            canvas.frame(*box, ink(BRASS, PLATE))
        x, y = self.map.cell(self.at)
        canvas.write(x - 2, y, "──┼──", style)
        for row in (y - 1, y + 1):
            if plate.y < row < plate.bottom - 1:
                canvas.write(x, row, "│", style)

    def _put(self, place: Place) -> None:
        x_mm, y_mm = place
        self.at = Place(min(max(x_mm, 0.0), self.map.width_mm), min(max(y_mm, 0.0), self.map.height_mm))
        self.repaint()

    def action_go(self, dx: int, dy: int) -> None:
        """Move the cross one cell."""
        self._put(Place(self.at.x_mm + dx / self.map.across, self.at.y_mm + dy / self.map.down))

    def action_nudge(self, dx: int, dy: int) -> None:
        """Move the cross one millimetre."""
        self._put(Place(self.at.x_mm + dx, self.at.y_mm + dy))

    def on_click(self, event: events.Click) -> None:
        """Put the cross at the clicked cell."""
        event.stop()
        self._put(self.map.place(event.x, event.y))


class PointScreen(Screen[tuple[float, float] | None]):
    """Asks where a part is; returns mm from the top left corner, or None to leave that open."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "take", "Place here"),
        Binding("escape", "leave", "Skip"),
    ]

    def __init__(self, panel: Panel, part: Part) -> None:
        super().__init__()
        self.map = PointMap(panel, part)
        self.help_about = HelpAbout(f"Where does “{label_of(part)}” sit?", ABOUT_PLACE)

    def compose(self) -> ComposeResult:
        """Yield the map and the keys."""
        yield Static(Text(f"Where does “{label_of(self.map.part)}” sit? Move the cross there."), classes="point-title")
        yield self.map
        yield KeyLine()

    def on_mount(self) -> None:
        """Let the arrow keys move the cross."""
        self.map.focus()

    def action_take(self) -> None:
        """Take the place of the cross."""
        self.dismiss((round(self.map.at.x_mm, 1), round(self.map.at.y_mm, 1)))

    def action_leave(self) -> None:
        """Leave the place open."""
        self.dismiss(None)
