"""Converting board time to bench time, with a bound on the error of every result.

The stream sets two sorts of limit on a board's clock, and both hold whatever the delays were:

- a request written at bench time T1 was received at board time T2: at T1 the board's clock showed **no more** than T2;
- an answer or a notification stamped T3 by the board was read at T4: at T4 the board's clock showed **no less** than
  T3.

With the time that the bytes need on the wire known (the baud rate), both limits close up by it. The offset of one
exchange and its round-trip delay are those of RFC 5905, section 8. Between the two sorts of limit lies the clock: the
middle is the estimate, half the gap is the bound. Limits of exchanges with little delay are the tightest, so taking
the tightest one is the least-delay filter; limits at a distance in time count too, loosened by what the rate may have
done in between. That rate is a robust fit (Theil and Sen's median of slopes through the least-delay exchanges), kept
within the slopes that the limits leave possible.

All times are microseconds; *offset* is board time less bench time. Nothing here looks at a clock.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

CRYSTAL_PPM = 150.0
"""A clock that is further off than this is taken for a ceramic resonator (crystals: tens of ppm, resonators: up to
5 000; from data sheets, from memory)."""
CRYSTAL_DRIFT = 0.02e-6
"""Most that the rate of a crystal is assumed to change in a second (its temperature changes slowly; from memory)."""
RESONATOR_DRIFT = 15e-6
"""The same for a resonator: tens of ppm per kelvin, warming by a kelvin in five to ten seconds (from memory)."""
CRYSTAL_WINDOW_US = 60_000_000.0
"""Limits further away in time than this are not used."""
RESONATOR_WINDOW_US = 8_000_000.0
CURVE_NOISE, CURVE_LEAST_US = 5.0, 30.0
"""A clock drifts if its offset leaves a straight line by more than this many times its noise and this much more."""
ONE_WAY_RATE_ERROR = 20e-6
"""Bound on the error of a rate that is known from one direction only."""
HOST_STAMP_US = 5.0
"""Error of the bench's own stamps, which are taken just before a write or just after a read."""
BINS = 24
MOST_KNOTS = 4000
KNOT_US = 1_000_000.0
WIDEN = 8.0
"""If limits contradict each other, they are tried again a few times with this many times more drift."""


def offset_and_delay(t1: float, t2: float, t3: float, t4: float) -> tuple[float, float]:
    """Return offset and round-trip delay of one exchange (RFC 5905, section 8).

    `t1` request sent and `t4` answer read, on the bench's clock; `t2` request received and `t3` answer sent, on the
    board's.
    """
    return ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)


class Exchange(NamedTuple):
    """A request and its answer, with their four stamps and the least time that the bytes of each were on the wire."""

    sent_us: float
    received_us: float
    """By the board's clock, unwrapped."""
    answered_us: float
    """By the board's clock, unwrapped; the same as `received_us` if the answer has only one stamp."""
    heard_us: float
    wire_out_us: float = 0.0
    wire_back_us: float = 0.0

    @property
    def offset_us(self) -> float:
        return offset_and_delay(*self[:4])[0]

    @property
    def delay_us(self) -> float:
        return offset_and_delay(*self[:4])[1]


class Heard(NamedTuple):
    """A stamped line that was not asked for, which sets a limit on one side only."""

    at_us: float
    clock_us: float
    wire_us: float = 0.0


class Placed(NamedTuple):
    """A moment of a board's clock on the bench's time axis."""

    at_us: float
    error_us: float
    """Bound on the error of `at_us`; see `one_way`."""
    one_way: bool = False
    """Whether the board never answered a request: the moment may then also be earlier by the line's least delay, which
    is not known."""


class _Limit(NamedTuple):
    x: float
    """Bench time."""
    d: float
    """Greatest or least offset at that time."""


