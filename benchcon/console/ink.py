"""The colours of the console, in one place, and the styles the drawn widgets share.

A quiet dark ground, engraved labels, and colour kept for what is lit. Nothing is told by colour alone: under NO_COLOR
the same screens stand in shapes, words, bold and reverse.
"""

from __future__ import annotations

from functools import lru_cache

from rich.color import Color
from rich.style import Style
from textual.theme import Theme

GROUND = "#111416"
PLATE = "#181c1f"
RAISED = "#21272b"
EDGE = "#39434a"
FAINT = "#2c3338"
QUIET = "#66727b"
ENGRAVED = "#98a4ac"
IVORY = "#ece6d8"
BRASS = "#d9ab5e"
GOOD = "#79c99a"
WARN = "#f0a83c"
BAD = "#f0624d"
UNKNOWN = "#a993c7"

LAMP_COLOURS = {
    "red": "#ff4c3f",
    "amber": "#ffb327",
    "green": "#41e27c",
    "blue": "#5aa9ff",
    "white": "#fdf7e8",
}
"""A lit lamp's colour at full level."""

THEME = Theme(
    name="engraved",
    primary=BRASS,
    secondary=ENGRAVED,
    warning=WARN,
    error=BAD,
    success=GOOD,
    accent=BRASS,
    foreground=IVORY,
    background=GROUND,
    surface=PLATE,
    panel=RAISED,
    dark=True,
    variables={
        "edge": EDGE,
        "quiet": QUIET,
        "engraved": ENGRAVED,
        "unknown": UNKNOWN,
        "block-cursor-background": BRASS,
        "block-cursor-foreground": GROUND,
        "input-selection-background": f"{BRASS} 35%",
        "scrollbar": EDGE,
        "scrollbar-hover": QUIET,
        "scrollbar-active": BRASS,
        "scrollbar-background": GROUND,
        "scrollbar-background-hover": GROUND,
        "scrollbar-background-active": GROUND,
        "scrollbar-corner-color": GROUND,
    },
)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


@lru_cache(maxsize=4096)
def mixed(under: str, over: str, share: float) -> str:
    """Return `over` laid on `under`, `share` from 0 (only `under`) to 1 (only `over`), as ``#rrggbb``."""
    parts = [round(a + (b - a) * share) for a, b in zip(_rgb(under), _rgb(over), strict=True)]
    return "#{:02x}{:02x}{:02x}".format(*parts)


@lru_cache(maxsize=4096)
def ink(colour: str, ground: str = PLATE, *, bold: bool = False, reverse: bool = False) -> Style:
    """Return a style with this colour on this ground."""
    return Style(color=Color.parse(colour), bgcolor=Color.parse(ground), bold=bold, reverse=reverse)


def lit_colour(name: str, level_permille: int) -> str:
    """Return the colour of a lamp called `name` at a level: never darker than can be told from the ground."""
    full = LAMP_COLOURS.get(name, LAMP_COLOURS["white"])
    share = round(max(0, min(1000, level_permille)) / 50) / 20
    return mixed(PLATE, full, 0.35 + 0.65 * share)
