"""Chattering: contact changes that neither a hand nor ordinary bounce makes.

Ordinary contacts bounce for 1.6 ms on average, and nearly all for less than 6.2 ms (J. Ganssle, *A Guide to
Debouncing*, values from memory), so everything within 10 ms of an edge counts as one *touch*. A hand does not make
three touches less than 60 ms apart, nor does it open a contact and make it again within 60 ms (common practice, no
source).

A switch of several positions differs: a hand that hesitates at a detent passes it to and fro, and its contacts come and
go as worn ones would. But a hand does so at most ten times a second (fast finger tapping is 5 to 7 Hz; common practice,
no source), which is slow for a contact. So for such a switch only touches within 25 ms count, and only if they recur.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.settled import Story
from benchcon.panel.model import Control

TOUCH_US = 10_000
FAST_US = 60_000
PASSED_US = 25_000
"""Longest time between touches that count for the contacts of a switch of more than two positions being worked."""
LONG_US = 20_000
"""Length from which a single run of bouncing counts; of shorter runs beyond ordinary bounce it takes two."""


class Burst(NamedTuple):
    """The chattering of one contact during one step."""

    channel: str
    moment: int
    touches: int
    shortest_us: int


def bursts(layout: PanelIndex, story: Story, groups: Mapping[str, frozenset[str]] | None = None) -> list[Burst]:
    """Return every burst of chattering in `story`.

    `groups` gives by channel the contacts whose wires touch it or are swapped with it: what moves one may move all.
    """
    out: list[Burst] = []
    loose: dict[str, list[Burst]] = {}
    runs: dict[str, list[tuple[int, Burst]]] = {}
    passed: dict[str, set[int]] = {}
    """For each contact the moments at which a switch of more than two positions moved it."""
    for number, moment in enumerate(story.moments):
        sweep = _sweep(layout, story, number)
        for raw, row in ((False, moment.hand.changes), (True, moment.hand.edges)):
            by_channel: dict[str, list[Change]] = {}
            for change in row:
                spot = layout.spots.get(change.channel)
                if spot is not None and spot.kind == "contact":
                    by_channel.setdefault(change.channel, []).append(change)
            for channel, changes in by_channel.items():
                start = None if raw else moment.before.get(channel)
                times = _toggles(changes, start)
                mates = (groups or {}).get(channel, frozenset((channel,)))
                due = sum(sweep.get(mate, 0) for mate in mates)
                detents = any(_is_worked(layout, mate, sweep, by_channel) for mate in mates)
                if detents:
                    passed.setdefault(channel, set()).add(number)
                touches, shortest = _most_touches(times, PASSED_US if detents else FAST_US)
                least = (3 if due == 1 else due + 3) + raw
                if raw:
                    ringing = _longest_run(times)
                    if ringing > LONG_US or (ringing > TOUCH_US and due <= 1):
                        runs.setdefault(channel, []).append(
                            (ringing, Burst(channel, number, max(2, touches), shortest))
                        )
                dropped = _drop_outs(layout, channel, row, moment.before.get(channel)) if detents else []
                if touches >= least or dropped:
                    shortest = min(filter(None, (shortest, *dropped)), default=0)
                    out.append(Burst(channel, number, max(touches, 2 * len(dropped)), shortest))
                elif not raw and not due and start == 1 and not detents:
                    drops = [b - a for a, b in zip(times[::2], times[1::2], strict=False) if b - a < FAST_US]
                    if drops:
                        loose.setdefault(channel, []).append(Burst(channel, number, 2 * len(drops), min(drops)))
    known = {(burst.channel, burst.moment) for burst in out}
    for row_of in runs.values():
        # A single run of continued bouncing may be a fumbling finger, unless it is long.
        if len(row_of) >= 2 or row_of[0][0] > LONG_US:
            out.extend(burst for _, burst in row_of if (burst.channel, burst.moment) not in known)
    out = [burst for burst in out if not _hesitated(burst, out, passed.get(burst.channel, set()))]
    for found in loose.values():
        # One drop-out of a contact that nobody touched proves nothing; two do.
        if sum(burst.touches for burst in found) >= 4:
            out.extend(found)
    return out


def _is_worked(layout: PanelIndex, channel: str, sweep: Collection[str], changed: Collection[str]) -> bool:
    """Return whether `channel` is a contact of a switch of more than two positions that was being worked.

    It was if a step asked for it (`sweep`), or if another of its contacts changed as well.
    """
    part = layout.spots[channel].part
    if not isinstance(part, Control) or len(part.codes) <= 2:
        return False
    return channel in sweep or any(other.key != channel and other.key in changed for other in part.channels)


def _hesitated(burst: Burst, every: Sequence[Burst], passed: Collection[int]) -> bool:
    """Return whether `burst` may be a hand hesitating at a detent: it came once, at a moment in `passed`."""
    if burst.moment not in passed:
        return False
    return len({each.moment for each in every if each.channel == burst.channel} & {*passed}) < 2


def doubtful(layout: PanelIndex, story: Story) -> list[str]:
    """Return the contacts that dropped out faster than by hand while their part was worked, but not often enough for
    `bursts`: a single drop-out proves nothing.
    """
    known = {burst.channel for burst in bursts(layout, story)}
    out: dict[str, None] = {}
    for moment in story.moments:
        for name in moment.hand.parts if moment.hand.do == "put" else ():
            for channel in layout.channels_of(name):
                if channel not in known and _drop_outs(
                    layout, channel, moment.hand.changes, moment.before.get(channel)
                ):
                    out[channel] = None
    return list(out)


def _drop_outs(layout: PanelIndex, channel: str, row: Sequence[Change], before: int | None) -> list[int]:
    """Return for how many microseconds `channel` was open each time that it made again faster than by hand.

    Bounce is left out, and so are contacts that a switch passed on its way, with which others of its contacts changed.
    `row` holds changes, or edges, whose values are levels.
    """
    part = layout.spots[channel].part
    own = {each.key for each in part.channels} if isinstance(part, Control) else set()
    times = _toggles([change for change in row if change.channel == channel], None)
    fine = all(change.clock_us >= 0 for change in row if change.channel in own)
    others = [each.clock_us if fine else each.at_us for each in row if each.channel in own - {channel}]
    first = 0 if before == 1 else 1
    return [
        made - opened
        for opened, made in zip(times[first::2], times[first + 1 :: 2], strict=False)
        if TOUCH_US < made - opened < PASSED_US and not any(opened - TOUCH_US < at < made + TOUCH_US for at in others)
    ]


def _toggles(changes: Sequence[Change], start: int | None) -> list[int]:
    """Return the times (µs) at which the value changed, on the board's clock where it is known."""
    fine = all(change.clock_us >= 0 for change in changes)
    times, last = [], start
    for change in changes:
        if change.value != last:
            times.append(change.clock_us if fine else change.at_us)
        last = change.value
    return times


