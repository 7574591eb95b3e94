"""Transport delay: from a control's movement to the output that answers it, on the boards' own clocks.

The movement's moment is the board's clock in ``is`` (when the contact was accepted as changed, after its debounce); the
output's is the clock in the answer to ``set`` (when the output was really set). On one board the delay is the
difference of two readings of one clock. Between two boards the clock map relates them, and the bounds of both add up.
Boards without a clock are timed by the bench's own stamps, and marked as such.

Nothing says which change of the output answers which movement. They are matched in order, so that as few movements as
possible have no answer, and delays are close to the usual one of the pair. Movements that the output answered together,
with a single change, are counted together, and the delay is that of the first.

If a lamp follows a contact (lit while it is made, or the other way round), only lighting answers a press, and only
going out answers a release. Without this rule, a program that misses one movement would be charged with an answer as
late as the next movement, and again for the movement that then has nothing left to change.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean, median
from typing import NamedTuple

from benchcon.panel.model import Control, Display, Lamp, Panel
from benchcon.state import BenchState
from benchcon.timing.clocks import NOTIFICATION_EXTRA, REQUEST_EXTRA
from benchcon.timing.moments import Moment, Moments, movements
from benchcon.timing.percentiles import Drift, drift, percentile

WAIT_US = 1_000_000
"""An answer counts as missing after this time, or after three times the limit if that is longer."""
MERGE_US = 100_000
"""A movement can share an answer with a later one within this time of it, or three times the usual delay."""
MERGE_TURNING_US = 300_000
"""The same for encoders and potentiometers, since a program that polls seldom sees many detents at once."""
MISS = 3.0
"""Cost, in the matching, of a movement without an answer; a match costs as much as its delay is unusual."""
UNUSUAL = 2.5
"""Greatest cost of a match: one slow answer is likelier than a missing one, two slow ones are not."""
FOLLOWS_AS_CLOSE = 1.5
"""A lamp counts as following a contact if delays then spread at most this many times as widely as otherwise."""
MOST_BAND = 48
MOST_APART = 20_000
CROWDS_US = (2_000.0, 20_000.0, 100_000.0)
MOST_SCREENED = 300
PROPOSE_WAIT_US = 500_000
PROPOSE_LEAST = 4
"""Least number of movements for which a pair is proposed."""
RATE_ERROR = 5_000e-6
"""Error of a board's clock whose rate is not known (ceramic resonators; from memory)."""

Output = Lamp | Display


class Delay(NamedTuple):
    """One movement and its answer."""

    at_us: float
    """When the control moved, on the bench's axis."""
    delay_us: float
    error_us: float
    """Bound on the error of `delay_us`."""
    position: int
    """Where the control went (see `benchcon.timing.moments.movements`)."""
    in_us: float = math.nan
    """From the movement until this computer had read about it; NaN if not known, like the next two."""
    program_us: float = math.nan
    """From there until the request that set the output was written: the program, and whatever is behind it."""
    out_us: float = math.nan
    """From there until the output was really set."""


class DelayStage(NamedTuple):
    """One part of the time from a movement to its answer."""

    name: str
    us: float


STAGES = ("debounce", "line", "USB and this computer", "program", "USB and board")
"""The names of the stages, in the order in which they are drawn."""

CONTACTS = ("button", "switch")


