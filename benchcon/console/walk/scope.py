"""Asks what to walk: everything, one board, or parts that the person names."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from benchcon.console.ask import Ask, HelpAbout
from benchcon.console.keyline import KeyLine
from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.view.palette import BRASS, IVORY
from benchcon.walk.chosen import chosen, of_board

if TYPE_CHECKING:
    from benchcon.panel.model import Panel

ABOUT = (
    "The walk is a guided test of every input and output. Choose a board to test all its parts, or name parts, after a "
    "repair for example. The report lists what is left out as not tested. First you look at the dark panel, then at "
    "one lamp; then you work the controls; then you look at the other lamps and displays."
)
ABOUT_NAMES = "Upper and lower case are the same. A board stands for all its parts."
MOST = 9
"""Most boards with a key of their own; others must be named."""


class Scope(ModalScreen[list[str] | None]):
    """Returns the names of the parts to walk (an empty list means all), or None if the user cancels."""

    CSS = """
    Scope.-low .slip { padding: 0 1; border: none; }
    Scope.-low .slip-title, Scope.-low .slip-why { margin: 0; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "all", "Everything"),
        Binding("c", "chosen", "Name parts"),
        Binding("escape,q", "leave", "Cancel"),
    ]

    def __init__(self, panel: Panel) -> None:
        super().__init__()
        self.help_about = HelpAbout("Walk: what?", ABOUT)
        self.panel = panel
        self._boards = panel.boards[:MOST] if len(panel.boards) > 1 else ()
        for number, board in enumerate(self._boards, 1):
            self._bindings.bind(str(number), f"board({number})", printable(board.called), show=False)

    def compose(self) -> ComposeResult:
        """Yield the keys, each with what it walks."""
        rows = [("Enter", "everything", len(self.panel.parts))]
        for number, board in enumerate(self._boards, 1):
            rows.append((str(number), f"only {board.called}", len(of_board(self.panel, board.name))))
        text = Text()
        for key, what, count in rows:
            text.append(f"{key:>5}  ", f"bold {BRASS}")
            text.append(f"{printable(what)} ({count}{' parts' if what == 'everything' else ''})\n", IVORY)
        text.append(f"{'c':>5}  ", f"bold {BRASS}")
        text.append("only parts that you name", IVORY)
        with Vertical(classes="slip"):
            yield Static(Text("Walk: what?"), classes="slip-title")
            yield Static(text, classes="slip-why")
        yield KeyLine()

    def on_resize(self) -> None:
        """Show only the keys on a low screen."""
        self.set_class(self.size.height < 16, "-low")

    def action_all(self) -> None:
        """Walk everything."""
        self.dismiss([])

    def action_board(self, number: int) -> None:
        """Walk the parts of one board."""
        self.dismiss(of_board(self.panel, self._boards[number - 1].name))

    def action_chosen(self) -> None:
        """Ask for the names of parts."""

        def check(text: str) -> None:
            if not chosen(self.panel, text):
                raise Trouble("name at least one part")

        def done(text: str | None) -> None:
            if text is not None:
                self.dismiss(chosen(self.panel, text))

        why = "Parts or boards by name or label, separated by commas, such as: " + ", ".join(
            printable(part.label) for part in self.panel.parts[:2]
        )
        self.app.push_screen(Ask("Walk only", why, check=check, more=ABOUT_NAMES), done)

    def action_leave(self) -> None:
        """Cancel."""
        self.dismiss(None)
