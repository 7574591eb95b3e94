"""The wiggle test, without I/O: while the loom is flexed and nothing is operated, every change is a drop-out.

Each watched channel has a value at rest. As a hand may still be moving when the test begins, that is the first value
that stays for half a second; until then nothing counts. A channel that never stays so long is loose already: after
three seconds the value that it had for the longest time is taken. Leaving that value is a drop-out, which ends when the
channel returns to it. If a board reports raw edges, these are used, because debouncing hides the shortest drop-outs.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.layout import PanelIndex
from benchcon.durations import lasted
from benchcon.errors import Trouble
from benchcon.panel.reading import made_or_open
from benchcon.text import counted, printable, times
from benchcon.wire.items import OUTPUTS

POT_SHARE = 0.015
"""Share of its travel by which a potentiometer may move without a drop-out: its noise (common practice, no source)."""


STILL_US = 500_000
"""A value that stays this long is the value at rest."""
RESTLESS_US = 3_000_000
"""After this long without such a value, the one that was there for the longest time is taken."""


@dataclass(slots=True)
class WatchedChannel:
    """What one channel has done since the test began."""

    key: str
    rest: int
    """Value at rest."""
    slack: int = 0
    count: int = 0
    """Number of drop-outs."""
    shortest_us: int = 0
    longest_us: int = 0
    away_since_us: int | None = None
    raw: bool = False
    """Its raw edges are reported."""
    raw_rest: int | None = None
    settled: bool = True
    """Its value at rest is known."""
    began_us: int = 0
    """Since when its value at rest is being looked for."""
    since_us: int = 0
    """Since when it has been at `rest`, while its value at rest is being looked for."""
    stood_us: dict[int, int] = field(default_factory=dict)
    """For each value how long the channel had it, while its value at rest is being looked for."""

    def unsettle(self, rest: int, now_us: int) -> None:
        """Begin to look for its value at rest; it is at `rest` now."""
        self.rest, self.settled, self.began_us, self.since_us = rest, False, now_us, now_us
        self.stood_us.clear()

    def moved(self, value: int, at_us: int) -> None:
        """Take a change while its value at rest is being looked for."""
        if abs(value - self.rest) > self.slack:
            self.stood_us[self.rest] = self.stood_us.get(self.rest, 0) + max(0, at_us - self.since_us)
            self.rest, self.since_us = value, at_us

    def settle(self, now_us: int) -> None:
        """Take its present value for the value at rest if it has stayed for long enough."""
        if now_us - self.since_us >= STILL_US:
            self.settled = True
        elif now_us - self.began_us >= RESTLESS_US:
            self.moved(self.rest + 2 * self.slack + 1, now_us)  # so that the time at its present value counts as well
            self.rest, self.settled = max(self.stood_us, key=lambda value: self.stood_us[value]), True

    def left(self, at_us: int) -> None:
        """Count a drop-out that begins at `at_us`."""
        if self.away_since_us is None:
            self.away_since_us = at_us
            self.count += 1

    def came_back(self, at_us: int) -> None:
        """End the drop-out, if there is one, and time it."""
        if self.away_since_us is not None:
            gone_us = max(0, at_us - self.away_since_us)
            self.shortest_us = min(self.shortest_us, gone_us) if self.shortest_us else gone_us
            self.longest_us = max(self.longest_us, gone_us)
            self.away_since_us = None


class Wiggle:
    """One wiggle test of some parts, or of all inputs."""

    def __init__(
        self, layout: PanelIndex, values: Mapping[str, int], parts: Collection[str] = (), now_us: int | None = None
    ) -> None:
        """`values` are the channels' present values; `parts` names of controls, or channels; empty means all.

        From `now_us` (host time) on, the values at rest are looked for; with None, the present values are taken. Raises
        `Trouble` for a name that is not on the panel, and if there is nothing to watch.
        """
        self.layout = layout
        named = [
            key
            for name in parts
            for key in ((name,) if name in layout.spots else layout.channels_of(layout.named(name)))
        ]
        keys = named or list(layout.spots)
        self.last = ""
        """The channel that dropped out last; empty if none has."""
        self.last_at_us = 0
        """Host time of that drop-out."""
        self.upsets: dict[str, int] = {}
        """For each board how often it was reset or gone."""
        self.watched: dict[str, WatchedChannel] = {}
        for key in keys:
            spot = layout.spots[key]
            if spot.kind in OUTPUTS or key not in values:
                continue
            span = getattr(spot.part, "high_count", 0) - getattr(spot.part, "low_count", 0)
            slack = max(4, int(POT_SHARE * abs(span))) if spot.kind == "pot" else 0
            watched = self.watched[key] = WatchedChannel(key, values[key], slack)
            if now_us is not None:
                watched.unsettle(values[key], now_us)
        if not self.watched:
            what = ", ".join(map(printable, parts)) or "the panel"
            raise Trouble(f"there is nothing to watch: {what} has no input whose value is known")

    def raw_wanted(self) -> tuple[str, ...]:
        """Return the channels whose raw edges are needed."""
        return tuple(key for key in self.watched if self.layout.spots[key].kind == "contact")

    def heard(self, change: Change, how: str = "is") -> bool:
        """Take a change (``is``) or a raw ``edge``; return whether a drop-out began."""
        watched = self.watched.get(change.channel)
        if watched is None or how not in ("is", "edge"):
            return False
        if not watched.settled:
            watched.settle(change.at_us)
        if not watched.settled:
            if how == "is":
                watched.moved(change.value, change.at_us)
            return False
        at_us = change.clock_us if change.clock_us >= 0 else change.at_us
        before = watched.count
        if how == "edge":
            # The first edge leaves the level at rest, whichever that is; while it bounces, the contact returns to it.
            if watched.raw_rest is None:
                watched.raw_rest = 1 - change.value
            watched.raw = True
            away = change.value != watched.raw_rest
        elif watched.raw:
            return False
        elif self.layout.spots[change.channel].kind == "encoder":
            # An encoder rests at any count: each change is a drop-out, and none is undone by another.
            watched.count += change.value != watched.rest
            watched.rest = change.value
            away = False
        else:
            away = abs(change.value - watched.rest) > watched.slack
        if away:
            watched.left(at_us)
        else:
            watched.came_back(at_us)
        if watched.count > before:
            self.last, self.last_at_us = change.channel, change.at_us
        return watched.count > before

    def tick(self, now_us: int) -> None:
        """Take the values at rest of channels that have stayed for long enough at `now_us`."""
        for watched in self.watched.values():
            if not watched.settled:
                watched.settle(now_us)

    @property
    def settled(self) -> bool:
        """Whether every channel's value at rest is known."""
        return all(watched.settled for watched in self.watched.values())

    def rest_text(self, key: str) -> str:
        """Return a channel's value at rest in words."""
        watched, spot = self.watched[key], self.layout.spots[key]
        if spot.kind == "contact":
            return made_or_open(watched.rest)
        return f"position {watched.rest}" if spot.kind == "selector" else str(watched.rest)

    def at_rest(self) -> str:
        """Return in one line what was taken as the values at rest; made contacts, which can drop out, by name."""
        spots = self.layout.spots
        made = [
            key for key, each in self.watched.items() if each.rest and each.settled and spots[key].kind == "contact"
        ]
        names = dict.fromkeys(f"“{spots[key].part.label}” ({key})" for key in made)
        others = len(self.watched) - len(made)
        which = f"made: {', '.join(names)}" if made else "no contact made"
        rest = counted(others, "other input" if made else "input")
        return f"values at rest taken, steady for half a second: {which}; {rest}"

    def upset(self, board: str) -> None:
        """Note that the board was reset or is gone; drop-outs that last now are not timed."""
        self.upsets[board] = self.upsets.get(board, 0) + 1
        for watched in self._of(board):
            watched.away_since_us = None

    def rest_again(self, board: str, values: Mapping[str, int], now_us: int | None = None) -> None:
        """Take the channels' `values` of a board that is back as their values at rest, or begin to look for these."""
        for watched in self._of(board):
            watched.rest, watched.raw, watched.raw_rest = values.get(watched.key, watched.rest), False, None
            watched.away_since_us = None
            if now_us is not None:
                watched.unsettle(watched.rest, now_us)

    def _of(self, board: str) -> list[WatchedChannel]:
        return [each for each in self.watched.values() if self.layout.spots[each.key].channel.board == board]

    @property
    def count(self) -> int:
        """Number of drop-outs of all channels together."""
        return sum(each.count for each in self.watched.values())

    def lines(self) -> list[str]:
        """Return one line for each channel that dropped out, the worst first."""
        out = []
        for each in sorted(self.watched.values(), key=lambda w: -w.count):
            if each.count:
                label = self.layout.spots[each.key].part.label
                how_often = times(each.count)
                shortest, longest = time_text(each.shortest_us), time_text(each.longest_us)
                lengths = f", shortest {shortest}, longest {longest}" if each.longest_us else ""
                still = ", and is still away" if each.away_since_us is not None else ""
                out.append(f"{each.key}: “{label}” dropped out {how_often}{lengths}{still}")
        for board, count in self.upsets.items():
            out.append(f"{board}: the board was reset or gone {times(count)}")
        return out

    def closing(self, seconds: float) -> str:
        """Return the result in one line: what was watched, for how long, and what was seen."""
        count = sum(each.count > 0 for each in self.watched.values())
        found = f"{counted(self.count, 'drop-out')} of {counted(count, 'input')}" if self.count else "no drop-out"
        upset = f", a board reset or gone {times(sum(self.upsets.values()))}" if self.upsets else ""
        return f"watched {counted(len(self.watched), 'input')} for {lasted(seconds)}: {found}{upset}"

    def as_json(self) -> dict[str, Any]:
        """Return the result as JSON values."""
        return {
            "watched": len(self.watched),
            "rest": {key: each.rest for key, each in self.watched.items()},
            "drop_outs": [
                {
                    "channel": each.key,
                    "count": each.count,
                    "shortest_us": each.shortest_us,
                    "longest_us": each.longest_us,
                    "away": each.away_since_us is not None,
                }
                for each in self.watched.values()
                if each.count
            ],
            "boards_upset": dict(self.upsets),
        }


def time_text(us: int) -> str:
    """Return a duration in words."""
    return f"{us / 1000:.1f} ms" if us < 1_000_000 else f"{us / 1e6:.1f} s"
