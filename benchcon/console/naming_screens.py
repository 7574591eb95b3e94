"""The first question of naming by hand: which part to name."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from benchcon.console.ask import HelpAbout
from benchcon.console.keyline import KeyLine
from benchcon.panel.model import Part
from benchcon.view.showing import label_of

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel


ABOUT_WHICH = (
    "Move a control on the panel: the first to move is taken. To name a lamp or a display, select it on the face "
    "first, and press Enter here. Then you are asked what is engraved beside it, and where it is."
)


class WhichPart(ModalScreen[str | None]):
    """Waits for a control to be moved, or Enter for the selected part; returns the part's name, or None."""

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
        """Yield what to do, and the keys."""
        what = "Move the control that you want to name: a press, a turn, a flick."
        if self.selected is not None:
            what += f"\nOr press Enter to name the selected part, “{label_of(self.selected)}”."
        with Vertical(classes="slip"):
            yield Static(Text("Name by hand"), classes="slip-title")
            yield Static(Text(what), classes="slip-why")
        yield KeyLine()

    def frame(self) -> None:
        """Take a control that has moved."""
        touched = self.model.feed.touched
        if touched is not None and touched != self._before:
            self.dismiss(touched.control.name)

    def action_selected(self) -> None:
        """Take the selected part."""
        if self.selected is not None:
            self.dismiss(self.selected.name)

    def action_leave(self) -> None:
        """Cancel."""
        self.dismiss(None)