def robust_rate(points: Sequence[tuple[float, float]]) -> float:
    """Return the slope of y over x as the median of the slopes between all pairs (Theil and Sen); 0.0 without a pair.

    Up to 29 % of the points may be outliers.
    """
    slopes = [(d - b) / (c - a) for number, (a, b) in enumerate(points) for c, d in points[number + 1 :] if c != a]
    return median(slopes) if slopes else 0.0


def least_delay(exchanges: Sequence[Exchange], bins: int = BINS) -> list[Exchange]:
    """Return the exchange with the least delay in each of `bins` equal periods, in order."""
    if not exchanges:
        return []
    first, last = exchanges[0].sent_us, exchanges[-1].sent_us
    width = (last - first) / bins or 1.0
    best: dict[int, Exchange] = {}
    for one in exchanges:
        number = min(int((one.sent_us - first) / width), bins - 1)
        if number not in best or one.delay_us < best[number].delay_us:
            best[number] = one
    return [best[number] for number in sorted(best)]


class ClockMap:
    """The clock of one board between two resets, compared with the bench's. Made by `fit`; does not change."""

    def __init__(self, knots: list[tuple[float, float, float]], rate: float, rate_error: float, one_way: bool) -> None:
        self._x = [x for x, _, _ in knots]
        self._board = [x + d for x, d, _ in knots]
        self._error = [error for _, _, error in knots]
        self.rate_ppm = rate * 1e6
        """How much faster the board's clock runs than the bench's; negative: slower."""
        self.rate_error_ppm = rate_error * 1e6
        """Bound on the error of `rate_ppm`; it includes how much the rate may have changed."""
        self.one_way = one_way

    @classmethod
    def fit(cls, exchanges: Iterable[Exchange], heard: Iterable[Heard] = (), tick_us: float = 4.0) -> ClockMap | None:
        """Return the map that follows from these, or None if they are too few.

        `tick_us`: step of the board's clock. If the limits contradict each other, first the time on the wire is ignored
        (a USB device may have a rate without meaning), and then a faster drift is allowed.
        """
        asked = sorted(exchanges)
        one_way = sorted(heard)
        if len(asked) + len(one_way) < 2:
            return None
        if not asked:
            return _one_way(one_way, tick_us)
        best = least_delay(asked)
        rate = robust_rate([((one.sent_us + one.heard_us) / 2, one.offset_us) for one in best])
        steady = abs(rate) < CRYSTAL_PPM * 1e-6 and not _bends(asked, rate)
        drift = CRYSTAL_DRIFT if steady else RESONATOR_DRIFT
        fitted = None
        # An exchange that is faster than its bytes could be on the wire proves that the rate has no meaning.
        slack = 2 * tick_us + HOST_STAMP_US
        nothing = any(one.delay_us + slack < one.wire_out_us + one.wire_back_us for one in asked)
        for believed in (0.0,) if nothing else (1.0, 0.0):
            upper = [
                _Limit(x, one.received_us - x) for one in asked for x in [one.sent_us + believed * one.wire_out_us]
            ]
            lower = [
                _Limit(x, one.answered_us - x) for one in asked for x in [one.heard_us - believed * one.wire_back_us]
            ]
            lower += _thinned(
                [_Limit(x, one.clock_us - x) for one in one_way for x in [one.at_us - believed * one.wire_us]], rate
            )
            lower.sort()
            drifts = [drift, drift * WIDEN, *([RESONATOR_DRIFT] if steady else [])]
            for each in drifts if believed else [*drifts, drifts[-1] * WIDEN]:
                fitted = _Fit(upper, lower, rate, each, tick_us)
                if fitted.contradicted <= 0.01 * len(fitted.knots):
                    return fitted.map()
        return fitted.map() if fitted is not None else None

    def bench_us(self, board_us: float) -> Placed:
        """Return when, on the bench's axis, the board's clock (unwrapped) showed `board_us`."""
        board, bench = self._board, self._x
        last = len(board) - 1
        number = min(max(bisect_right(board, board_us) - 1, 0), last)
        if number < last and board_us >= board[0]:
            span = board[number + 1] - board[number]
            share = (board_us - board[number]) / span if span > 0 else 0.0
            at = bench[number] + share * (bench[number + 1] - bench[number])
            error = max(self._error[number], self._error[number + 1])
        else:
            beyond = board_us - board[number]
            at = bench[number] + beyond * (1 - self.rate_ppm * 1e-6)
            error = self._error[number] + abs(beyond) * self.rate_error_ppm * 1e-6
        return Placed(at, error, self.one_way)


