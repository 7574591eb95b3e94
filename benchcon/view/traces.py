"""One channel on the time line: what it is drawn with, column by column, and its value in words."""

from __future__ import annotations

from dataclasses import dataclass

from benchcon.panel.segments import decode
from benchcon.view.history import THOUSANDTHS, UNKNOWN, Key, Stretch
from benchcon.view.palette import BRASS, IVORY, QUIET

_SPARKS = "▁▂▃▄▅▆"


def between_text(us: int) -> str:
    """A stretch between two cursors, exact to the microsecond where that tells something."""
    size = abs(us)
    sign = "-" if us < 0 else ""
    if size < 1000:
        return f"{sign}{size} µs"
    if size < 1_000_000:
        return f"{sign}{size / 1000:.3f} ms"
    return f"{sign}{size / 1e6:.3f} s"


@dataclass(slots=True)
class Trace:
    key: Key
    label: str
    colour: str
    digits: int
    """Digits, for a display; else 0."""
    level: bool
    """Drawn as a level between its least and greatest, not as made and open."""
    lamp: bool
    thousandths: bool = False
    """Counted in thousandths: a value of a rehearsal."""


def drawn(stretch: Stretch, reach: tuple[int, int], row: Trace) -> tuple[str, str]:
    """Letter and colour of one stretch of one channel."""
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


def value_text(value: int, row: Trace) -> str:
    if value == UNKNOWN:
        return "?"
    if row.digits:
        return decode((value & ((1 << 8 * row.digits) - 1)).to_bytes(row.digits, "big")).strip()[:9] or "blank"
    return f"{value / THOUSANDTHS:.7g}" if row.thousandths else str(value)
