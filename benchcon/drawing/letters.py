"""Widths of text in Helvetica and in the faces with its metrics (the PDF standard font, Arial-like faces)."""

from __future__ import annotations

from itertools import combinations

_ASCII = (
    278,
    278,
    355,
    556,
    556,
    889,
    667,
    191,
    333,
    333,
    389,
    584,
    278,
    333,
    278,
    278,
    556,
    556,
    556,
    556,
    556,
    556,
    556,
    556,
    556,
    556,
    278,
    278,
    584,
    584,
    584,
    556,
    1015,
    667,
    667,
    722,
    722,
    667,
    611,
    778,
    722,
    278,
    500,
    667,
    556,
    833,
    722,
    778,
    667,
    778,
    722,
    667,
    611,
    722,
    667,
    944,
    667,
    667,
    611,
    278,
    278,
    278,
    469,
    556,
    333,
    556,
    556,
    500,
    556,
    556,
    278,
    556,
    556,
    222,
    222,
    500,
    222,
    833,
    556,
    556,
    556,
    556,
    333,
    500,
    278,
    556,
    500,
    722,
    500,
    500,
    500,
    334,
    260,
    334,
    584,
)
"""Widths of 20h to 7Eh in thousandths of the type size (Adobe font metrics of the core 14 fonts, Helvetica)."""
_LATIN = (
    278,
    333,
    556,
    556,
    556,
    556,
    260,
    556,
    333,
    737,
    370,
    556,
    584,
    333,
    737,
    333,
    400,
    584,
    333,
    333,
    333,
    556,
    537,
    278,
    333,
    333,
    365,
    556,
    834,
    834,
    834,
    611,
    667,
    667,
    667,
    667,
    667,
    667,
    1000,
    722,
    667,
    667,
    667,
    667,
    278,
    278,
    278,
    278,
    722,
    722,
    778,
    778,
    778,
    778,
    778,
    584,
    778,
    722,
    722,
    722,
    722,
    667,
    667,
    611,
    556,
    556,
    556,
    556,
    556,
    556,
    889,
    500,
    556,
    556,
    556,
    556,
    278,
    278,
    278,
    278,
    556,
    556,
    556,
    556,
    556,
    556,
    556,
    584,
    611,
    556,
    556,
    556,
    556,
    500,
    556,
    500,
)
"""Widths of A0h to FFh of ISO 8859-1, from the same source."""
_OTHER = {"–": 556, "—": 1000, "…": 1000, "•": 350, "€": 556, "‘": 222, "’": 222, "“": 333, "”": 333}
_WIDE = 1000
"""Width of any other character: a square, which is assumed to be wide enough."""


def width_mm(text: str, size: float) -> float:
    """Return the width in mm of `text` set in type of `size` mm."""
    return sum(map(_width, text)) * size / 1000


def _width(letter: str) -> int:
    code = ord(letter)
    if 0x20 <= code < 0x7F:
        return _ASCII[code - 0x20]
    if 0xA0 <= code <= 0xFF:
        return _LATIN[code - 0xA0]
    return _OTHER.get(letter, _WIDE)


def wrapped(text: str, lines: int) -> tuple[str, ...] | None:
    """Return `text` broken into `lines` lines, the widest as narrow as possible; None if it has fewer words."""
    words = text.split()
    if lines == 1:
        return (" ".join(words),)
    if len(words) < lines or len(words) > 12:
        return None
    ways = [
        tuple(" ".join(words[a:b]) for a, b in zip((0, *cuts), (*cuts, len(words)), strict=True))
        for cuts in combinations(range(1, len(words)), lines - 1)
    ]
    return min(ways, key=lambda way: max(width_mm(line, 1.0) for line in way))


def shortened(text: str, size: float, room: float) -> str:
    """Return as much of `text` as fits into `room` mm at type of `size` mm, with … at the end if it is cut."""
    if width_mm(text, size) <= room:
        return text
    while text and width_mm(text + "…", size) > room:
        text = text[:-1]
    return text.rstrip() + "…"