def _bends(asked: list[Exchange], rate: float) -> bool:
    """Return whether the offset follows a curve, as of a resonator whose rate happens to be near a crystal's."""
    width = (asked[-1].sent_us - asked[0].sent_us) / BINS
    if len(asked) < 4 * BINS or width <= 0:
        return False
    out: dict[int, float] = {}
    back: dict[int, float] = {}
    for one in asked:
        number = min(int((one.sent_us - asked[0].sent_us) / width), BINS - 1)
        way_out = one.received_us - one.sent_us - rate * one.sent_us
        way_back = one.heard_us - one.answered_us + rate * one.heard_us
        out[number] = min(out.get(number, math.inf), way_out)
        back[number] = min(back.get(number, math.inf), way_back)
    return _is_curve(list(out.items())) or _is_curve(list(back.items()))


def _is_curve(points: list[tuple[float, float]]) -> bool:
    """Return whether points leave a straight line by more than noise, in which neighbours would be unrelated."""
    points = sorted(points)
    slope = robust_rate(points)
    rest = [y - slope * x for x, y in points]
    if len(rest) < 6:
        return False
    noise = median(abs(b - a) for a, b in pairwise(rest))
    smooth = [median(rest[n : n + 3]) for n in range(len(rest) - 2)]
    return max(smooth) - min(smooth) > CURVE_NOISE * noise + CURVE_LEAST_US