@dataclass(slots=True)
class Delays:
    """The figures of one control and the output that answers it."""

    control: Control
    output: Output
    limit_us: int = 0
    """The limit on the delay; 0: none is set."""
    proposed: bool = False
    """Whether the pair is not in the panel file, but inferred from what was seen."""
    by: str = "one board"
    """Whose clocks were used: ``one board``, ``two boards`` or ``host stamps``."""
    one_way: bool = False
    """Whether a clock map was made from one direction only; its bound does not include the line's least delay."""
    found: list[Delay] = field(default_factory=list)
    """The movements that were answered, in order of time."""
    missing: list[float] = field(default_factory=list)
    """When movements without an answer happened, in bench time."""
    merged: int = 0
    """How many movements were answered together with an earlier one."""
    others: int = 0
    """How many changes of the output did not answer a movement of the control."""
    pending: int = 0
    """How many movements came so late that their answer may be after the end."""
    nothing_to_change: int = 0
    """How many movements found the output already set, because the movement before them was not answered."""
    in_the_dark: int = 0
    """How many movements came while the output's board was dark or without supply; no answer is expected then."""
    waited_us: int = WAIT_US
    wire_in_us: float = 0.0
    """Time that the bytes of the control's line take at its baud rate; 0 if that is not known."""
    wire_out_us: float = 0.0

    @property
    def movements(self) -> int:
        """How many movements should have been answered."""
        return len(self.found) + len(self.missing) + self.merged

    @property
    def broken(self) -> list[Delay]:
        """The delays that exceed the limit even with the error bound subtracted."""
        return [one for one in self.found if self.limit_us and one.delay_us - one.error_us > self.limit_us]

    @property
    def doubtful(self) -> list[Delay]:
        """The delays that may exceed the limit, which is within their error bound."""
        return [
            one
            for one in self.found
            if self.limit_us and one.delay_us - one.error_us <= self.limit_us < one.delay_us + one.error_us
        ]

    @property
    def verdict(self) -> str:
        """``broken``, ``not certain``, ``passed``, ``no limit`` or ``not moved``.

        A movement without an answer breaks the limit, since after `waited_us` the delay exceeds it in any case.
        """
        if not self.movements:
            return "not moved"
        if not self.limit_us:
            return "no limit"
        if self.broken or self.missing:
            return "broken"
        return "not certain" if self.doubtful else "passed"

    def percentile_us(self, percent: float) -> float:
        """Return a percentile of the delays. Raises ValueError if nothing was answered."""
        return percentile(sorted(one.delay_us for one in self.found), percent)

    @property
    def worst(self) -> Delay | None:
        """The longest delay; None if nothing was answered."""
        return max(self.found, key=lambda one: one.delay_us, default=None)

    @property
    def error_us(self) -> float:
        """The greatest error bound of all delays."""
        return max((one.error_us for one in self.found), default=0.0)

    @property
    def stages(self) -> list[DelayStage]:
        """Where the time goes on average, in order; empty if the stamps do not show it.

        The debounce precedes the delay; the other stages add up to the mean delay.
        """
        known = [one for one in self.found if math.isfinite(one.in_us + one.program_us + one.out_us)]
        if not known:
            return []
        came, program, went = (fmean(getattr(one, name) for one in known) for name in ("in_us", "program_us", "out_us"))
        wire_in, wire_out = min(self.wire_in_us, max(came, 0)), min(self.wire_out_us, max(went, 0))
        found = [DelayStage("debounce", self.control.debounce_ms * 1000)] if self.control.kind in CONTACTS else []
        found += [DelayStage("line", wire_in)] if wire_in else []
        found += [DelayStage("USB and this computer", came - wire_in), DelayStage("program", program)]
        found += [DelayStage("line", wire_out)] if wire_out else []
        found += [DelayStage("USB and board", went - wire_out)]
        return [DelayStage(stage.name, max(stage.us, 0.0)) for stage in found]

    @property
    def drift(self) -> Drift | None:
        return drift([one.delay_us for one in self.found])


def delays_of(
    panel: Panel, state: BenchState, moments: Moments, *, propose: bool = True, most: int = 0
) -> list[Delays]:
    """Return the delays of every pair that the panel file names, in its order.

    With `propose`, pairs inferred from what was seen follow, for outputs about which the file says nothing. With
    `most`, only that many of each channel's latest changes count.
    """
    if most:
        moments = moments.latest(most)
    sources = sources_of(panel, state)
    controls = {control.name: control for control in panel.controls}
    found = []
    outputs: tuple[Output, ...] = (*panel.lamps, *panel.displays)
    for output in outputs:
        if (control := controls.get(output.answers)) is not None:
            found.append(_measured(control, output, output.within_us, sources, moments))
    return [*found, *_proposed(panel, sources, moments)] if propose else found


