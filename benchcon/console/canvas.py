"""A grid of cells to draw on, of which only rows that changed are made into strips.

One canvas holds a whole panel's face, so that hundreds of channels cost a few short strings a frame and not a widget
each.
"""

from __future__ import annotations

from operator import is_

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

NEAR = 6
"""Stretches no more cells apart than this are sent as one, as moving the cursor costs about as much."""


def fitted(text: str, width: int) -> str:
    """Return `text` cut to `width` cells, with ``…`` where something was cut. Wide characters count as two."""
    if width <= 0:
        return ""
    if len(text) <= width and cell_len(text) <= width:
        return text
    kept = ""
    used = 0
    for letter in text:
        used += cell_len(letter)
        if used > width - 1:
            break
        kept += letter
    return kept.rstrip() + "…"


def padded(text: str, width: int, right: bool = False) -> str:
    """Return `text` as `fitted`, padded to `width` cells with blanks after it, or before it with `right`."""
    text = fitted(text, width)
    blank = " " * (width - cell_len(text))
    return blank + text if right else text + blank


def shortened(text: str, width: int) -> str:
    """Return `text` cut to `width` cells in its middle, so that texts with the same beginning stay different."""
    if cell_len(text) <= width or width < 5:
        return fitted(text, width)
    tail = ""
    for letter in reversed(text):
        if cell_len(letter + tail) > width * 2 // 3:
            break
        tail = letter + tail
    return fitted(text, width - cell_len(tail)) + tail


class Canvas:
    """`width` × `height` cells, each with one character and a style.

    A character of double width takes two cells (the second is empty), and one of no width is left out, so that a row
    keeps its width whatever text a board sends.
    """

    def __init__(self, width: int, height: int, style: Style) -> None:
        self.width = max(width, 0)
        self.height = max(height, 0)
        self.ground = style
        self._text = [[" "] * self.width for _ in range(self.height)]
        self._ink: list[list[Style]] = [[style] * self.width for _ in range(self.height)]
        self._strips: list[Strip | None] = [None] * self.height
        self._shown: list[tuple[list[str], list[Style]] | None] = [None] * self.height
        """Each row as it was at the last call of `changes`; None: not shown yet."""
        self._any_wide = False
        self._touched: set[int] = set(range(self.height))

    def write(self, x: int, y: int, text: str, style: Style, width: int | None = None) -> int:
        """Write `text` from column `x` of row `y`; what is outside, or beyond `width` cells, is clipped.

        Returns the column after the text.
        """
        if not 0 <= y < self.height:
            return x
        if width is not None:
            text = fitted(text, width)
        letters, inks = self._text[y], self._ink[y]
        changed = False
        for letter in text:
            wide = 1 if " " <= letter <= "~" else cell_len(letter)
            if wide != 1:
                if not wide:
                    continue
                changed |= self._write_wide(x, y, letter, style)
                x += 2
                continue
            if 0 <= x < self.width and (letters[x] != letter or inks[x] is not style):
                if self._any_wide:
                    self._split(x, y)
                letters[x] = letter
                inks[x] = style
                changed = True
            x += 1
        if changed:
            self._strips[y] = None
            self._touched.add(y)
        return x

    def _write_wide(self, x: int, y: int, letter: str, style: Style) -> bool:
        """Put a character of two cells at `x`; at the edge its visible half is blank. Return whether it is whole."""
        letters, inks = self._text[y], self._ink[y]
        whole = x >= 0 and x + 1 < self.width
        changed = False
        for column, part in ((x, letter if whole else " "), (x + 1, "" if whole else " ")):
            if 0 <= column < self.width and (letters[column] != part or inks[column] is not style):
                self._split(column, y)
                letters[column], inks[column] = part, style
                changed = True
        if whole:  # splitting another character may have blanked the first half
            letters[x], letters[x + 1] = letter, ""
        self._any_wide = True
        return changed

    def _split(self, x: int, y: int) -> None:
        """Prepare cell `x` for drawing: if it is half of a wide character, blank the other half."""
        letters = self._text[y]
        if letters[x] == "" and x:
            letters[x - 1] = " "
        elif x + 1 < self.width and letters[x + 1] == "":
            letters[x + 1] = " "

    def changes(self) -> list[tuple[int, int, int]]:
        """Return the stretches that changed since the last call: row, first column, column after the last.

        A cell wiped and drawn again as it was has not changed. Stretches that almost meet are joined.
        """
        found = []
        for y in sorted(self._touched):
            letters, inks = self._text[y], self._ink[y]
            before = self._shown[y]
            self._shown[y] = letters[:], inks[:]
            if before is None:
                found.append((y, 0, self.width))
                continue
            old_letters, old_inks = before
            if letters == old_letters and all(map(is_, inks, old_inks)):
                continue
            start = end = -1
            if self._any_wide and "" in letters:  # a region must not begin or end within a wide character
                found.append((y, 0, self.width))
                continue
            for x in range(self.width):
                if letters[x] != old_letters[x] or inks[x] is not old_inks[x]:
                    if start < 0:
                        start = x
                    elif x > end + NEAR:
                        found.append((y, start, end))
                        start = x
                    end = x + 1
            if start >= 0:
                found.append((y, start, end))
        self._touched.clear()
        return found

    def wipe(self, x: int, y: int, width: int, height: int, style: Style) -> None:
        """Fill a rectangle with blank cells of `style`."""
        left, right = max(x, 0), min(x + width, self.width)
        if left >= right:
            return
        blanks, inks = [" "] * (right - left), [style] * (right - left)
        for row in range(max(y, 0), min(y + height, self.height)):
            if self._any_wide:
                self._split(left, row)
                self._split(right - 1, row)
            self._text[row][left:right] = blanks
            self._ink[row][left:right] = inks
            self._strips[row] = None
            self._touched.add(row)

    def frame(self, x: int, y: int, width: int, height: int, style: Style) -> None:
        """Draw a thin frame with round corners."""
        if width < 2 or height < 2:
            return
        self.write(x, y, "╭" + "─" * (width - 2) + "╮", style)
        for row in range(y + 1, y + height - 1):
            self.write(x, row, "│", style)
            self.write(x + width - 1, row, "│", style)
        self.write(x, y + height - 1, "╰" + "─" * (width - 2) + "╯", style)

    def strip(self, y: int) -> Strip:
        """Return row `y` as a strip."""
        if not 0 <= y < self.height:
            return Strip.blank(self.width, self.ground)
        found = self._strips[y]
        if found is None:
            found = self._strips[y] = self._build(y)
        return found

    def text(self, y: int) -> str:
        """Return the characters of row `y`."""
        return "".join(self._text[y])

    def _build(self, y: int) -> Strip:
        letters, inks = self._text[y], self._ink[y]
        segments = []
        start = 0
        for x in range(1, self.width + 1):
            if x == self.width or inks[x] is not inks[start]:
                segments.append(Segment("".join(letters[start:x]), inks[start]))
                start = x
        return Strip(segments, self.width)
