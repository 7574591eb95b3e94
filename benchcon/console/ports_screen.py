"""Asks which ports to open, when none was named or is remembered, and to add one.

No port is opened before the user chooses it, because opening a port can reset a machine that is at work.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from benchcon.console.ask import Ask, HelpAbout
from benchcon.console.keyline import KeyLine
from benchcon.console.table import Column, Row, Table
from benchcon.errors import Trouble
from benchcon.link import known_ports
from benchcon.link.connection import address
from benchcon.link.discovery import PortFound
from benchcon.text import printable
from benchcon.view.palette import ENGRAVED, GOOD, IVORY, QUIET, WARN


def checked_address(text: str) -> str:
    """Return `text` if it can be a port: a complete network address, or an existing device.

    Raises `Trouble`, which says what is wrong, for anything else.
    """
    shown = printable(text)
    if "://" in text:
        host, number = address(text)
        if not host or any(letter.isspace() for letter in host) or not 0 < number < 65536:
            raise Trouble(f"{shown}: after :// comes a host, a colon and a port number of 1 to 65535")
    elif re.fullmatch(r"COM\d+", text, re.IGNORECASE) is None:
        path = Path(text)
        if not path.is_absolute():
            raise Trouble(
                f"{shown} is not a device path, socket://host:port or rfc2217://host:port; a path begins with /"
            )
        try:
            there, is_device = path.exists(), path.is_char_device()
        except (OSError, ValueError):
            there = is_device = False
        if not is_device:
            raise Trouble(f"{shown} is {'not a serial port' if there else 'not there: is it plugged in?'}")
    return text


class PortTable(Table):
    """The ports, each with a mark if it is chosen to be opened."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("space", "mark", "Choose")]

    def __init__(self, find: Callable[[], Sequence[PortFound]], already: Sequence[str]) -> None:
        super().__init__(id="ports")
        self._find = find
        self._already = set(already)
        self.found: list[PortFound] = list(find())
        self.extra: list[str] = []
        self.marked: set[str] = set()

    def look(self) -> None:
        """List the ports again, as one may have been plugged in."""
        self.found = list(self._find())
        self.repaint()

    def columns(self, width: int) -> list[Column]:
        """Return the columns; the remaining width goes to the system's description of the port."""
        port = Column("port", 22 if width < 80 else 34, ends_matter=True)
        return [Column("", 1), port, Column("what", 0), Column("usb", 9), Column("known as", 14)]

    def rows(self) -> list[Row]:
        """Return the ports, with the reason for those that cannot be opened."""
        rows = []
        for each in self.found:
            open_already = each.port in self._already
            mark = "●" if each.port in self.marked else "–" if open_already else "○"
            what = " ".join(filter(None, (each.what, each.maker)))
            status = "open already" if open_already else f"in use: {each.in_use}" if each.in_use else each.ident
            colour = QUIET if open_already else WARN if each.in_use else GOOD if each.port in self.marked else IVORY
            rows.append(Row(each.port, [mark, each.port, what or "?", each.usb, status], colour))
        for port in self.extra:
            rows.append(Row(port, ["●" if port in self.marked else "○", port, "named by you", "", ""], IVORY))
        return rows

    def action_mark(self) -> None:
        """Choose this port, or no longer."""
        if self.chosen and self.chosen not in self._already:
            self.marked ^= {self.chosen}
            self.repaint()
            self.refresh_bindings()


WHY = (
    "Enter opens the ports marked with Space, or else the one under the cursor. Opening a port can reset what is "
    "connected to it, so no other is opened. Serial ports on which a board answers are remembered, and open by "
    "themselves next time; pseudo-terminals and network addresses never are."
)
ABOUT_ADDRESS = "Nothing is opened yet: the address joins the list, marked, and Enter there opens what is marked."
ABOUT = (
    "A port that another program uses is listed, and opens when that program has closed it. Boards that are "
    "simulated on this machine are listed as well. Forget stops a port from being opened by itself. Without a board"
    ": benchcon demo, or benchcon try PANEL for a panel of your own."
)


class PortsScreen(ModalScreen[list[str] | None]):
    """Returns the chosen ports, or None if the user cancels. The link remembers those on which a board answers."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "Open"),
        Binding("escape", "leave", "Back"),
        Binding("a", "other", "Another address"),
        Binding("u", "look", "Look again"),
        Binding("x", "forget", "Forget"),
    ]

    def __init__(self, find: Callable[[], Sequence[PortFound]], already: Sequence[str] = ()) -> None:
        super().__init__()
        self.table = PortTable(find, already)
        self.help_about = HelpAbout("Which ports should be opened?", WHY, ABOUT)

    def compose(self) -> ComposeResult:
        """Yield the question, the list and the keys."""
        with Vertical(id="ports-slip"):
            yield Static(Text("Which ports should be opened?", IVORY), classes="slip-title")
            yield Static(
                Text(WHY, ENGRAVED),
                classes="slip-why",
            )
            yield self.table
            yield Static("", id="wrong")
        yield KeyLine()

    def on_mount(self) -> None:
        """Begin with the focus on the list."""
        self.table.focus()
        if not self.table.found:
            self.query_one("#wrong", Static).update(
                Text("No serial port found. Plug a board in and press u, or press a to give an address.")
            )

    def action_open(self) -> None:
        """Return the choice; if none is marked, the port under the cursor."""
        table = self.table
        if table.marked:
            chosen = [row.key for row in table.rows() if row.key in table.marked]
        else:
            chosen = [table.chosen] if table.chosen else []
        if not chosen:
            self.query_one("#wrong", Static).update(Text("Nothing is chosen."))
            return
        self.dismiss(chosen)

    def action_other(self) -> None:
        """Ask for a path or address that the system does not list."""

        def done(text: str | None) -> None:
            if text and text not in self.table.extra:
                self.table.extra.append(text)
                self.table.marked.add(text)
                self.table.choose(text)

        why = "A device path such as /dev/ttyUSB0; behind a network socket://host:port or rfc2217://host:port."
        self.app.push_screen(Ask("Another port", why, check=checked_address, more=ABOUT_ADDRESS), done)

    def action_look(self) -> None:
        """List the ports again."""
        self.table.look()
        self.query_one("#wrong", Static).update("")

    def action_forget(self) -> None:
        """Forget a port, so that it is no longer opened by itself."""
        try:
            known = known_ports.forget(self.table.chosen)
        except Trouble as trouble:
            self.query_one("#wrong", Static).update(Text(str(trouble)))
            return
        message = f"{self.table.chosen} is no longer remembered." if known else "It was not remembered."
        self.table.look()
        self.query_one("#wrong", Static).update(Text(message))

    def action_leave(self) -> None:
        """Cancel, and open none."""
        self.dismiss(None)