def sources_of(panel: Panel, state: BenchState) -> dict[str, int]:
    """Return name on the panel → number, for each board of `panel` in the stream."""
    found = {}
    for board in panel.boards:
        known = state.board_named(board.own_ident)
        if known is not None:
            found[board.name] = known.source
    return found


def _moved(control: Control, sources: dict[str, int], moments: Moments) -> list[Moment]:
    boards = {channel.board for channel in control.channels}
    # A control whose contacts are on two boards has no clock of its own.
    source = sources.get(next(iter(boards))) if len(boards) == 1 else None
    return movements(control, moments.inputs, source) if source is not None else []


def _changed(output: Output, sources: dict[str, int], moments: Moments) -> list[Moment]:
    source = sources.get(output.channel.board)
    if source is None:
        return []
    return [moment for moment in moments.outputs.get((source, output.channel.id), []) if moment.changed]


def _measured(control: Control, output: Output, limit_us: int, sources: dict[str, int], moments: Moments) -> Delays:
    wait_us = max(WAIT_US, 3 * limit_us)
    moved, changed = _moved(control, sources, moments), _changed(output, sources, moments)
    target = sources.get(output.channel.board, -1)
    lit = [moment for moment in moved if not moments.is_off(target, moment.at_us)]
    # Only presses of a button are counted here, since it is not known yet whether releases are answered.
    in_the_dark = sum(
        moments.is_off(target, moment.at_us) for moment in moved if not control.spring or moment.value in control.spring
    )
    moved = lit
    result = Delays(control, output, limit_us, waited_us=wait_us)
    result.in_the_dark = in_the_dark
    axis = _Axis(moved, changed)
    result.by, result.one_way = axis.by, axis.one_way
    if moved and changed:
        came, went = control.channels[0].id, output.channel.id
        width = 3 if isinstance(output, Lamp) else 2 * output.digits
        result.wire_in_us = moved[-1].epoch.wire_us(NOTIFICATION_EXTRA + len(f"is {came}=1"))
        result.wire_out_us = changed[-1].epoch.wire_us(REQUEST_EXTRA + len(f"set {went}=") + width)
    chosen, matches = _both_ways(control, axis, wait_us)
    followed = _followed(axis, chosen, matches, wait_us) if isinstance(output, Lamp) else None
    if followed is not None:
        chosen, matches, result.nothing_to_change = followed
    result.others = len(changed) - len({match for match in matches if match >= 0})
    _count(result, axis, chosen, matches, moments.last_us, alike=followed is not None)
    return result


def _both_ways(control: Control, axis: _Axis, wait_us: float) -> tuple[list[int], list[int]]:
    """Return the indices of the movements that count, and for each the index of its answer, or -1.

    A button is pressed and released, and most programs act on only one of these; the other does not count if it is
    generally not answered.
    """
    everything = list(range(len(axis.moved)))
    resting = [n for n in everything if axis.moved[n].value not in control.spring]
    if not control.spring or control.kind not in ("button", "switch") or not resting:
        return everything, match_in_order(axis.moved_us, axis.changed_us, wait_us, axis.slack_us)
    pressing = [n for n in everything if axis.moved[n].value in control.spring]

    def matched(numbers: list[int], without: Iterable[int] = ()) -> list[int]:
        left = [n for n in range(len(axis.changed_us)) if n not in set(without)]
        found = match_in_order(
            [axis.moved_us[n] for n in numbers], [axis.changed_us[n] for n in left], wait_us, axis.slack_us
        )
        return [left[match] if match >= 0 else -1 for match in found]

    first = matched(pressing)
    if not pressing:
        return resting, matched(resting)
    second = matched(resting)
    if _answered(second) >= 0.8 and _spread(axis, resting, second) < _spread(axis, pressing, first) / 3:
        # The answers follow the releases: after a press they come only when the finger leaves the button.
        return resting, second
    also = matched(resting, [match for match in first if match >= 0])
    if _answered(also) < 0.5:
        return pressing, first
    together = sorted(zip((*pressing, *resting), (*first, *also), strict=True))
    return [number for number, _ in together], [match for _, match in together]


