"""Two pictures of a display: what it should show, and what the person sees, whose segments can be switched."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType

from benchcon.console import segment_art
from benchcon.console.canvas import Canvas
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import LAMP_COLOURS, ink
from benchcon.panel.model import Display
from benchcon.view.palette import BRASS, ENGRAVED, IVORY, PLATE, QUIET

_BITS = {"full_stop": 0x80, **{letter: 0x40 >> n for n, letter in enumerate("abcdefg")}}


_A, _B, _C, _D, _E, _F, _G, _POINT = (_BITS[key] for key in (*"abcdefg", "full_stop"))
_UNDER = ((_F, _A, _A, _B, 0), (0, _G, _G, 0, 0), (_E, _D, _D, _C, _POINT))
"""For each cell of a digit its segment; none where two meet, because a click must not guess."""
SEEN_TOP = 4
"""Row of the lower picture."""
_LEGEND = ("   A", " F   B", "   G", " E   C", "   D  .")
"""The legend that shows the key of each segment."""


class PictureView(Drawn, can_focus=True):
    """Shows `wanted` above `seen`; the arrow keys choose a digit, and A to G and the point switch its segments."""

    GROUND = PLATE
    DEFAULT_CSS = """
    PictureView { height: 9; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "digit(-1)", "Digit", key_display="← →"),
        Binding("right", "digit(1)", "Digit", show=False),
        *[
            Binding(key, f"switch({bit})", "Segment", key_display="a-g", show=key == "a")
            for key, bit in sorted(_BITS.items(), key=lambda each: (len(each[0]), each[0]))  # the point is last
        ],
    ]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.display_part: Display | None = None
        self.wanted = b""
        self.seen = bytearray()
        self.digit = 0

    def show(self, part: Display, wanted: bytes, seen: bytes) -> None:
        """Begin with these pictures of `part`: what it should show, and what is seen."""
        self.display_part, self.wanted, self.seen, self.digit = part, wanted, bytearray(seen), 0
        self.repaint()

    @property
    def changed(self) -> bool:
        """Whether the lower picture differs from the upper one."""
        return bytes(self.seen) != self.wanted

    def action_digit(self, by: int) -> None:
        """Choose another digit."""
        if self.seen:
            self.digit = (self.digit + by) % len(self.seen)
            self.repaint()

    def action_switch(self, bit: int) -> None:
        """Switch one segment of the chosen digit."""
        if self.seen:
            self.seen[self.digit] ^= bit
            self.repaint()

    def clear(self) -> None:
        """Switch all segments of the lower picture off."""
        self.seen = bytearray(len(self.wanted))
        self.repaint()

    def on_click(self, event: events.Click) -> None:
        """Choose the clicked digit; on the lower picture also switch the clicked segment."""
        event.stop()
        digit, column = divmod(event.x - self._left(), segment_art.digit_width(True))
        if 0 <= digit < len(self.seen):
            self.digit = digit
            row = event.y - self._tops()[1]
            if 0 <= row < segment_art.ROWS:
                self.seen[digit] ^= _UNDER[row][column]
            self.repaint()

    def _left(self) -> int:
        return 14

    def _tops(self) -> tuple[int | None, int]:
        """Return the rows of the two pictures; if there is no room for both, None for the upper one."""
        height = self.size.height
        return (0, SEEN_TOP) if height >= 9 else (0, 3) if height >= 7 else (None, 0)

    def paint(self, canvas: Canvas) -> None:
        """Draw both pictures."""
        canvas.wipe(0, 0, canvas.width, canvas.height, self.ground)
        if self.display_part is None:
            return
        colour = LAMP_COLOURS.get(self.display_part.colour, IVORY)
        wanted_top, seen_top = self._tops()
        for top, title, shown in ((wanted_top, "should be", self.wanted), (seen_top, "you see", bytes(self.seen))):
            if top is None:
                continue
            canvas.write(2, top + 1, title, ink(ENGRAVED if title == "should be" else IVORY, PLATE))
            for row, cells in enumerate(segment_art.picture(shown, True)):
                for column, cell in enumerate(cells):
                    lit = segment_art.LIT in (cell.above, cell.below)
                    unlit = segment_art.UNLIT in (cell.above, cell.below)
                    letter = cell.letter if lit else "·" if unlit and cell.letter == " " else cell.letter
                    style = ink(colour if lit else QUIET, PLATE)
                    canvas.write(self._left() + column, top + row, letter, style)
        width = segment_art.digit_width(True)
        below = seen_top + segment_art.ROWS
        if self.has_focus and self.seen and below < canvas.height:
            canvas.write(self._left() + self.digit * width, below, "▔" * (width - 1), ink(BRASS, PLATE, bold=True))
        legend_top = 2 if canvas.height >= 7 else 0
        for row, text in enumerate(_LEGEND[: canvas.height - legend_top]):
            canvas.write(self._left() + len(self.seen) * width + 4, legend_top + row, text, ink(BRASS, PLATE))
        caption = "it looks like the lower picture" if self.changed else "it looks the same"
        if canvas.height >= 9:
            canvas.write(2, 8, f"Enter: {caption}", ink(QUIET, PLATE))
