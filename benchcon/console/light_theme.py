"""The light theme: converts what the console draws for a dark ground to dark ink on a light ground, at output.

Widgets do not know of it. Every colour has its counterpart in a table; a mixture is mixed again from the counterparts
of its components, and any other colour (Textual's own blends) keeps its hue and gets the opposite lightness. Displays
and lamps are not changed: they have dark glass even on a light plate, or a lit white lamp could not be seen.
"""

from __future__ import annotations

import colorsys
from functools import lru_cache

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.color import Color as Ground
from textual.filter import LineFilter

from benchcon.console import ink
from benchcon.view import palette

_LIGHT = {
    palette.GROUND: "#efece4",
    palette.PLATE: "#faf8f3",
    palette.RAISED: "#e2ded4",
    palette.EDGE: "#b4ae9f",
    palette.FAINT: "#d0cbbf",
    palette.QUIET: "#5c574c",
    palette.ENGRAVED: "#47433a",
    palette.IVORY: "#14161a",
    palette.BRASS: "#754b00",
    palette.GOOD: "#10653a",
    palette.WARN: "#854000",
    palette.BAD: "#ad1c10",
    palette.UNKNOWN: "#653a9b",
    palette.ALARM: "#fbe3df",
    ink.LAMP_COLOURS["red"]: "#b01f16",
    ink.LAMP_COLOURS["amber"]: "#7d4d00",
    ink.LAMP_COLOURS["green"]: "#0f6837",
    ink.LAMP_COLOURS["blue"]: "#1a56ab",
    ink.LAMP_COLOURS["white"]: "#3d3a33",
}


ROUNDED = 3
"""By how much each component may differ from a colour of the table, as Textual rounds a theme's colours."""


@lru_cache(maxsize=4096)
def counterpart(colour: str) -> str:
    """Return the colour (``#rrggbb``) on a light ground that corresponds to `colour` on a dark one."""
    if colour in _LIGHT:
        return _LIGHT[colour]
    if colour in ink.MIXTURES:
        under, over, share = ink.MIXTURES[colour]
        return ink.mixed(counterpart(under), counterpart(over), share)
    parts = ink.rgb(colour)
    for known, turned in _LIGHT.items():
        if max(abs(one - other) for one, other in zip(parts, ink.rgb(known), strict=True)) <= ROUNDED:
            return turned
    hue, lightness, saturation = colorsys.rgb_to_hls(*(part / 255 for part in parts))
    turned_parts = colorsys.hls_to_rgb(hue, (1 - lightness) * (0.7 if lightness > 0.4 else 1), saturation)
    return "#" + "".join(f"{round(255 * part):02x}" for part in turned_parts)


def _turned(colour: Color | None) -> Color | None:
    if colour is None or colour.triplet is None:
        return colour
    return Color.parse(counterpart(colour.triplet.hex))


@lru_cache(maxsize=8192)
def light(style: Style) -> Style:
    """Return `style` for a light ground; one on glass is unchanged."""
    if style.bgcolor is not None and style.bgcolor.triplet is not None and ink.is_glass(style.bgcolor.triplet.hex):
        return style
    return style + Style.from_color(_turned(style.color), _turned(style.bgcolor))


class LightTheme(LineFilter):
    """Converts every line while it is enabled."""

    def apply(self, segments: list[Segment], background: Ground) -> list[Segment]:
        """Return the segments in the colours of the light theme."""
        return [Segment(text, light(style) if style else style, control) for text, style, control in segments]