def _followed(
    axis: _Axis, chosen: list[int], matches: list[int], wait_us: float
) -> tuple[list[int], list[int], int] | None:
    """Return movements and answers of a lamp that follows a contact, and how many movements had nothing to change.

    `chosen` and `matches` are the result without this assumption. Returns None if the lamp does not follow: it does if
    delays, with lighting and going out each matched to its own position, spread no more widely than without.
    """
    positions = sorted({axis.moved[n].value for n in chosen})
    lit = [moment.value > 0 for moment in axis.changed]
    if len(positions) != 2 or len(set(lit)) != 2:
        return None
    best: tuple[float, list[int]] | None = None
    for lights in positions:
        found = [-1] * len(chosen)
        for position in positions:
            own = [k for k, n in enumerate(chosen) if axis.moved[n].value == position]
            states = [k for k, state in enumerate(lit) if state == (position == lights)]
            for k, match in zip(
                own,
                match_in_order(
                    [axis.moved_us[chosen[k]] for k in own],
                    [axis.changed_us[k] for k in states],
                    wait_us,
                    axis.slack_us,
                ),
                strict=True,
            ):
                found[k] = states[match] if match >= 0 else -1
        spread = _widest(axis, chosen, found)
        if best is None or spread < best[0]:
            best, wanted = (spread, found), [axis.moved[n].value == lights for n in chosen]
    assert best is not None
    spread, found = best
    free = sum(match >= 0 for match in matches)
    if spread > FOLLOWS_AS_CLOSE * _widest(axis, chosen, matches) or sum(match >= 0 for match in found) < free / 2:
        return None
    kept, kept_matches, latest = [], [], -1
    for n, match, wish in zip(chosen, found, wanted, strict=True):
        latest = max(latest, match, bisect_right(axis.changed_us, axis.moved_us[n]) - 1)
        stood = lit[latest] if latest >= 0 else not lit[0]
        if match >= 0 or stood != wish:
            kept.append(n)
            kept_matches.append(match)
    return kept, kept_matches, len(chosen) - len(kept)


def _widest(axis: _Axis, numbers: list[int], matches: list[int]) -> float:
    """Return the typical distance of delays from the median of all, for the position at which it is greatest.

    Answers to one position that all came one movement late must not hide behind those to the other.
    """
    waits: dict[int, list[float]] = {axis.moved[number].value: [] for number in numbers}
    for number, match in zip(numbers, matches, strict=True):
        if match >= 0:
            waits[axis.moved[number].value].append(axis.changed_us[match] - axis.moved_us[number])
    if not all(waits.values()) or sum(map(len, waits.values())) < PROPOSE_LEAST:
        return float("inf")
    middle = median(wait for each in waits.values() for wait in each)
    return max(median(abs(wait - middle) for wait in each) for each in waits.values()) + 1_000


def _answered(matches: Sequence[int]) -> float:
    return sum(match >= 0 for match in matches) / len(matches) if matches else 0.0


def _spread(axis: _Axis, numbers: Sequence[int], matches: Sequence[int]) -> float:
    waits = [
        axis.changed_us[match] - axis.moved_us[number]
        for number, match in zip(numbers, matches, strict=True)
        if match >= 0
    ]
    if len(waits) < PROPOSE_LEAST:
        return float("inf")
    middle = median(waits)
    return median(abs(wait - middle) for wait in waits) + 1_000


