"""The part touched last, with name and state in letters five rows high that can be read from two metres."""

from __future__ import annotations

import time
from typing import NamedTuple

from rich.cells import cell_len
from rich.style import Style

from benchcon.console import glyphs
from benchcon.console.canvas import Canvas, fitted
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.view.palette import BRASS, GROUND, IVORY, QUIET, UNKNOWN, WARN
from benchcon.view.steady import SteadyPace

AIRY = 24
"""Rows of a screen from which there is a free row above the large letters, where messages are shown."""


class LargeText(NamedTuple):
    """What to show in large letters."""

    name: str
    state: str
    known: bool = True
    warn: bool = False
    """It is a warning about the whole bench, not the state of a part."""


class Touched(Drawn):
    """Shows one `LargeText`, with name and state on one line, or on two if the widget is high enough."""

    DEFAULT_CSS = """
    Touched { height: 5; }
    """

    def __init__(self, *, live: bool = True, id: str | None = None) -> None:
        super().__init__(id=id)
        self._live = live
        self.big: LargeText | None = None
        self._wanted: LargeText | None = None
        self._pace = SteadyPace()
        self._waits = False

    def show(self, big: LargeText | None) -> None:
        """Show `big` if it is new, but change at most three times in any second, to the latest."""
        self._wanted = big
        if not self._waits:
            self._change()

    def _change(self) -> None:
        self._waits = False
        if self._wanted == self.big:
            return
        now_us = time.monotonic_ns() // 1000
        wait_us = self._pace.wait_us(now_us)
        if wait_us:
            self._waits = True
            self.set_timer(wait_us / 1e6, self._change)
            return
        self._pace.go(now_us)
        self.big = self._wanted
        self.repaint()

    def paint(self, canvas: Canvas) -> None:
        """Draw name and state."""
        canvas.wipe(0, 0, canvas.width, canvas.height, self.ground)
        margin = 1 if canvas.width < 100 else 2
        room = canvas.width - 2 * margin
        if self.big is None:
            text = "Move a control: it is shown here, to be read from afar."
            if not self._live:
                text = "No control has moved yet: Space plays the capture, . goes to the next change."
            canvas.write(margin, canvas.height // 2, text, ink(QUIET, GROUND), room)
            return
        name, state, known, warn = self.big
        colour = WARN if warn else BRASS if known else UNKNOWN
        state_ink = ink(colour if self.colour else IVORY, GROUND, bold=True)
        name_ink = ink(IVORY, GROUND)
        if canvas.height < glyphs.ROWS:  # the user wants small letters, or there is no room for large ones
            name = fitted(name, max(room - cell_len(state) - 2, 0))
            canvas.write(margin, canvas.height // 2, name, ink(IVORY, GROUND, bold=True))
            canvas.write(margin + cell_len(name) + 2, canvas.height // 2, fitted(state, room), state_ink)
            return
        if canvas.height >= 2 * glyphs.ROWS + 1:
            top = (canvas.height - 2 * glyphs.ROWS - 1) // 2
            self._line(canvas, margin, top, name, name_ink, room)
            self._line(canvas, margin, top + glyphs.ROWS + 1, state, state_ink, room)
            return
        top = (canvas.height - glyphs.ROWS + 1) // 2
        gap = 2
        if (
            not known
            and glyphs.width_of(name, glyphs.FACES[-1]) + gap + glyphs.width_of(state, glyphs.FACES[-1]) > room
        ):
            state = "?"
        for face in glyphs.FACES:
            if glyphs.width_of(name, face) + gap * face[0] + glyphs.width_of(state, face) <= room:
                break
        wide = glyphs.width_of(state, face)
        name = glyphs.shortened(name, room - gap - wide, face)
        for row, line in enumerate(glyphs.drawn(name, face)):
            canvas.write(margin, top + row, line, name_ink)
        for row, line in enumerate(glyphs.drawn(state, face)):
            canvas.write(canvas.width - margin - wide, top + row, line, state_ink)

    def _line(self, canvas: Canvas, x: int, y: int, text: str, style: Style, room: int) -> None:
        face = glyphs.broadest(text, room) or glyphs.FACES[-1]
        for row, line in enumerate(glyphs.drawn(glyphs.shortened(text, room, face), face)):
            canvas.write(x, y + row, line, style)
