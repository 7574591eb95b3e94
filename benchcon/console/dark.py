"""Dark: asked for with one key, watched until every board has confirmed it, shouted if one has not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen

from benchcon.console import glyphs
from benchcon.console.canvas import Canvas
from benchcon.console.drawn import Drawn
from benchcon.console.ink import BAD, IVORY, ink
from benchcon.console.keyline import KeyLine
from benchcon.state import BoardState
from benchcon.wire.printable import printable

CONFIRM_US = 500_000
"""A board that has not confirmed dark in this time is named on the screen."""

_WATCHED = ("live", "silent", "asking")
_ABSENT = ("lost", "released")


class DarkWatch:
    """One request to go dark: which boards have yet to confirm it. No clock of its own.

    Watched are the boards with an open port: one that is silent may well be lit still. Of those whose port is lost or
    let go nothing can be said; the dead-man has darkened them, or another program has them.
    """

    def __init__(self, boards: Mapping[str, BoardState], now_us: int) -> None:
        self.asked_us = now_us
        self.waiting = {
            name
            for name, board in boards.items()
            if board.standing(now_us) in _WATCHED and any(channel.is_output for channel in board.channels.values())
        }
        self.absent = sorted(name for name, board in boards.items() if board.link in _ABSENT)
        """Boards whose port is lost or let go."""

    def look(self, boards: Mapping[str, BoardState], now_us: int) -> str:
        """Return ``confirmed``, ``waiting`` or, half a second after the request, ``overdue``."""
        for name in list(self.waiting):
            board = boards.get(name)
            if board is not None and board.dark and board.standing(now_us) == "live":
                self.waiting.discard(name)
        if not self.waiting:
            return "confirmed"
        return "overdue" if now_us - self.asked_us >= CONFIRM_US else "waiting"


class Shout(Drawn):
    """The words, as large as they go."""

    GROUND = "#3a0d0a"

    def __init__(self, names: list[str], why: str) -> None:
        super().__init__(id="shout")
        self.names, self.why = names, why

    def paint(self, canvas: Canvas) -> None:
        """Draw it in the middle."""
        width = canvas.width
        canvas.wipe(0, 0, width, canvas.height, self.ground)
        loud, plain = ink(BAD if self.colour else IVORY, self.GROUND, bold=True), ink(IVORY, self.GROUND, bold=True)
        y = max(0, (canvas.height - 17) // 2)
        for text, style in (("NOT CONFIRMED", loud), ("PULL THE PLUG", plain)):
            face = glyphs.broadest(text, width - 2) or glyphs.FACES[-1]
            x = max(0, (width - glyphs.width_of(text, face)) // 2)
            for row, line in enumerate(glyphs.drawn(text, face)):
                canvas.write(x, y + row, line, style)
            y += glyphs.ROWS + 1
        lines = [
            "NOT CONFIRMED dark – PULL THE PLUG: " + ", ".join(self.names),
            self.why,
            "Lamps and displays may still be lit. F9 asks again; Esc goes on.",
        ]
        for line in lines:
            canvas.write(max(1, (width - len(line)) // 2), y + 1, line, plain, width - 2)
            y += 1


class NotConfirmed(ModalScreen[None]):
    """Over everything: dark was not confirmed, and by which boards."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,enter,space", "close", "Go on all the same")]

    def __init__(self, names: list[str]) -> None:
        super().__init__()
        self.names = [printable(name) for name in names]

    def compose(self) -> ComposeResult:
        """The words and the keys."""
        yield Shout(self.names, "No answer within half a second.")
        yield KeyLine()

    def action_close(self) -> None:
        """Back to the bench."""
        self.dismiss(None)
