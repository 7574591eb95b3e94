"""Chattering: contact changes that neither a hand nor ordinary bounce makes.

Ordinary contacts bounce for 1.6 ms on average and nearly all for less than 6.2 ms (J. Ganssle, *A Guide to
Debouncing*, values from memory), so everything within 10 ms of an edge counts as one *touch*. A hand does not make
three touches with less than 60 ms between them, nor does it let go of a contact and make it again within 60 ms
(common practice, no source).

A switch of several positions is another matter. A hand that hesitates at a detent passes it to and fro, and each of its
contacts comes and goes as a worn one would. What a hand does at most ten times a second (fast finger tapping is 5 to 7
Hz; common practice, no source) is slow for a contact, though: only touches within 25 ms count there, and only if they
come more than once.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.layout import PanelIndex, key_of
from benchcon.diagnosis.settled import Story
from benchcon.panel.model import Control

TOUCH_US = 10_000
FAST_US = 60_000
PASSED_US = 25_000
"""The same for the contacts of a switch of more than two positions, when it is worked."""
LONG_US = 20_000
"""One run of bouncing as long as this is enough; of shorter ones beyond ordinary bounce it takes two."""


class Burst(NamedTuple):
    """A contact chattered during one step."""

    channel: str
    moment: int
    touches: int
    shortest_us: int


def bursts(layout: PanelIndex, story: Story, groups: Mapping[str, frozenset[str]] | None = None) -> list[Burst]:
    """Return every burst of chattering in `story`.

    `groups`: contacts whose wires touch, or that are swapped, by channel: what moves one may move each of them.
    """
    out: list[Burst] = []
    loose: dict[str, list[Burst]] = {}
    runs: dict[str, list[tuple[int, Burst]]] = {}
    passed: dict[str, set[int]] = {}
    """The moments at which a switch of more than two positions moved a contact."""
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
                slow = 0 if raw or due > 1 or detents else _extra(len(times), due == 1)
                if raw:
                    ringing = _longest_run(times)
                    if ringing > LONG_US or (ringing > TOUCH_US and due <= 1):
                        runs.setdefault(channel, []).append(
                            (ringing, Burst(channel, number, max(2, touches), shortest))
                        )
                dropped = _drop_outs(layout, channel, row, moment.before.get(channel)) if detents else []
                if touches >= least or slow >= 4 or dropped:
                    shortest = min(filter(None, (shortest, *dropped)), default=0)
                    out.append(Burst(channel, number, max(touches, slow, 2 * len(dropped)), shortest))
                elif not raw and not due and start == 1 and not detents:
                    drops = [b - a for a, b in zip(times[::2], times[1::2], strict=False) if b - a < FAST_US]
                    if drops:
                        loose.setdefault(channel, []).append(Burst(channel, number, 2 * len(drops), min(drops)))
    known = {(burst.channel, burst.moment) for burst in out}
    for row_of in runs.values():
        # Contacts that go on bouncing: once may be a finger that fumbled, unless it is long.
        if len(row_of) >= 2 or row_of[0][0] > LONG_US:
            out.extend(burst for _, burst in row_of if (burst.channel, burst.moment) not in known)
    out = [burst for burst in out if not _hesitated(burst, out, passed.get(burst.channel, set()))]
    for found in loose.values():
        # One lone drop-out of a contact that nobody touched is no proof; twice is.
        if sum(burst.touches for burst in found) >= 4:
            out.extend(found)
    return out


def _is_worked(layout: PanelIndex, channel: str, sweep: Collection[str], changed: Collection[str]) -> bool:
    """Whether a contact is one of a switch of more than two positions that was worked, asked for (`sweep`) or not:
    another one of its contacts changed as well."""
    part = layout.spots[channel].part
    if not isinstance(part, Control) or len(part.codes) <= 2:
        return False
    return channel in sweep or any(key_of(other) != channel and key_of(other) in changed for other in part.channels)


def _hesitated(burst: Burst, every: Sequence[Burst], passed: Collection[int]) -> bool:
    """Whether `burst` may be a hand that hesitated at a detent: it came once, when (`passed`) the switch was worked."""
    if burst.moment not in passed:
        return False
    return len({each.moment for each in every if each.channel == burst.channel} & {*passed}) < 2


def doubtful(layout: PanelIndex, story: Story) -> list[str]:
    """Return the contacts that dropped out faster than by a hand when their part was worked, and that `bursts` does not
    tell of: once may be anything."""
    told = {burst.channel for burst in bursts(layout, story)}
    out: dict[str, None] = {}
    for moment in story.moments:
        for name in moment.hand.parts if moment.hand.do == "put" else ():
            for channel in layout.channels_of(name):
                if channel not in told and _drop_outs(layout, channel, moment.hand.changes, moment.before.get(channel)):
                    out[channel] = None
    return list(out)


def _drop_outs(layout: PanelIndex, channel: str, row: Sequence[Change], before: int | None) -> list[int]:
    """For how long, in microseconds, a contact was open each time that it made again faster than by a hand; not where a
    switch on its way passed it, so that others of its contacts changed as well, nor what bounces. `row`: changes, or
    edges, whose values are levels."""
    part = layout.spots[channel].part
    own = {key_of(each) for each in part.channels} if isinstance(part, Control) else set()
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
    """Times at which the value really changed, on the board's clock where there is one."""
    fine = all(change.clock_us >= 0 for change in changes)
    times, last = [], start
    for change in changes:
        if change.value != last:
            times.append(change.clock_us if fine else change.at_us)
        last = change.value
    return times


def _most_touches(times: Sequence[int], fast_us: int) -> tuple[int, int]:
    """Most touches with less than `fast_us` between them, and the shortest time between two of them."""
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
    """The longest time over which edges came with less than a touch between one and the next, of at least 4."""
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


def _extra(toggles: int, own: bool) -> int:
    """Changes beyond what even a clumsy hand makes of one step."""
    return toggles - 1 if own else toggles - 2 if toggles > 5 else 0


def _sweep(layout: PanelIndex, story: Story, number: int) -> dict[str, int]:
    """For each contact of the controls that were moved in a step: how often it changes on the way."""
    moment = story.moments[number]
    out: dict[str, int] = {}
    if moment.hand.do != "put":
        return out
    for name in moment.hand.parts:
        control = layout.controls[name]
        codes = control.codes
        before = story.moments[number - 1].where.get(name) if number else None
        # Where it stood is not known before it was first moved: then it may have gone the whole way.
        ends = (before, moment.hand.to) if before is not None else (0, len(codes) - 1)
        low, high = min(ends), min(max(ends), len(codes) - 1)
        for place, channel in enumerate(control.channels):
            steps = [(codes[n][place], codes[n + 1][place]) for n in range(low, high)]
            # A switch that breaks before it makes opens even what is made in both positions.
            out[key_of(channel)] = max(1, sum(2 if step == (1, 1) else step[0] != step[1] for step in steps))
    return out
