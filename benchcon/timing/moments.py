"""When channels changed, by the clocks of their boards; transport delays are worked out from this."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from copy import copy
from typing import NamedTuple

from benchcon.panel.model import Control
from benchcon.panel.reading import detents, position_of_code
from benchcon.state import BenchState
from benchcon.state.board import find_channel, is_without_supply
from benchcon.timing.clocks import Clocks, Epoch
from benchcon.wire import events as ev
from benchcon.wire.notifications import settings

MOST_KEPT = 20_000
"""Most changes of one channel that are kept; beyond that, the oldest are dropped."""

HEARTBEAT_US = 1_200_000
Key = tuple[int, str]
"""Source number and channel id."""


class Moment(NamedTuple):
    """One channel's new value."""

    number: int
    """Running number over all channels, so that moments of several can be put in order."""
    epoch: Epoch
    clock_us: int
    """By the board's clock, unwrapped."""
    at_us: int
    """Stamp of the record that reported it; it was no later than this."""
    since_us: int
    """Stamp of the request, for an output; it was no earlier than this. 0 for an input: not known."""
    value: int
    changed: bool
    """Whether it changed at this moment; otherwise the value is from a keyframe, or was read back."""


class Moments:
    """Takes events, each after `Clocks` has taken it, and keeps the changes of every channel."""

    def __init__(self, state: BenchState, clocks: Clocks) -> None:
        self._state = state
        self._clocks = clocks
        self.off: dict[int, list[tuple[int, int]]] = {}
        """Number of a board → periods (from, to; 0: still) in which it was dark or without supply."""
        self.inputs: dict[Key, list[Moment]] = {}
        self.outputs: dict[Key, list[Moment]] = {}
        self._number = 0
        self._last: dict[Key, int] = {}
        self.last_us = 0
        """Stamp of the last event."""
        self.first_us: int | None = None
        self.stand()

    def stand(self) -> None:
        """Take the value of every channel, at the start and after a keyframe at which a stream begins."""
        for board in self._state.boards.values():
            for channel in board.channels.values():
                if channel.value is not None:
                    self._stands(board.source, channel.id, channel.value, self._state.at_us)

    def latest(self, most: int) -> Moments:
        """Return a copy with only the latest `most` changes of each channel."""
        found = copy(self)
        found.inputs = {key: kept[-most:] for key, kept in self.inputs.items()}
        found.outputs = {key: kept[-most:] for key, kept in self.outputs.items()}
        return found

    def take(self, event: ev.Event) -> None:
        """Take one event."""
        self.last_us = event.at_us
        if self.first_us is None:
            self.first_us = event.at_us
        sort = type(event)
        if sort is ev.Moved:
            for channel, value in event.values.items():  # type: ignore[union-attr]
                self._put(self.inputs, event.source, channel, event.clock_us, event.at_us, 0, value, True)  # type: ignore[union-attr]
        elif sort is ev.Answered:
            self._answered(event)  # type: ignore[arg-type]
        elif sort is ev.Alive:
            self._stands_off(event.source, event.at_us, event.dark or is_without_supply(event.supply_mv))  # type: ignore[union-attr]
            if event.dark:  # type: ignore[union-attr]
                self._outputs_off(event.source)
        elif (sort is ev.Notification and event.words[0] == "dark") or sort is ev.Boot:  # type: ignore[union-attr]
            self._outputs_off(event.source)
            if sort is ev.Notification:
                self._stands_off(event.source, event.at_us, True)

    def _answered(self, event: ev.Answered) -> None:
        request, words = event.request, event.words
        if words[0] == "set" and request is not None and len(words) == 2:
            try:
                clock_us = self._state.observer.clock_us(event.source, int(words[1], 16))
            except ValueError:
                return
            since = request.at_us if event.took_us is not None else 0
            for channel, value in settings(request.words[1:]):
                if self._last.get((event.source, channel)) != value:
                    self._put(self.outputs, event.source, channel, clock_us, event.at_us, since, value, True)
        elif words[0] == "read":
            for channel, value in settings(words[4:]):
                if self._last.get((event.source, channel)) != value:
                    self._stands(event.source, channel, value, event.at_us)
        elif words[0] in ("dark", "light"):
            self._outputs_off(event.source)
            self._stands_off(event.source, event.at_us, words[0] == "dark")

    def _stands_off(self, source: int, at_us: int, off: bool) -> None:
        spans = self.off.setdefault(source, [])
        still = bool(spans) and not spans[-1][1]
        if off and not still:
            spans.append((at_us, 0))
        elif still and not off:
            spans[-1] = spans[-1][0], at_us

    def is_off(self, source: int, at_us: float) -> bool:
        """Return whether this board was dark or without supply then; heartbeats report that up to a second late."""
        return any(
            begin - HEARTBEAT_US <= at_us and (not end or at_us <= end + HEARTBEAT_US)
            for begin, end in self.off.get(source, ())
        )

    def _outputs_off(self, source: int) -> None:
        # Outputs that a board switches off by itself do not answer a control, but the next value set is a change.
        for key in self.outputs:
            if key[0] == source:
                self._last[key] = 0

    def _stands(self, source: int, channel: str, value: int, at_us: int) -> None:
        known = find_channel(self._state.boards, source, channel)
        into = self.outputs if known is not None and known.is_output else self.inputs
        self._put(into, source, channel, 0, at_us, 0, value, False)

    def _put(
        self,
        into: dict[Key, list[Moment]],
        source: int,
        channel: str,
        clock_us: int,
        at_us: int,
        since_us: int,
        value: int,
        changed: bool,
    ) -> None:
        key = source, channel
        self._last[key] = value
        self._number += 1
        kept = into.setdefault(key, [])
        kept.append(Moment(self._number, self._clocks.epoch(source, at_us), clock_us, at_us, since_us, value, changed))
        if len(kept) > MOST_KEPT:
            del kept[: MOST_KEPT // 4]


def movements(control: Control, inputs: Mapping[Key, list[Moment]], source: int) -> list[Moment]:
    """Return when `control`, on the board with number `source`, came to another position, detent or reading.

    A switch with several contacts has moved when it has reached a position; an encoder moves by whole detents. `value`
    is the position, the number of detents since the first, or the reading.
    """
    streams = [inputs.get((source, channel.id), []) for channel in control.channels]
    if control.kind in ("button", "switch"):
        return list(_positions(control, streams))
    found: list[Moment] = []
    last: int | None = None
    first = streams[0][0].value if streams and streams[0] else 0
    for moment in streams[0] if streams else ():
        stands = round(detents(control, first, moment.value)) if control.kind == "encoder" else moment.value
        if moment.changed and stands != last:
            found.append(moment._replace(value=stands))
        last = stands
    return found


def _positions(control: Control, streams: list[list[Moment]]) -> Iterable[Moment]:
    values: list[int | None] = [None] * len(streams)
    last: int | None = None
    merged = sorted((moment.number, index, moment) for index, stream in enumerate(streams) for moment in stream)
    for index, (_, which, moment) in enumerate(merged):
        values[which] = moment.value
        following = merged[index + 1][2] if index + 1 < len(merged) else None
        if following is not None and following.changed == moment.changed and _as_one(moment, following):
            continue  # contacts that change in one scan are reported in one line
        known = [value for value in values if value is not None]
        position = position_of_code(control, known).position if len(known) == len(values) else None
        if position is not None and position != last:
            if moment.changed:
                yield moment._replace(value=position)
            last = position


def _as_one(one: Moment, other: Moment) -> bool:
    return other.number == one.number + 1 and other.at_us == one.at_us and other.clock_us == one.clock_us