def _count(
    result: Delays, axis: _Axis, chosen: list[int], matches: list[int], end_us: float, *, alike: bool = False
) -> None:
    """Fill in which movements were answered and which were not. `alike`: only equal movements share an answer."""
    plain = [axis.delay(n, match).delay_us for n, match in zip(chosen, matches, strict=True) if match >= 0]
    least_us = MERGE_TURNING_US if result.control.kind in ("encoder", "pot") else MERGE_US
    merge_us = max(least_us, 3 * median(plain) if plain else 0.0)
    waiting: list[int] = []
    last_answer_us = float("-inf")
    for number, match in zip(chosen, matches, strict=True):
        moved_us = axis.moved_us[number]
        if match < 0:
            if moved_us <= last_answer_us:
                result.merged += 1
            else:
                waiting.append(number)
            continue
        answer_us = axis.changed_us[match]
        shared = [
            each
            for each in waiting
            if answer_us - axis.moved_us[each] <= merge_us
            and (not alike or axis.moved[each].value == axis.moved[number].value)
        ]
        result.missing += [axis.moved_us[each] for each in waiting if each not in shared]
        result.merged += len(shared)
        waiting = []
        result.found.append(axis.delay(shared[0] if shared else number, match))
        last_answer_us = answer_us
    for each in waiting:
        if axis.moved_us[each] + result.waited_us > end_us:
            result.pending += 1
        else:
            result.missing.append(axis.moved_us[each])


class _Axis:
    """The movements of a control and the changes of an output on one axis of time."""

    def __init__(self, moved: list[Moment], changed: list[Moment]) -> None:
        self.moved, self.changed = moved, changed
        sources = {moment.epoch.source for moment in (*moved, *changed)}
        epochs = {(each.epoch.source, each.epoch.number): each.epoch for each in (*moved, *changed)}.values()
        own = all(epoch.ticking for epoch in epochs)
        self.one_way = False
        if len(sources) > 1 and own:
            maps = [epoch.map() for epoch in epochs]
            own = all(found is not None for found in maps)
            self.one_way = any(found is not None and found.one_way for found in maps)
        self.by = "host stamps" if not own else "one board" if len(sources) <= 1 else "two boards"
        self._error: list[list[float]] = []
        placed = []
        for stream in (moved, changed):
            places = [moment.epoch.place(moment.clock_us, moment.at_us)[0] for moment in stream]
            if not own:
                placed.append([float(moment.at_us) for moment in stream])
            else:
                placed.append([place.at_us for place in places])
            self._error.append([place.error_us for place in places])
        self.moved_us, self.changed_us = placed
        self.slack_us = max((max(error, default=0.0) for error in self._error), default=0.0) if own else 1_000.0

    def delay(self, number: int, match: int) -> Delay:
        """Return the delay between a movement and a change, given their indices."""
        moved, changed = self.moved[number], self.changed[match]
        at_us = self.moved_us[number]
        joined = moved.epoch is changed.epoch or (moved.epoch.map() is not None and changed.epoch.map() is not None)
        if self.by == "host stamps" or not joined:
            # The output changed at some moment between request and answer; the movement was before its report.
            error = float(changed.at_us - changed.since_us) if changed.since_us else float("inf")
            return Delay(at_us, float(changed.at_us - moved.at_us), error, moved.value)
        if moved.epoch is changed.epoch:
            # Two readings of one clock: only its rate matters, not what it shows.
            apart = changed.clock_us - moved.clock_us
            known = moved.epoch.map()
            rate, unsure = (known.rate_ppm, known.rate_error_ppm) if known is not None else (0.0, RATE_ERROR * 1e6)
            delay = apart / (1 + rate * 1e-6)
            error = moved.epoch.tick_us + abs(delay) * unsure * 1e-6
            stages = self._stages(number, match) if known is not None else (math.nan,) * 3
            return Delay(at_us, delay, error, moved.value, *stages)
        error = self._error[0][number] + self._error[1][match]
        return Delay(at_us, self.changed_us[match] - at_us, error, moved.value, *self._stages(number, match))

    def _stages(self, number: int, match: int) -> tuple[float, float, float]:
        moved, changed = self.moved[number], self.changed[match]
        if not changed.since_us:
            return (math.nan,) * 3
        return (
            moved.at_us - self.moved_us[number],
            float(changed.since_us - moved.at_us),
            self.changed_us[match] - changed.since_us,
        )