def _thinned(limits: list[_Limit], rate: float) -> list[_Limit]:
    """Return the tightest lower limit of each quarter of a second, since a busy board gives thousands."""
    best: dict[int, _Limit] = {}
    for limit in limits:
        number = int(limit.x // 250_000)
        kept = best.get(number)
        if kept is None or limit.d - rate * limit.x > kept.d - rate * kept.x:
            best[number] = limit
    return list(best.values())


def _one_way(heard: list[Heard], tick_us: float) -> ClockMap:
    """Return a map from notifications alone, as if the line had no delay where it had the least."""
    limits = [_Limit(one.at_us - one.wire_us, one.clock_us - one.at_us + one.wire_us) for one in heard]
    first, last = limits[0].x, limits[-1].x
    width = (last - first) / BINS or 1.0
    best: dict[int, _Limit] = {}
    for limit in limits:
        number = min(int((limit.x - first) / width), BINS - 1)
        if number not in best or limit.d > best[number].d:
            best[number] = limit
    rate = robust_rate(list(best.values()))
    knots = []
    for x in _grid(first, last):
        d = max(limit.d - rate * (limit.x - x) - ONE_WAY_RATE_ERROR * abs(limit.x - x) for limit in best.values())
        near = min(abs(limit.x - x) for limit in best.values())
        knots.append((x, d, tick_us + HOST_STAMP_US + ONE_WAY_RATE_ERROR * near))
    return ClockMap(knots, rate, ONE_WAY_RATE_ERROR, one_way=True)


def _grid(first: float, last: float) -> list[float]:
    count = max(2, min(MOST_KNOTS, math.ceil((last - first) / KNOT_US) + 1))
    return [first + (last - first) * number / (count - 1) for number in range(count)]


class _Fit:
    """Works out the map from the limits, knot by knot."""

    def __init__(self, upper: list[_Limit], lower: list[_Limit], rate: float, drift: float, tick_us: float) -> None:
        self.upper, self.lower = upper, lower
        self.start_rate = rate
        self.drift = drift * 1e-6  # a microsecond
        self.slack = tick_us + HOST_STAMP_US
        self.window = CRYSTAL_WINDOW_US if drift <= CRYSTAL_DRIFT * 1.01 else RESONATOR_WINDOW_US
        self.contradicted = 0
        self.rates: list[tuple[float, float]] = []
        self.knots = [self._knot(x) for x in _grid(min(upper[0].x, lower[0].x), max(upper[-1].x, lower[-1].x))]
        self._repair()

    def map(self) -> ClockMap:
        middle = median([rate for rate, _ in self.rates])
        spread = max(rate for rate, _ in self.rates) - min(rate for rate, _ in self.rates)
        known = min(error for _, error in self.rates)
        # If the rate was not the same all the time, that counts as an error too.
        whole = known + (spread if spread > 4 * known else 0.0)
        best = min(self.rates, key=lambda pair: pair[1])[0] if whole == known else middle
        return ClockMap(self.knots, best, whole, one_way=False)

    def _near(self, limits: list[_Limit], x: float) -> list[_Limit]:
        window = self.window
        while True:
            found = limits[bisect_left(limits, (x - window,)) : bisect_right(limits, (x + window, math.inf))]
            if len(found) >= 4 or window > limits[-1].x - limits[0].x + 2 * abs(x - limits[0].x):
                return found or limits
            window *= 2

    def _knot(self, x: float) -> tuple[float, float, float]:
        half = self.drift / 2
        rate = self.start_rate
        up = [(a, d - rate * a + half * a * a) for at, d in self._near(self.upper, x) for a in [at - x]]
        low = [(b, d - rate * b - half * b * b) for at, d in self._near(self.lower, x) for b in [at - x]]
        more, error, possible = _slopes(_tightest(up, min), _tightest(low, max))
        if not possible:
            self.contradicted += 1
        self.rates.append((rate + more, error))
        most = min(d - more * a + error * abs(a) for a, d in up)
        least = max(d - more * b - error * abs(b) for b, d in low)
        # If limits contradict each other, the stamps themselves are off by as much.
        return x, (most + least) / 2, abs(most - least) / 2 + self.slack

    def _repair(self) -> None:
        """Correct estimates that go back within their bounds, since a clock never does."""
        for number in range(1, len(self.knots)):
            before, (x, d, error) = self.knots[number - 1], self.knots[number]
            floor = before[0] + before[1]
            if x + d < floor:
                self.knots[number] = (x, floor - x, error + floor - x - d)


def _tightest(limits: list[tuple[float, float]], pick: Callable[[float, float], float]) -> list[tuple[float, float]]:
    """Return the tightest limit of each of `BINS` periods."""
    first, last = limits[0][0], limits[-1][0]
    width = (last - first) / BINS or 1.0
    best: dict[int, tuple[float, float]] = {}
    for limit in limits:
        number = min(int((limit[0] - first) / width), BINS - 1)
        kept = best.get(number)
        if kept is None or pick(limit[1], kept[1]) == limit[1]:
            best[number] = limit
    return list(best.values())


def _slopes(up: list[tuple[float, float]], low: list[tuple[float, float]]) -> tuple[float, float, bool]:
    """Return the slope of the clock between these limits, the bound on its error, and whether any slope is possible.

    A line fits between all limits if, with its slope taken out, no upper limit is below a lower one.
    """
    least, most = -math.inf, math.inf
    for a, u in up:
        for b, v in low:
            apart = a - b
            if apart > 1.0:
                most = min(most, (u - v) / apart)
            elif apart < -1.0:
                least = max(least, (u - v) / apart)
    if math.isinf(least) or math.isinf(most):
        return 0.0, 1e-3, True
    return (least + most) / 2, abs(most - least) / 2, least <= most
