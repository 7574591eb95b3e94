"""One channel on the time line: its characters, column by column, and its values in words."""

from __future__ import annotations

from dataclasses import dataclass

from benchcon.panel.lightness import level_word, looks_permille
from benchcon.panel.model import Control, Display, Lamp, Part
from benchcon.panel.reading import detents, made_or_open, position_of_code, share_word
from benchcon.panel.segments import decode, or_blank, segments_of
from benchcon.view.history import THOUSANDTHS, UNKNOWN, Key, Past, Stretch
from benchcon.view.palette import BRASS, IVORY, QUIET

_SPARKS = "▁▂▃▄▅▆"


def between_text(us: int) -> str:
    """Return the time between two cursors in words, exact to the microsecond where that matters."""
    size = abs(us)
    sign = "-" if us < 0 else ""
    if size < 1000:
        return f"{sign}{size} µs"
    if size < 1_000_000:
        return f"{sign}{size / 1000:.3f} ms"
    return f"{sign}{size / 1e6:.3f} s"


def column_text(us: float) -> str:
    """Return the duration of a column, to three figures: ``100 ms``, ``2.5 s``, ``137 ms``."""
    number, unit = between_text(round(us)).split()
    value = float(number)
    return f"{value:.0f} {unit}" if value >= 100 else f"{value:.3g} {unit}"


@dataclass(slots=True)
class Trace:
    """How one channel, or one value of a rehearsal, is drawn on the time line."""

    key: Key
    label: str
    colour: str
    digits: int
    """Number of digits of a display; else 0."""
    level: bool
    """It is drawn as a level between its least and greatest value, not as made and open."""
    lamp: bool
    thousandths: bool = False
    """It is a value of a rehearsal, counted in thousandths."""
    part: Part | None = None
    """The part of the channel, which gives its words; None if there is none."""


def trace_of(key: Key, kind: str, part: Part | None, label: str = "", colour: str = IVORY) -> Trace:
    """Return how a channel of `kind` (the protocol's word, empty if not known) is drawn."""
    lamp = isinstance(part, Lamp)
    level = lamp or kind in ("pot", "encoder", "selector", "lamp")
    return Trace(key, label, colour, part.digits if isinstance(part, Display) else 0, level, lamp, part=part)


def drawn(stretch: Stretch, reach: tuple[int, int], row: Trace) -> tuple[str, str]:
    """Return character and colour for one stretch of one channel."""
    if stretch.value == UNKNOWN and not stretch.changes:
        return " ", QUIET
    if row.digits:
        return ("┃", row.colour) if stretch.changes else ("╌", QUIET if not stretch.value else row.colour)
    if row.level:
        low, high = (0, 1000) if row.lamp else reach
        share = (stretch.greatest if stretch.changes else stretch.value) - low
        spark = _SPARKS[max(0, min(5, -(-share * 5 // (high - low))))] if high > low else _SPARKS[0]
        return spark, row.colour if share > 0 or stretch.changes else QUIET
    if stretch.changes > 1:
        return "▒", BRASS
    if stretch.changes == 1:
        return ("▗" if stretch.value > 0 else "▖"), IVORY
    return ("▅", row.colour) if stretch.value else ("▁", QUIET)


CURVE_US = 20_000_000
"""Length of time in a channel's curve in a table."""


def recent(past: Past, row: Trace, now_us: int, columns: int) -> str:
    """Return the characters of a channel's curve over the last `CURVE_US`, on one row."""
    each_us = CURVE_US / columns
    # Align to whole columns, or the curve would tremble as time goes on.
    start_us = int((now_us // each_us + 1) * each_us - CURVE_US)
    reach = past.reach(row.key)
    return "".join(drawn(each, reach, row)[0] for each in past.row(row.key, start_us, each_us, columns) or ())


_EIGHTHS = " ▁▂▃▄▅▆▇█"
_MOST_EIGHTHS = 14
"""Greatest height of a curve on two rows, in eighths of a row, so that it does not touch what is above."""


def curve(stretch: Stretch, reach: tuple[int, int], row: Trace) -> tuple[str, str]:
    """Return the characters for one stretch of a level on two rows, the upper and the lower."""
    low, high = (0, 1000) if row.lamp else reach
    share = (stretch.greatest if stretch.changes else stretch.value) - low
    eighths = max(1, min(_MOST_EIGHTHS, -(-share * _MOST_EIGHTHS // (high - low)))) if high > low else 1
    return _EIGHTHS[max(eighths - 8, 0)], _EIGHTHS[min(eighths, 8)]


def value_text(value: int, row: Trace) -> str:
    """Return a value of this row in words; ``?`` where it is not known."""
    if value == UNKNOWN:
        return "?"
    if row.digits:
        return or_blank(decode(segments_of(value, row.digits)))[:9]
    return f"{value / THOUSANDTHS:.7g}" if row.thousandths else channel_word(row.part, value)


def channel_word(part: Part | None, value: int) -> str:
    """Return one channel's value in the face's words; of one contact of several, whether it is made."""
    if isinstance(part, Lamp):
        return level_word(part, looks_permille(part, value))
    if not isinstance(part, Control):
        return str(value)
    if part.kind == "encoder":
        return f"{detents(part, 0, value):+g}"
    if part.kind == "pot":
        return share_word(part, value)
    if len(part.channels) > 1:
        return made_or_open(value)
    at, why = position_of_code(part, (value,))
    return part.positions[at] if at is not None else why


def counted_word(part: Part | None, value: int) -> str:
    """Return a value in words, with the board's count if that says more: ``on``, ``80 %, 800``, ``+2, 8``."""
    word, plain = channel_word(part, value), str(value)
    return plain if word == plain else word if word in ("on", "off") else f"{word}, {plain}"


_ROUND_US = sorted(
    [step * 10**power for power in range(1, 7) for step in (1, 2, 5)]
    + [step * 1_000_000 for step in (10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 21600, 43200, 86400)]
)


def round_step_us(least_us: float) -> int:
    """Return the least round time of at least `least_us`: 1, 2 or 5 times a power of ten, of a clock from 10 s."""
    return next((step for step in _ROUND_US if step >= least_us), -(-int(least_us) // 86_400_000_000) * 86_400_000_000)


def tick_text(at_us: int, step_us: int) -> str:
    """Return the text of a tick at `at_us`: minutes and seconds, hours if any, with the decimals of `step_us`."""
    minutes, us = divmod(at_us, 60_000_000)
    hours, minutes = divmod(minutes, 60)
    places = next((places for places in range(7) if step_us * 10**places % 1_000_000 == 0), 6)
    seconds = f"{us / 1e6:0{2 + (places + 1 if places else 0)}.{places}f}"
    return f"{f'{hours}:' if hours else ''}{minutes:02}:{seconds}"
