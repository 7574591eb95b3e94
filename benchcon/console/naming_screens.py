"""The questions of naming by hand: which part, what it is called, where it sits."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.geometry import Region
from textual.screen import ModalScreen, Screen
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

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel


ABOUT_WHICH = (
    "Move the control on the panel: the first that moves is the one. A lamp or a display is named by selecting it on "
    "the face first, and pressing Enter here. Then you are asked what is engraved beside it, and where it sits."
)
ABOUT_PLACE = (
    "The frame is the panel, seen from the front, with what the parts that have a place cover. Put the cross where the "
    "middle of the part is: its place in millimetres goes into the panel file. Skip leaves the place open."
)


class WhichPart(ModalScreen[str | None]):
    """Waits for a control to be moved; Enter means the part that is selected. Gives back the part's name."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "selected", "The selected one"),
        Binding("escape", "leave", "Cancel"),
    ]

    def __init__(self, model: ViewModel, selected: Part | None) -> None:
        super().__init__()
        self.model = model
        self.selected = selected
        self._before = model.feed.touched
        self.help_about = HelpAbout("Name by hand", ABOUT_WHICH)

    def compose(self) -> ComposeResult:
        """What to do."""
        what = "Move the control that you want to name: a press, a turn, a flick."
        if self.selected is not None:
            what += f"\nOr press Enter to name the selected part, “{label_of(self.selected)}”."
        with Vertical(classes="slip"):
            yield Static(Text("Name by hand"), classes="slip-title")
            yield Static(Text(what), classes="slip-why")
        yield KeyLine()

    def frame(self) -> None:
        """A control that moved is the one."""
        touched = self.model.feed.touched
        if touched is not None and touched != self._before:
            self.dismiss(touched.control.name)

    def action_selected(self) -> None:
        """The selected part."""
        if self.selected is not None:
            self.dismiss(self.selected.name)

    def action_leave(self) -> None:
        """None."""
        self.dismiss(None)


MARK = "▪ "
"""Before the name of a part that is too small to be drawn."""


