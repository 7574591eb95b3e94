"""Lightness and duty: how light a lamp looks, and for how much of the time it is on.

CIE 1976 lightness (ISO/CIE 11664-4): L* = 116 (Y/Yn)^(1/3) − 16 above Y/Yn = (6/29)^3 ≈ 0.008856, and (29/3)^3 Y/Yn ≈
903.3 Y/Yn below. A lamp that is on for the share `duty` of the time gives that share of its full luminance, so Y/Yn is
the duty. Lightness is counted in permille of L* 100.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from benchcon.panel.model import Lamp, Panel
from benchcon.units import whole_percent

FULL = 1000
"""The lightness of a lamp that is lit without being dimmed, in permille."""
OFF, ON = "off", "on"
"""The words for a lamp's level on every screen, in scenarios and in what is published: dark, and as bright as it is
switched on."""
DAY, NIGHT = "day", "night"
"""The two light levels of a whole panel."""
LIGHTS_FROM = 500
"""A board that cannot dim a lamp lights it fully from this level on (line protocol, *set*: at 1F4 and above)."""

_KNEE = (6 / 29) ** 3
_SLOPE = (29 / 3) ** 3


@lru_cache(maxsize=4096)
def duty_of(lightness_permille: float) -> float:
    """Return the duty, 0 to 1, at which a lamp has the lightness `lightness_permille` (0 to 1000)."""
    star = min(1000.0, max(0.0, lightness_permille)) / 10
    return float(((star + 16) / 116) ** 3 if star > 8 else star / _SLOPE)


def lightness_of(duty: float) -> float:
    """Return the lightness in permille of a lamp that is on for the share `duty` (0 to 1) of the time."""
    share = min(1.0, max(0.0, duty))
    star = 116 * share ** (1 / 3) - 16 if share > _KNEE else _SLOPE * share
    return float(10 * star)


def sent_permille(lamp: Lamp, level_permille: int) -> int:
    """Return the lightness in permille to send to the board so that `lamp` matches its neighbours at `level_permille`.

    The trim is the share of its own full light at which the lamp looks as bright as its neighbours at full. Trim and
    level are multiplied as luminances, not as lightnesses, so that trimmed lamps match at every level, by day and at
    night. A lit lamp stays lit: the result is 0 only for the level 0. A lamp that cannot be dimmed has no trim: it is
    sent full light or nothing, never a level at which its board leaves it off.

    Console, walk, soak, budget and simulated boards all use this function.
    """
    if level_permille <= 0:
        return 0
    if not lamp.dimmed:
        return FULL
    share = _share(lamp)
    if share >= 1:
        return min(FULL, level_permille)
    return max(1, round(lightness_of(duty_of(level_permille) * share)))


def _share(lamp: Lamp) -> float:
    """Return the share (0 to 1) of its full luminance that trim and the panel's level leave a lamp."""
    return duty_of(lamp.trim_permille) * duty_of(lamp.level_permille)


def looks_permille(lamp: Lamp, sent: int) -> int:
    """Return the level in permille at which `lamp` matches its neighbours after `sent` (permille) went to its board.

    This is the inverse of `sent_permille`.
    """
    sent = lit_permille(lamp.dimmed, sent)
    share = _share(lamp)
    if not sent or not lamp.dimmed or share >= 1:
        return sent
    return round(lightness_of(duty_of(sent) / share))


def level_word(lamp: Lamp, permille: int) -> str:
    """Return how a lamp at this level is called: ``off``, ``on`` (as bright as it is switched on) or ``40 %``."""
    if permille <= 0:
        return OFF
    # By what is sent, as a trim rounds it.
    as_bright = sent_permille(lamp, permille) == sent_permille(lamp, lamp.on_permille)
    return ON if as_bright else whole_percent(permille)


def at_level(panel: Panel, level: str) -> Panel:
    """Return `panel` with all its lamps at its level for `DAY` or `NIGHT`; `panel` itself if nothing would change."""
    permille = panel.night_permille if level == NIGHT and panel.night_permille else panel.day_permille
    if all(lamp.level_permille == permille for lamp in panel.lamps):
        return panel
    return replace(panel, lamps=tuple(replace(lamp, level_permille=permille) for lamp in panel.lamps))


def lit_permille(dimmed: bool, sent: int) -> int:
    """Return the lightness of a lamp in permille of its own full light after its board was sent the level `sent`."""
    if not dimmed:
        return FULL if sent >= LIGHTS_FROM else 0
    return min(FULL, max(0, sent))
