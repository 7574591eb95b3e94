"""Draws a seven-segment display three rows high, points included.

Bits are as in `panel.segments`: 80h the point, 40h A (top), then clockwise 20h B, 10h C, 08h D, 04h E, 02h F; 01h G.

Each cell has two dots, one above the other. The middle dot of a segment is lit by that segment alone, a corner by
either of its neighbours, so that all 256 patterns look different.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

ROWS = 3
_POINT, _A, _B, _C, _D, _E, _F, _G = (0x80 >> bit for bit in range(8))

NOTHING, UNLIT, LIT = 0, 1, 2


class Cell(NamedTuple):
    """One cell of the picture. `above` and `below` are `NOTHING`, `UNLIT` or `LIT`."""

    letter: str
    """The character that shows the lit dots, and nothing of the others."""
    above: int
    below: int


def digit_width(broad: bool) -> int:
    """Return the cells that one digit takes, its point included."""
    return 5 if broad else 4


# For each dot the segments that light it, from top to bottom, in the left, the middle and the right column.
_LEFT = (_A | _F, _F, _F | _G | _E, _E, _E | _D, 0)
_MIDDLE = (_A, 0, _G, 0, _D, 0)
_RIGHT = (_A | _B, _B, _B | _G | _C, _C, _C | _D, 0)
_LETTERS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


@lru_cache(maxsize=512)
def _digit(byte: int, broad: bool) -> tuple[tuple[Cell, ...], ...]:
    columns = (_LEFT, *[_MIDDLE] * (2 if broad else 1), _RIGHT)
    rows = []
    for row in range(ROWS):
        cells = []
        for column in columns:
            dots = [NOTHING if not mask else LIT if byte & mask else UNLIT for mask in column[2 * row : 2 * row + 2]]
            cells.append(Cell(_LETTERS[dots[0] == LIT, dots[1] == LIT], dots[0], dots[1]))
        point = LIT if byte & _POINT else UNLIT
        cells.append(Cell("▗" if point == LIT else " ", NOTHING, point) if row == ROWS - 1 else Cell(" ", 0, 0))
        rows.append(tuple(cells))
    return tuple(rows)


def picture(segments: bytes, broad: bool = False, scale: int = 1) -> list[list[Cell]]:
    """Return rows of cells for `segments`, one byte a digit, leftmost first: three, or six at `scale` 2."""
    digits = [_digit(byte, broad) for byte in segments]
    rows = [[cell for digit in digits for cell in digit[row]] for row in range(ROWS)]
    return rows if scale == 1 else [doubled for row in rows for doubled in _doubled(row)]


def _doubled(row: list[Cell]) -> tuple[list[Cell], list[Cell]]:
    """Return a row of cells at twice the size, as two rows: each dot is two cells wide and one cell high."""
    halves: tuple[list[Cell], list[Cell]] = ([], [])
    for cell in row:
        for half, dot in zip(halves, (cell.above, cell.below), strict=True):
            half += [Cell("█" if dot == LIT else " ", dot, dot)] * 2
    return halves