class PointMap(Drawn, can_focus=True):
    """The panel to scale, its placed parts, and a cross to be moved to where a part sits."""

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

    def __init__(self, panel: Panel, part: Part) -> None:
        super().__init__(id="map")
        self.panel, self.part = panel, part
        places = [each.place for each in panel.parts if each.place is not None]
        self.width_mm = panel.width_mm or max([400.0, *(place.x_mm + 40 for place in places)])
        self.height_mm = panel.height_mm or max([150.0, *(place.y_mm + 40 for place in places)])
        place = part.place
        self.x_mm = place.x_mm if place else self.width_mm / 2
        self.y_mm = place.y_mm if place else self.height_mm / 2

    def _scale(self) -> tuple[float, float]:
        """Cells that a millimetre takes across and down: the plate has its proportions, as large as there is room."""
        # A row above the plate says where the cross is, one below how large the plate is.
        width, height = max(self.size.width - 3, 1), max(self.size.height - 5, 1)
        across = min(width / self.width_mm, CELL_RATIO * height / self.height_mm)
        return across, across / CELL_RATIO

    def _frame(self) -> tuple[int, int, int, int]:
        """Where the edge of the plate is, in cells: left, top, width and height."""
        across, down = self._scale()
        width, height = round(self.width_mm * across) + 3, round(self.height_mm * down) + 3
        return max(0, (self.size.width - width) // 2), max(1, (self.size.height - height) // 2), width, height

    def _cell(self, x_mm: float, y_mm: float) -> tuple[int, int]:
        (across, down), (left, top, _, _) = self._scale(), self._frame()
        return left + 1 + round(x_mm * across), top + 1 + round(y_mm * down)

    def _outline(self, canvas: Canvas, part: Part, place: Place, style: Style) -> Region | None:
        """Draw what a part covers, its middle in the middle, and return where; None if it is too small to be drawn."""
        (across, down), (width, height) = self._scale(), footprint_mm(part)
        beside, above = round((width * across - 1) / 2), round((height * down - 1) / 2)
        if not beside or not above:
            return None
        x, y = self._cell(*place)
        box = Region(x - beside, y - above, 2 * beside + 1, 2 * above + 1)
        canvas.frame(*box, style)
        return box

    def paint(self, canvas: Canvas) -> None:
        """Draw the panel's edge, what its parts cover, and the cross."""
        canvas.wipe(0, 0, canvas.width, canvas.height, ink(ENGRAVED, GROUND))
        left, top, width, height = self._frame()
        canvas.wipe(left, top, width, height, self.ground)
        canvas.frame(left, top, width, height, ink(EDGE, PLATE))
        words: list[tuple[int, int, str]] = []
        boxes: list[Region] = []
        for each in self.panel.parts:
            if each.place is None or self.part.name in (each.name, inside_of(each)) or inside_of(each):
                continue
            label = label_of(each)
            x, y = self._cell(*each.place)
            box = self._outline(canvas, each, each.place, ink(QUIET, PLATE))
            if box is None:
                words.append((y, x, MARK + label))
            else:
                boxes.append(box)
                words.append((max(box.y - 1, top + 1), max(x - cell_len(label) // 2, left + 1), label))
        for y, x, label in words:
            stops = [start for row, start, _ in words if row == y] + [box.x for box in boxes if box.y <= y < box.bottom]
            room = min([left + width, *(stop for stop in stops if stop > x)]) - 1 - x
            mark = MARK if label.startswith(MARK) else ""
            canvas.write(x, y, mark + shortened(label.removeprefix(mark), room - len(mark)), ink(ENGRAVED, PLATE))
        self._outline(canvas, self.part, Place(self.x_mm, self.y_mm), ink(BRASS, PLATE))
        x, y = self._cell(self.x_mm, self.y_mm)
        style = ink(BRASS, PLATE, bold=True)
        canvas.write(x - 2, y, "──┼──", style)
        for dy, letter in ((-1, "│"), (1, "│")):
            if top < y + dy < top + height - 1:
                canvas.write(x, y + dy, letter, style)
        told = f" {label_of(self.part)}: {self.x_mm:.0f} mm from the left, {self.y_mm:.0f} mm from the top "
        canvas.write(2, 0, told, ink(IVORY, RAISED, bold=True), canvas.width - 4)
        if canvas.height > 4:
            size = f" panel {self.width_mm:.0f} × {self.height_mm:.0f} mm "
            canvas.write(2, canvas.height - 1, size, ink(QUIET, GROUND))

    def _put(self, x_mm: float, y_mm: float) -> None:
        self.x_mm = min(max(x_mm, 0.0), self.width_mm)
        self.y_mm = min(max(y_mm, 0.0), self.height_mm)
        self.repaint()

    def action_go(self, dx: int, dy: int) -> None:
        """One cell."""
        across, down = self._scale()
        self._put(self.x_mm + dx / across, self.y_mm + dy / down)

    def action_nudge(self, dx: int, dy: int) -> None:
        """One millimetre."""
        self._put(self.x_mm + dx, self.y_mm + dy)

    def on_click(self, event: events.Click) -> None:
        """The cross goes where the click was."""
        event.stop()
        (across, down), (left, top, _, _) = self._scale(), self._frame()
        self._put((event.x - 1 - left) / across, (event.y - 1 - top) / down)


class PointScreen(Screen[tuple[float, float] | None]):
    """Asks where a part sits; gives back millimetres from the top left corner, or None to leave that open."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "take", "Place here"),
        Binding("escape", "leave", "Skip"),
    ]

    def __init__(self, panel: Panel, part: Part) -> None:
        super().__init__()
        self.map = PointMap(panel, part)
        self.help_about = HelpAbout(f"Where does “{label_of(part)}” sit?", ABOUT_PLACE)

    def compose(self) -> ComposeResult:
        """The map and the keys."""
        yield Static(Text(f"Where does “{label_of(self.map.part)}” sit? Move the cross there."), classes="point-title")
        yield self.map
        yield KeyLine()

    def on_mount(self) -> None:
        """The arrows move the cross."""
        self.map.focus()

    def action_take(self) -> None:
        """Here."""
        self.dismiss((round(self.map.x_mm, 1), round(self.map.y_mm, 1)))

    def action_leave(self) -> None:
        """Not said."""
        self.dismiss(None)
