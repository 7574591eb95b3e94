"""Values in a stream: the named quantities of a rehearsal, as link records ``values`` hold them.

See `protocols/capture-file.md`, section 9. Text from a capture may hold anything: make it printable before you show it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from benchcon.wire import events as ev
from benchcon.wire.records import BENCH

MOST_QUANTITIES = 4096
"""Most values that are followed; a stranger's stream may name any number."""


@dataclass(slots=True)
class Quantity:
    """One value, as last recorded."""

    text: str
    """``20 kt``, or ``no data``."""
    at_us: int
    """Stamp of the record that changed it last."""
    changes: int = 0
    """How often it has changed."""

    @property
    def number(self) -> float | None:
        """The number, in `unit`; None if there is no data."""
        return number_and_unit(self.text)[0]

    @property
    def unit(self) -> str:
        """Its unit; empty for a plain number, and if there is no data."""
        return number_and_unit(self.text)[1]


def number_and_unit(text: str) -> tuple[float | None, str]:
    """Return number and unit of a written value such as ``18.4 kt``; ``(None, "")`` if it is not a finite number."""
    word, _, unit = text.partition(" ")
    try:
        number = float(word)
    except ValueError:
        return None, ""
    return (number, unit) if math.isfinite(number) else (None, "")


def values_in(event: ev.Event) -> Iterator[tuple[str, str]]:
    """Yield name and text of each value that an event holds."""
    if isinstance(event, ev.Link) and event.source == BENCH and event.word == "values":
        yield from event.detail.items()
