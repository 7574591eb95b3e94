"""Values in a stream: the named quantities that a rehearsal worked on, as link records ``values`` hold them.

`protocols/capture-file.md`, section 9. Text from a capture is a stranger's: make it printable before it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from benchcon.wire import events as ev
from benchcon.wire.records import BENCH

MOST_QUANTITIES = 4096
"""Values followed; a stranger's stream may name any number."""


@dataclass(slots=True)
class Quantity:
    """One value, as it was given last."""

    text: str
    """``20 kt``, or ``no data``."""
    at_us: int
    """Stamp of that."""
    changes: int = 0
    """How often it became something else than before."""

    @property
    def number(self) -> float | None:
        """The number, in `unit`; None: no data."""
        return number_and_unit(self.text)[0]

    @property
    def unit(self) -> str:
        """Its unit; empty for a plain number, and where there is no data."""
        return number_and_unit(self.text)[1]


def number_and_unit(text: str) -> tuple[float | None, str]:
    """Return the number and the unit of a value as it is written, ``18.4 kt``; None for what is not a number."""
    word, _, unit = text.partition(" ")
    try:
        number = float(word)
    except ValueError:
        return None, ""
    return (number, unit) if math.isfinite(number) else (None, "")


def told_in(event: ev.Event) -> Iterator[tuple[str, str]]:
    """Return the names and texts of the values that an event holds."""
    if isinstance(event, ev.Link) and event.source == BENCH and event.word == "values":
        yield from event.detail.items()
