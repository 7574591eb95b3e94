"""The condition of a link over the last minutes, second by second: round trip, bad lines, heartbeat, supply."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple

from benchcon.wire import events as ev

EACH_US = 1_000_000
KEPT = 900
"""How many seconds are kept."""


class Curve(NamedTuple):
    """One figure over time."""

    values: list[float | None]
    """The greatest value of each period (for the supply the least), oldest first; None if not known."""
    last: float | None
    """The latest value; None if none is known."""


@dataclass(slots=True)
class _Second:
    number: int
    trip_us: int | None = None
    bad: int = 0
    apart_us: int | None = None
    supply_mv: int | None = None


@dataclass(slots=True)
class _Link:
    seconds: deque[_Second] = field(default_factory=lambda: deque(maxlen=KEPT))
    alive_us: int | None = None
    bad_lines: int | None = None
    boot: int = 0

    def at(self, at_us: int) -> _Second:
        number = at_us // EACH_US
        if not self.seconds or self.seconds[-1].number < number:
            self.seconds.append(_Second(number))
        return self.seconds[-1]


class LinkCurves:
    """Takes events, and keeps the figures of each link."""

    def __init__(self) -> None:
        self._links: dict[int, _Link] = {}

    def take(self, event: ev.Event) -> None:
        """Take one event."""
        sort = type(event)
        if sort is ev.Answered:
            took_us = event.took_us  # type: ignore[union-attr]
            if took_us is not None:
                second = self._link(event.source).at(event.at_us)
                second.trip_us = took_us if second.trip_us is None else max(second.trip_us, took_us)
        elif sort is ev.Odd:
            self._link(event.source).at(event.at_us).bad += 1
        elif sort is ev.Alive:
            self._alive(event)  # type: ignore[arg-type]
        elif sort is ev.Link and event.word in ("opened", "lost", "released"):  # type: ignore[union-attr]
            self._link(event.source).alive_us = None

    def _link(self, source: int) -> _Link:
        found = self._links.get(source)
        if found is None:
            found = self._links[source] = _Link()
        return found

    def _alive(self, event: ev.Alive) -> None:
        link = self._link(event.source)
        second = link.at(event.at_us)
        if link.alive_us is not None:
            second.apart_us = max(second.apart_us or 0, event.at_us - link.alive_us)
        link.alive_us = event.at_us
        if link.bad_lines is not None and link.boot == event.boot:
            second.bad += (event.bad_lines - link.bad_lines) & 0xFFFF
        link.bad_lines, link.boot = event.bad_lines, event.boot
        if event.supply_mv:
            supply_mv = event.supply_mv
            second.supply_mv = supply_mv if second.supply_mv is None else min(second.supply_mv, supply_mv)

    def curves(self, source: int, now_us: int, columns: int, each_us: int = EACH_US) -> dict[str, Curve]:
        """Return the curves of one board over `columns` periods of `each_us` until `now_us`, by name.

        ``trip`` and ``heartbeat`` are in milliseconds (the time between heartbeats, or since the last one while the
        next is overdue), ``bad`` in lines, ``supply`` in volts.
        """
        link = self._links.get(source, _Link())
        trip: list[float | None] = [None] * columns
        bad: list[float | None] = [None] * columns
        apart: list[float | None] = [None] * columns
        supply: list[float | None] = [None] * columns
        begin_us = (now_us // each_us + 1 - columns) * each_us
        for second in link.seconds:
            at = (second.number * EACH_US - begin_us) // each_us
            if not 0 <= at < columns:
                continue
            bad[at] = (bad[at] or 0) + second.bad
            if second.trip_us is not None:
                trip[at] = max(trip[at] or 0, second.trip_us / 1000)
            if second.apart_us is not None:
                apart[at] = max(apart[at] or 0, second.apart_us / 1000)
            if second.supply_mv is not None:
                supply[at] = min(supply[at] or 99, second.supply_mv / 1000)
        if link.alive_us is not None and columns:
            overdue_us = now_us - link.alive_us
            last = next((each for each in reversed(link.seconds) if each.apart_us), None)
            if last is not None and last.apart_us and overdue_us > last.apart_us * 1.5:
                apart[-1] = max(apart[-1] or 0, overdue_us / 1000)
        found = {"trip": trip, "bad": bad, "heartbeat": apart, "supply": supply}
        return {
            name: Curve(values, next((each for each in reversed(values) if each is not None), None))
            for name, values in found.items()
        }