def match_in_order(
    moved_us: Sequence[float], changed_us: Sequence[float], wait_us: float, slack_us: float = 0.0
) -> list[int]:
    """Return for each movement the index of the change that answers it, or -1.

    Both sequences ascend. No change answers two movements, none comes before its movement (except by `slack_us`) or
    later than `wait_us`, and answers are in the order of the movements. Of all such matchings one with the least cost
    is returned: `MISS` for a movement without an answer, and for each answer how far its delay is from the usual one,
    at most `UNUSUAL`.
    """
    if not moved_us or not changed_us:
        return [-1] * len(moved_us)
    lows = [bisect_left(changed_us, at - slack_us) for at in moved_us]
    highs = [bisect_right(changed_us, at + wait_us) for at in moved_us]
    usual = usual_delays(moved_us, changed_us, lows, highs)
    # One scale for all, or a long usual delay would have an advantage: distances from it would count for less.
    scale = max(min(map(abs, usual)), 10_000.0)
    tried = [_matched(moved_us, changed_us, lows, highs, one, scale) for one in usual]
    # The fewest movements without an answer come first: a delay that is wrong by a whole period loses one answer.
    return min(tried, key=lambda one: (one[1].count(-1), one[0]))[1]


def _matched(
    moved_us: Sequence[float],
    changed_us: Sequence[float],
    lows: list[int],
    highs: list[int],
    usual: float,
    scale: float,
) -> tuple[float, list[int]]:
    """Return the least cost and its matching, taking `usual` as the usual delay."""
    if max((high - low for low, high in zip(lows, highs, strict=True)), default=0) > MOST_BAND:
        # Too many to try all: only those around the usual delay.
        middles = [bisect_left(changed_us, at + usual) for at in moved_us]
        lows = [max(low, middle - MOST_BAND // 2) for low, middle in zip(lows, middles, strict=True)]
        highs = [
            min(high, max(middle, low) + MOST_BAND // 2) for low, high, middle in zip(lows, highs, middles, strict=True)
        ]
    # costs[k]: the least for the movements so far if only the first `low + k` changes are used; falls with k.
    costs, low_before, high_before = [0.0], lows[0], lows[0]
    steps: list[bytearray] = []
    for low, high_, at in zip(lows, highs, moved_us, strict=True):
        high = max(high_, low)
        # The costs so far, for k from `low` on; changes beyond the last band made no difference to them.
        base = costs[max(min(low, high_before) - low_before, 0) : high - low_before + 1]
        base += [costs[-1]] * (high - low + 1 - len(base))
        least = base[0] + MISS
        row, step = [least], bytearray(b"\0")
        expected = at + usual
        for k, change in enumerate(changed_us[low:high], 1):
            apart = abs(change - expected) / scale
            cost = base[k - 1] + (apart if apart < UNUSUAL else UNUSUAL)
            skipped = base[k] + MISS
            if least <= cost and least <= skipped:
                step.append(_FEWER)
            elif cost < skipped:
                least = cost
                step.append(_MATCH)
            else:
                least = skipped
                step.append(_SKIP)
            row.append(least)
        steps.append(step)
        costs, low_before, high_before = row, low, high
    result = [-1] * len(moved_us)
    k = high_before
    for number in range(len(moved_us) - 1, -1, -1):
        low = lows[number]
        k = min(max(k, low), low + len(steps[number]) - 1)
        while steps[number][k - low] == _FEWER:
            k -= 1
        if steps[number][k - low] == _MATCH:
            k -= 1
            result[number] = k
    return costs[-1], result


_SKIP, _MATCH, _FEWER = 0, 1, 2


def usual_delays(
    moved_us: Sequence[float], changed_us: Sequence[float], lows: Sequence[int], highs: Sequence[int]
) -> list[float]:
    """Return candidates for the usual delay: where the times from any movement to any later change cluster.

    Times between a movement and its own answer cluster, the others are scattered. How tight the cluster is is not
    known, so there are several candidates.
    """
    apart: list[float] = []
    nearest: list[float] = []
    for number, (at, low, high) in enumerate(zip(moved_us, lows, highs, strict=True)):
        apart += [changed_us[k] - at for k in range(low, min(high, low + 4 * MOST_BAND))]
        following = moved_us[number + 1] if number + 1 < len(moved_us) else float("inf")
        if low < high and changed_us[low] < following:
            nearest.append(changed_us[low] - at)
        if len(apart) > MOST_APART:
            break
    apart.sort()
    found = [median(nearest)] if nearest else []
    for width in CROWDS_US:
        best, first = (0, 0), 0
        for last, value in enumerate(apart):
            while apart[first] < value - width:
                first += 1
            best = max(best, (last - first + 1, -first))
        count, begin = best
        if count:
            found.append(apart[-begin + (count - 1) // 2])
    return list(dict.fromkeys(found)) or [0.0]


# --- pairs that nobody named ------------------------------------------------------------------------------------------


def _proposed(panel: Panel, sources: dict[str, int], moments: Moments) -> list[Delays]:
    """Return, for each output without `answers`, the pair with the control that it follows best, if it follows any."""
    moved = {control.name: _moved(control, sources, moments) for control in panel.controls}
    found = []
    outputs: tuple[Output, ...] = (*panel.lamps, *panel.displays)
    for output in outputs:
        if output.answers:
            continue
        changed = _changed(output, sources, moments)
        if len(changed) < PROPOSE_LEAST:
            continue
        best: tuple[float, Delays] | None = None
        for control in panel.controls:
            if len(moved[control.name]) < PROPOSE_LEAST or not _follows(moved[control.name], changed):
                continue
            # Nothing says whether a contact springs back, so it may be answered one way or both.
            tried = replace(control, spring=(1,)) if len(control.positions) == 2 and not control.spring else control
            result = _measured(tried, output, 0, sources, moments)
            result.control = control
            score = _score(result)
            if score > 0 and (best is None or score > best[0]):
                result.proposed = True
                best = score, result
        if best is not None:
            found.append(best[1])
    return found


def _follows(moved: list[Moment], changed: list[Moment]) -> bool:
    """Return whether the output's changes cluster at one time after the control's movements, more than by chance."""
    times = [float(moment.at_us) for moment in changed]
    waits = []
    for moment in moved[:MOST_SCREENED]:
        first = bisect_left(times, moment.at_us)
        if first < len(times) and times[first] <= moment.at_us + PROPOSE_WAIT_US:
            waits.append(times[first] - moment.at_us)
    if len(waits) < PROPOSE_LEAST:
        return False
    middle = median(waits)
    half = max(25_000.0, middle / 2)
    sample = min(len(moved), MOST_SCREENED)
    share = sum(abs(wait - middle) <= half for wait in waits) / sample
    chance = 2 * half * len(times) / max(times[-1] - times[0], 1.0)
    # The sample holds presses and releases: a lamp that follows only one of these answers half of them.
    return share >= 0.4 and share > 2 * chance


def _score(result: Delays) -> float:
    """Return how much of what both did is explained if one answers the other; 0: too little."""
    answered = len(result.found) + result.merged
    if len(result.found) < PROPOSE_LEAST or answered < 0.8 * result.movements:
        return 0.0
    if result.nothing_to_change > answered / 2:
        return 0.0
    changes = len(result.found) + result.others
    if len(result.found) < 0.5 * changes or result.percentile_us(50) > PROPOSE_WAIT_US:
        return 0.0
    return answered / result.movements + len(result.found) / changes
