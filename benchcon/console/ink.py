"""The colours of the console, and the styles that the drawn widgets share.

The ground is dark, labels look engraved, and colour is for what is lit. Nothing is shown by colour alone: under
NO_COLOR the same screens use shapes, words, bold and reverse. Text and marks have a contrast of at least 4.5 : 1 on
each ground that they are on (WCAG 2.x, success criterion 1.4.3); `EDGE` and `FAINT` are for rules and frames.

Colours are given for the dark theme; `light_theme` converts them.
"""

from __future__ import annotations

from functools import lru_cache

from rich.color import Color
from rich.style import Style
from textual.theme import Theme

from benchcon.view.palette import (
    ALARM,
    BAD,
    BRASS,
    EDGE,
    ENGRAVED,
    GOOD,
    GROUND,
    IVORY,
    PLATE,
    QUIET,
    RAISED,
    UNKNOWN,
    WARN,
)

LAMP_COLOURS = {
    "red": "#ff4c3f",
    "amber": "#ffb327",
    "green": "#41e27c",
    "blue": "#5aa9ff",
    "white": "#fdf7e8",
}
"""For each colour of a lamp, its colour on the screen at full level."""

GLASS = "#0b0d0e"
"""The dark glass of lamps and displays, the same in every theme."""

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
        "alarm": ALARM,
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


def rgb(colour: str) -> tuple[int, int, int]:
    """Return red, green and blue of ``#rrggbb``, 0 to 255 each."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


MIXTURES: dict[str, tuple[str, str, float]] = {}
"""For each mixture its components: the colour below, the one above, and the share of that."""


@lru_cache(maxsize=4096)
def mixed(under: str, over: str, share: float) -> str:
    """Return `over` mixed onto `under` as ``#rrggbb``; `share` goes from 0 (only `under`) to 1 (only `over`)."""
    parts = [round(a + (b - a) * share) for a, b in zip(rgb(under), rgb(over), strict=True)]
    found = "#{:02x}{:02x}{:02x}".format(*parts)
    MIXTURES.setdefault(found, (under, over, share))
    return found


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours, 1 to 21 (WCAG 2.x, definition of contrast ratio)."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    parts = [part / 255 for part in rgb(colour)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@lru_cache(maxsize=4096)
def ink(colour: str, ground: str = PLATE, *, bold: bool = False, reverse: bool = False) -> Style:
    """Return the style of this colour on this ground."""
    return Style(color=Color.parse(colour), bgcolor=Color.parse(ground), bold=bold, reverse=reverse)


LEAST_CONTRAST = 4.6


@lru_cache(maxsize=16)
def _dimmest(full: str) -> float:
    """Return the least share of a lamp's colour that can be told from its glass."""
    return next(
        share / 100 for share in range(101) if contrast(mixed(GLASS, full, share / 100), GLASS) >= LEAST_CONTRAST
    )


def lit_colour(name: str, level_permille: int) -> str:
    """Return the screen colour of a lamp of colour `name` at a level, never too dark to be told from its glass."""
    full = LAMP_COLOURS.get(name, LAMP_COLOURS["white"])
    share = round(max(0, min(1000, level_permille)) / 50) / 20
    least = _dimmest(full)
    return mixed(GLASS, full, least + (1 - least) * share)


UNLIT_SHARE = 0.11


def glass_tints(name: str) -> tuple[str, str, str]:
    """Return the colours of a display: its glass, an unlit segment, a lit one."""
    lit = LAMP_COLOURS.get(name, LAMP_COLOURS["red"])
    return GLASS, mixed(GLASS, lit, UNLIT_SHARE), lit


@lru_cache(maxsize=1)
def _all_glass() -> frozenset[str]:
    return frozenset(tint for name in LAMP_COLOURS for tint in glass_tints(name))


def is_glass(ground: str) -> bool:
    """Return whether a ground is that of a lamp or a display."""
    return ground in _all_glass()
