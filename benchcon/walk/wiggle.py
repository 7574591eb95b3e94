"""The wiggle watch, without I/O: hold a part, or all, while the loom is flexed; every change is one too many.

Each watched channel has a value at rest. A hand may still be on its way when the watch begins, so that is the value at
which it first stands still for half a second; until then nothing counts. One that never stands still for so long is
loose already: after three seconds it rests where it has stood the longest. Leaving it is a drop-out, coming back ends
it. Where a board reports raw edges they are what counts, since the shortest drop-outs never get past debouncing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.layout import PanelIndex
from benchcon.durations import lasted
from benchcon.errors import Trouble
from benchcon.text import counted, printable, times
from benchcon.wire.items import OUTPUTS

POT_SHARE = 0.015
"""Share of its travel by which a potentiometer may move without counting: its own noise (common practice)."""


STILL_US = 500_000
"""A value that is steady for this long is the value at rest."""
RESTLESS_US = 3_000_000
"""What has not done so within this rests where it has stood the longest."""


@dataclass(slots=True)
class WatchedChannel:
    """What one channel has done since the watch began."""

    key: str
    rest: int
    """Value at rest."""
    slack: int = 0
    count: int = 0
    """Drop-outs."""
    shortest_us: int = 0
    longest_us: int = 0
    away_since_us: int | None = None
    raw: bool = False
    """Raw edges are heard of it."""
    raw_rest: int | None = None
    settled: bool = True
    """It is known how it rests."""
    began_us: int = 0
    """Since when it is looked for how it rests."""
    since_us: int = 0
    """Since when it has stood at `rest`, while it is looked for."""
    stood_us: dict[int, int] = field(default_factory=dict)
    """Value → how long it has stood there, while it is looked for."""

    def unsettle(self, rest: int, now_us: int) -> None:
        """From now on it is looked for how it rests; it stands at `rest` now."""
        self.rest, self.settled, self.began_us, self.since_us = rest, False, now_us, now_us
        self.stood_us.clear()

    def moved(self, value: int, at_us: int) -> None:
        """It has moved while it is looked for how it rests."""
        if abs(value - self.rest) > self.slack:
            self.stood_us[self.rest] = self.stood_us.get(self.rest, 0) + max(0, at_us - self.since_us)
            self.rest, self.since_us = value, at_us

    def settle(self, now_us: int) -> None:
        """Take how it stands for how it rests, if it has stood for long enough."""
        if now_us - self.since_us >= STILL_US:
            self.settled = True
        elif now_us - self.began_us >= RESTLESS_US:
            self.moved(self.rest + 2 * self.slack + 1, now_us)  # so that where it stands now counts as well
            self.rest, self.settled = max(self.stood_us, key=lambda value: self.stood_us[value]), True

    def left(self, at_us: int) -> None:
        if self.away_since_us is None:
            self.away_since_us = at_us
            self.count += 1

    def came_back(self, at_us: int) -> None:
        if self.away_since_us is not None:
            gone_us = max(0, at_us - self.away_since_us)
            self.shortest_us = min(self.shortest_us, gone_us) if self.shortest_us else gone_us
            self.longest_us = max(self.longest_us, gone_us)
            self.away_since_us = None


class Wiggle:
    """One watch over some parts, or all inputs."""

    def __init__(
        self, layout: PanelIndex, values: Mapping[str, int], parts: Collection[str] = (), now_us: int | None = None
    ) -> None:
        """`values`: how the channels stand now. `parts`: names of controls, or channels; empty means all.

        `now_us`: host time, from which on it is looked for how they rest; None: they rest as they stand.

        Raises `Trouble` for a name that the panel does not have, and if there is nothing to watch.
        """
        self.layout = layout
        named = [
            key
            for name in parts
            for key in ((name,) if name in layout.spots else layout.channels_of(layout.named(name)))
        ]
        keys = named or list(layout.spots)
        self.last = ""
        """The channel that dropped out last; empty: none has."""
        self.last_at_us = 0
        """When that was, in host time."""
        self.upsets: dict[str, int] = {}
        """Board → how often it was reset or gone meanwhile."""
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
        """Channels whose raw edges are wanted."""
        return tuple(key for key in self.watched if self.layout.spots[key].kind == "contact")

    def heard(self, change: Change, how: str = "is") -> bool:
        """Take a change (``is``) or a raw ``edge``; returns whether a drop-out began, so that it can be heard."""
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
            # The first edge leaves the level at rest, whichever that is; bouncing it comes back to it again and again.
            if watched.raw_rest is None:
                watched.raw_rest = 1 - change.value
            watched.raw = True
            away = change.value != watched.raw_rest
        elif watched.raw:
            return False
        elif self.layout.spots[change.channel].kind == "encoder":
            # It rests wherever it stands: every count is one too many, and none is ever taken back.
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
        """Time has passed: what has stood still for long enough rests there."""
        for watched in self.watched.values():
            if not watched.settled:
                watched.settle(now_us)

    @property
    def settled(self) -> bool:
        """Whether it is known of every channel how it rests."""
        return all(watched.settled for watched in self.watched.values())

    def rest_text(self, key: str) -> str:
        """How a channel rests, in words."""
        watched, spot = self.watched[key], self.layout.spots[key]
        if spot.kind == "contact":
            return "made" if watched.rest else "open"
        return f"position {watched.rest}" if spot.kind == "selector" else str(watched.rest)

    def at_rest(self) -> str:
        """What is held for rest, in one line: the made contacts by name, as those are what drops out."""
        spots = self.layout.spots
        made = [
            key for key, each in self.watched.items() if each.rest and each.settled and spots[key].kind == "contact"
        ]
        names = dict.fromkeys(f"“{spots[key].part.label or spots[key].part.name}” ({key})" for key in made)
        others = len(self.watched) - len(made)
        which = f"made: {', '.join(names)}" if made else "no contact is made"
        rest = counted(others, "other input")
        return f"taken as the value at rest, as it was steady for half a second: {which}; {rest} as they are"

    def upset(self, board: str) -> None:
        """The board was reset or is gone: that is a drop-out as well, and what is away now is not timed."""
        self.upsets[board] = self.upsets.get(board, 0) + 1
        for watched in self._of(board):
            watched.away_since_us = None

    def rest_again(self, board: str, values: Mapping[str, int], now_us: int | None = None) -> None:
        """The board is back, its channels at `values`: that is how they rest now, or from where it is looked for."""
        for watched in self._of(board):
            watched.rest, watched.raw, watched.raw_rest = values.get(watched.key, watched.rest), False, None
            watched.away_since_us = None
            if now_us is not None:
                watched.unsettle(watched.rest, now_us)

    def _of(self, board: str) -> list[WatchedChannel]:
        return [each for each in self.watched.values() if self.layout.spots[each.key].channel.board == board]

    @property
    def count(self) -> int:
        """Drop-outs of all channels together."""
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
        """Return what was watched, for how long, and what was seen, in one line."""
        count = sum(each.count > 0 for each in self.watched.values())
        found = f"{counted(self.count, 'drop-out')} of {counted(count, 'input')}" if self.count else "no drop-out"
        upset = f", a board reset or gone {times(sum(self.upsets.values()))}" if self.upsets else ""
        return f"watched {counted(len(self.watched), 'input')} for {lasted(seconds)}: {found}{upset}"

    def as_json(self) -> dict[str, Any]:
        """Return the watch as plain JSON values."""
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
    """How long something lasted, in words."""
    return f"{us / 1000:.1f} ms" if us < 1_000_000 else f"{us / 1e6:.1f} s"
