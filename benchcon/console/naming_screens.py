"""The questions of naming by hand: which part, what it is called, where it sits."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen, Screen
from textual.widgets import Static

from benchcon.console.ask import HelpAbout
from benchcon.console.canvas import Canvas, fitted
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.console.keyline import KeyLine
from benchcon.panel.model import Panel, Part
from benchcon.view.palette import BRASS, EDGE, ENGRAVED, GROUND, IVORY, PLATE, QUIET, RAISED
from benchcon.view.showing import label_of

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel


ABOUT_WHICH = (
    "Move the control on the panel: the first that moves is the one. A lamp or a display is named by selecting it on "
    "the face first, and pressing Enter here. Then you are asked what is engraved beside it, and where it sits."
)
ABOUT_PLACE = (
    "The frame is the panel, seen from the front, with the parts that have a place already. Put the cross where the "
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

    def _cell(self, x_mm: float, y_mm: float) -> tuple[int, int]:
        width, height = max(self.size.width - 3, 1), max(self.size.height - 3, 1)
        return 1 + round(x_mm / self.width_mm * width), 1 + round(y_mm / self.height_mm * height)

    def paint(self, canvas: Canvas) -> None:
        """Draw the panel's edge, its parts, and the cross."""
        canvas.wipe(0, 0, canvas.width, canvas.height, self.ground)
        canvas.frame(0, 0, canvas.width, canvas.height, ink(EDGE, PLATE))
        others: list[tuple[int, int, str]] = []
        for each in self.panel.parts:
            if each.place is not None and each.name != self.part.name:
                x, y = self._cell(each.place.x_mm, each.place.y_mm)
                others.append((y, x, label_of(each)))
        others.sort()
        for (y, x, label), after in zip(others, [*others, (-1, 0, "")][1:], strict=True):
            room = (after[1] if after[0] == y else canvas.width) - x - 3
            canvas.write(x, y, "▪", ink(ENGRAVED, PLATE))
            canvas.write(x + 2, y, fitted(label, room), ink(QUIET, PLATE))
        x, y = self._cell(self.x_mm, self.y_mm)
        style = ink(BRASS, PLATE, bold=True)
        canvas.write(x - 2, y, "──┼──", style)
        for dy, letter in ((-1, "│"), (1, "│")):
            if 0 < y + dy < canvas.height - 1:
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
        across = self.width_mm / max(self.size.width - 3, 1)
        down = self.height_mm / max(self.size.height - 3, 1)
        self._put(self.x_mm + dx * across, self.y_mm + dy * down)

    def action_nudge(self, dx: int, dy: int) -> None:
        """One millimetre."""
        self._put(self.x_mm + dx, self.y_mm + dy)

    def on_click(self, event: events.Click) -> None:
        """The cross goes where the click was."""
        event.stop()
        width, height = max(self.size.width - 3, 1), max(self.size.height - 3, 1)
        self._put((event.x - 1) / width * self.width_mm, (event.y - 1) / height * self.height_mm)


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
