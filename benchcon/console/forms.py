"""The size of each kind of part on the face, in cells, at each of three sizes.

A part's place is that of the middle of its *art* (the lamp, the key, the digits), without the words beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import IntEnum
from typing import NamedTuple

from benchcon.console import segment_art
from benchcon.panel.model import Control, Display, Lamp, Part


class Size(IntEnum):
    """How large parts are drawn."""

    LOW = 1
    """A mark of one cell, with the word beside it."""
    TALL = 2
    """Two rows, with the word beside them."""
    BIG = 3
    """Three rows, with the word below them."""


class Form(NamedTuple):
    """The room that a part takes below its label, in cells."""

    art_width: int
    art_height: int
    width: int
    """Width of art and words, with room for every position's word."""
    height: int
    wish: int
    """Width with room for everything that may be shown of it."""
    lead: float
    """Distance from the left edge to the middle of the art."""


BAR = 4
"""Cells of a potentiometer's bar at the small size."""
LONGEST_WORD = 9
"""Length of the longest word that any part may show (``not known``, ``no supply``); positions may be longer."""


LIT_WORDS = 14
"""Length of the word of a part with two lamps, such as ``red green 45 %``."""
UNKNOWN_WIDTH = 2 + LONGEST_WORD


Inside = Mapping[str, tuple[Lamp, ...]]
"""For each part, by name, the lamps in it, as in a lit push button."""


def inside_of_each(parts: Iterable[Part]) -> Inside:
    """Return the lamps that are in other parts, by the name of those."""
    parts = list(parts)
    names = {part.name for part in parts}
    found: dict[str, tuple[Lamp, ...]] = {}
    for part in parts:
        if isinstance(part, Lamp) and part.inside in names:
            found[part.inside] = (*found.get(part.inside, ()), part)
    return found


def guarded(part: Part) -> bool:
    """Return whether `part` has a cover that flips up, drawn as a frame round its art, a column on either side."""
    return isinstance(part, Control) and part.guard


def form_of(part: Part, size: Size, scale: int = 1, *, roomy: bool = False, lamps: int = 0) -> Form:
    """Return the form of `part` at `size`; with `scale` 2 displays are twice as high and wide.

    `roomy` adds room for the full reason why a state is not known; `lamps` is the number of other lamps in the part.
    """
    form = _form(part, size, scale)
    several = lamps + isinstance(part, Lamp) > 1
    if lamps and size is Size.LOW:
        more = lamps
        form = form._replace(
            art_width=form.art_width + more, width=form.width + more, wish=form.wish + more, lead=form.lead + more / 2
        )
    elif lamps and size is Size.BIG:
        form = form._replace(height=form.height + isinstance(part, Control))
        if several:
            more = max(LIT_WORDS - form.width, 0)
            form = form._replace(width=form.width + more, lead=form.lead + more // 2, wish=max(form.wish, LIT_WORDS))
    elif several:
        form = form._replace(wish=max(form.wish, 5 + LIT_WORDS))
    if guarded(part):
        form = form._replace(width=form.width + 2, wish=form.wish + 2, lead=form.lead + 1)
    if not roomy or isinstance(part, Display) or form.width >= UNKNOWN_WIDTH:
        return form
    more = UNKNOWN_WIDTH - form.width
    return form._replace(width=UNKNOWN_WIDTH, lead=form.lead + (more // 2 if size is Size.BIG else 0))


def _form(part: Part, size: Size, scale: int) -> Form:
    if isinstance(part, Display):
        wide = part.digits * scale * segment_art.digit_width(size > Size.LOW and scale == 1)
        return Form(wide, scale * segment_art.ROWS, wide, scale * segment_art.ROWS, wide, wide / 2)
    words = max(map(len, part.positions), default=6) if isinstance(part, Control) else 5
    longest = max(words, LONGEST_WORD)
    if isinstance(part, Control) and part.kind == "pot":
        bar, wide, wish = (BAR, BAR + 6, BAR + 6) if size is Size.LOW else (14, 14, 18)
        return Form(bar, 1, wide, min(size, 2), wish, bar / 2)
    if isinstance(part, Control) and part.kind == "switch" and len(part.positions) > 2:
        count = len(part.positions)
        if size is Size.LOW:
            return Form(count, 1, count + 1 + words, 1, count + 1 + longest, count / 2)
        art = (2 if size is Size.TALL else 3) * (count - 1) + 1
        wide = max(art, words)
        return Form(art, 1, wide, 2, max(wide, longest), art / 2)
    if size is Size.LOW:
        return Form(1, 1, 2 + words, 1, 2 + longest, 0.5)
    if size is Size.TALL:
        return Form(4, 2, 5 + words, 2, 5 + longest, 2.0)
    wide = max(6, words)
    return Form(6, 3, wide + (wide % 2), 4, max(wide + (wide % 2), longest + 1), (wide + wide % 2) / 2)