def _most_touches(times: Sequence[int], fast_us: int) -> tuple[int, int]:
    """Return the largest number of touches less than `fast_us` apart, and the shortest time between two of them."""
    most = count = shortest = 0
    touch = last = None
    for at in times:
        if touch is not None and last is not None and abs(at - last) < fast_us:
            if at - touch <= TOUCH_US:
                last = at
                continue
            count += 1
            if count > 1:
                gap = at - touch
                shortest = gap if not shortest else min(shortest, gap)
        else:
            count = 1
        touch = last = at
        most = max(most, count)
    return most, shortest


def _longest_run(times: Sequence[int]) -> int:
    """Return the longest time over which at least 4 edges came, each within one touch of the last."""
    longest = count = 0
    begin = last = None
    for at in times:
        if last is None or begin is None or abs(at - last) > TOUCH_US:
            begin, count = at, 0
        count += 1
        last = at
        if count >= 4:
            longest = max(longest, at - begin)
    return longest


def _sweep(layout: PanelIndex, story: Story, number: int) -> dict[str, int]:
    """Return for each contact of the controls that were moved in step `number` how often it changes on the way."""
    moment = story.moments[number]
    out: dict[str, int] = {}
    if moment.hand.do != "put":
        return out
    for name in moment.hand.parts:
        control = layout.controls[name]
        codes = control.codes
        before = story.moments[number - 1].where.get(name) if number else None
        # Before a switch is first moved its position is not known: it may have gone the whole way.
        ends = (before, moment.hand.to) if before is not None else (0, len(codes) - 1)
        low, high = min(ends), min(max(ends), len(codes) - 1)
        for place, channel in enumerate(control.channels):
            steps = [(codes[n][place], codes[n + 1][place]) for n in range(low, high)]
            # A break-before-make switch opens even a contact that is made in both positions.
            out[channel.key] = max(1, sum(2 if step == (1, 1) else step[0] != step[1] for step in steps))
    return out
