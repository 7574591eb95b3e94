"""Letters five rows high, which can be read from two metres with both hands behind a panel.

A glyph is drawn in columns that are stroke and gap by turns. Strokes and gaps are widened independently, so that one
drawing gives a broad, a medium and a narrow face. Half blocks (``^`` upper, ``_`` lower, ``(`` left) round the corners,
which distinguishes O from 0, S from 5 and B from 8.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

ROWS = 5
"""Height of every glyph, in rows of the terminal."""

FACES = ((2, 2, 2), (2, 1, 1), (1, 1, 1))
"""Width in cells of a stroke, of a gap, and of the space between glyphs, for each face, the broadest first."""

_DRAWN = {
    "A": "_#_/#.#/###/#.#/#.#",
    "B": "##_/#.#/##(/#.#/##^",
    "C": "_##/#../#../#../^##",
    "D": "##_/#.#/#.#/#.#/##^",
    "E": "###/#../##./#../###",
    "F": "###/#../##./#../#..",
    "G": "_##/#../#_#/#.#/^##",
    "H": "#.#/#.#/###/#.#/#.#",
    "I": "#/#/#/#/#",
    "J": "..#/..#/..#/#.#/^#^",
    "K": "#.#/#.#/##_/#.#/#.#",
    "L": "#../#../#../#../###",
    "M": "#_._#/#^#^#/#.#.#/#...#/#...#",
    "N": "#_..#/##_.#/#^#_#/#.^##/#..^#",
    "O": "_#_/#.#/#.#/#.#/^#^",
    "P": "##_/#.#/##^/#../#..",
    "Q": "_#_/#.#/#.#/#_#/^##",
    "R": "##_/#.#/##^/#^_/#.#",
    "S": "_##/#../^#_/..#/##^",
    "T": "###/.#./.#./.#./.#.",
    "U": "#.#/#.#/#.#/#.#/^#^",
    "V": "#.#/#.#/#.#/#_#/.#.",
    "W": "#...#/#...#/#.#.#/#_#_#/^#.#^",
    "X": "#.#/#.#/.#./#.#/#.#",
    "Y": "#.#/#.#/^#^/.#./.#.",
    "Z": "###/..#/_#^/#../###",
    "0": "###/#.#/#.#/#.#/###",
    "1": "_#./##./.#./.#./###",
    "2": "^#_/..#/_#^/#../###",
    "3": "##_/..#/.#(/..#/##^",
    "4": "#.#/#.#/###/..#/..#",
    "5": "###/#../##_/..#/##^",
    "6": "_#^/#../##_/#.#/^#^",
    "7": "###/..#/.#^/.#./.#.",
    "8": "_#_/#.#/_#_/#.#/^#^",
    "9": "_#_/#.#/^##/..#/_#^",
    "-": ".../.../###/.../...",
    "+": ".../.#./###/.#./...",
    "×": ".../.../#.#/.#./#.#",
    "=": ".../###/.../###/...",
    "_": ".../.../.../.../###",
    ".": "././././#",
    "…": "...../...../...../...../#.#.#",
    ",": "./././#/^",
    ":": "./#/./#/.",
    "'": "#/^/./././",
    "!": "#/#/#/./#",
    "?": "^#_/..#/.#^/.../.#.",
    "/": "..#/..#/.#./#../#..",
    "%": "#.#/..#/.#./#../#.#",
    "(": "_#/#./#./#./^#",
    ")": "#_/.#/.#/.#/#^",
    "*": ".../#.#/.#./#.#/...",
    "#": "#.#/###/#.#/###/#.#",
    "°": "###/###/.../.../...",
    "→": ".../.#_/###/.#^/...",
    " ": "././././.",
}
_BLOCKS = {"#": "█", "^": "▀", "_": "▄", ".": " "}


def plain(text: str) -> str:
    """Return `text` in letters that can be drawn: capitals without accents; others become ``?``."""
    drawn = []
    for letter in text:
        big = letter.upper()
        if big not in _DRAWN:
            big = unicodedata.normalize("NFKD", big)[:1].upper()
        drawn.append(big if big in _DRAWN else "?")
    return "".join(drawn)


@lru_cache(maxsize=1024)
def _glyph(letter: str, stroke: int, gap: int) -> tuple[str, ...]:
    rows = (_DRAWN[letter].split("/") + [""] * ROWS)[:ROWS]
    wide = max(map(len, rows))
    return tuple(
        "".join(_cells(mark, gap if column % 2 else stroke) for column, mark in enumerate(row.ljust(wide, ".")))
        for row in rows
    )


def _cells(mark: str, width: int) -> str:
    """Return a mark of a drawing `width` cells wide; ``(`` fills its left half."""
    if mark == "(":
        return ("█" * (width // 2) + "▌" * (width % 2)).ljust(width)
    return _BLOCKS[mark] * width


def width_of(text: str, face: tuple[int, int, int]) -> int:
    """Return how many cells `text` takes in a face of `FACES`."""
    stroke, gap, between = face
    return sum(len(_glyph(letter, stroke, gap)[0]) + between for letter in plain(text)) - (between if text else 0)


def drawn(text: str, face: tuple[int, int, int]) -> list[str]:
    """Return `text` as five rows of block characters, all of one length."""
    stroke, gap, between = face
    glyphs = [_glyph(letter, stroke, gap) for letter in plain(text)]
    return [(" " * between).join(glyph[row] for glyph in glyphs) for row in range(ROWS)]


def broadest(text: str, width: int) -> tuple[int, int, int] | None:
    """Return the broadest face in which `text` fits `width` cells, or None if it fits in none."""
    for face in FACES:
        if width_of(text, face) <= width:
            return face
    return None


def shortened(text: str, width: int, face: tuple[int, int, int]) -> str:
    """Return as much of the beginning of `text` as fits `width` cells in `face`, with an ellipsis if that is not all.

    Without it, “Runway edge lit” cut short would be the name of another part.
    """
    whole = text
    while text and width_of(text if text == whole else f"{text}…", face) > width:
        text = text[:-1].rstrip()
    return text if text in (whole, "") else f"{text}…"
