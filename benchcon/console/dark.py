"""Watches a request for dark until every board has confirmed it, and shows in large letters if one has not."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import wrap
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen

from benchcon.console import glyphs
from benchcon.console.ask import HelpAbout
from benchcon.console.canvas import Canvas
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.console.keyline import KeyLine
from benchcon.panel.model import Panel
from benchcon.panel.unplug import second_supplies, to_pull
from benchcon.state import BoardState
from benchcon.view.dark_keys import DARK
from benchcon.view.palette import ALARM, BAD, IVORY

CONFIRM_US = 500_000
"""A board that has not confirmed dark within this time is named on the screen."""

ABOUT_DARK = (
    "Dark was asked for, and a board has not confirmed within half a second that all its outputs are off. They may "
    "still be lit: cut every supply of that board now, the USB plug and the supply of its lamps if there is one. "
    f"{DARK} asks all boards again. A board whose firmware still runs goes dark by itself two seconds after this "
    "program last spoke to it. Esc closes this message, and changes nothing on the panel."
)
"""Help text while that is on the screen."""

_WATCHED = ("live", "silent", "asking")
_ABSENT = ("lost", "released")


class DarkWatch:
    """One request for dark, and which boards have yet to confirm it. It has no clock of its own.

    It watches the boards with an open port, as a silent one may still be lit. Nothing is known of those whose port is
    lost or released: the dead-man has darkened them, or another program drives them.
    """

    def __init__(self, boards: Mapping[str, BoardState], now_us: int) -> None:
        self.asked_us = now_us
        self.waiting = {
            name
            for name, board in boards.items()
            if board.liveness(now_us) in _WATCHED and any(channel.is_output for channel in board.channels.values())
        }
        self.absent = sorted(name for name, board in boards.items() if board.link in _ABSENT)
        """Names of the boards whose port is lost or released."""

    def look(self, boards: Mapping[str, BoardState], now_us: int) -> str:
        """Return ``confirmed``, ``waiting`` or, half a second after the request, ``overdue``."""
        for name in list(self.waiting):
            board = boards.get(name)
            if board is not None and board.dark and board.liveness(now_us) == "live":
                self.waiting.discard(name)
        if not self.waiting:
            return "confirmed"
        return "overdue" if now_us - self.asked_us >= CONFIRM_US else "waiting"


class Shout(Drawn):
    """The message that dark was not confirmed, as large as fits."""

    GROUND = ALARM

    def __init__(self, names: list[str], why: str, panel: Panel) -> None:
        super().__init__(id="shout")
        self.names, self.why = to_pull(panel, names), why
        self.second = bool(second_supplies(panel, names))

    def paint(self, canvas: Canvas) -> None:
        """Draw it, centred."""
        width = canvas.width
        canvas.wipe(0, 0, width, canvas.height, self.ground)
        loud, plain = ink(BAD if self.colour else IVORY, self.GROUND, bold=True), ink(IVORY, self.GROUND, bold=True)
        pull = "PULL THE PLUG"
        large = [("NOT CONFIRMED", loud), (pull, plain)]
        if self.second:
            large, pull = [*large, ("AND 2ND SUPPLY", plain)], "PULL THE PLUG AND SWITCH OFF THE SECOND SUPPLY"
        texts = (
            f"NOT CONFIRMED dark – {pull}: {', '.join(self.names)}",
            self.why,
            f"Lamps and displays may still be lit. {DARK} asks again; Esc goes on.",
        )
        lines = [line for text in texts for line in wrap(text, max(width - 2, 10))]
        for unneeded in (0, -1, 0):  # if there is little room, lines in large letters are left to the small text
            if large and len(large) * (glyphs.ROWS + 1) + len(lines) >= canvas.height:
                large.pop(unneeded if len(large) > 1 else 0)
        y = max(0, (canvas.height - len(large) * (glyphs.ROWS + 1) - len(lines) - 1) // 2)
        for text, style in large:
            face = glyphs.broadest(text, width - 2) or glyphs.FACES[-1]
            x = max(0, (width - glyphs.width_of(text, face)) // 2)
            for row, line in enumerate(glyphs.drawn(text, face)):
                canvas.write(x, y + row, line, style)
            y += glyphs.ROWS + 1
        for line in lines:
            canvas.write(max(1, (width - len(line)) // 2), y + 1, line, plain, width - 2)
            y += 1


class NotConfirmed(ModalScreen[None]):
    """A screen over everything: dark was not confirmed, and by which boards."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,enter,space", "close", "Go on all the same")]

    def __init__(self, names: list[str], panel: Panel) -> None:
        super().__init__()
        self.names, self.panel = names, panel
        self.help_about = HelpAbout("Dark was not confirmed", ABOUT_DARK)

    def compose(self) -> ComposeResult:
        """Yield the message and the keys."""
        yield Shout(self.names, "No answer within half a second.", self.panel)
        yield KeyLine()

    def action_close(self) -> None:
        """Go back to the bench."""
        self.dismiss(None)
