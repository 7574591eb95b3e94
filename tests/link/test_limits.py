"""The limits of the house, tried with lines that are lost, late and repeated, and measured on what a board showed.

Sources: WCAG 2.3.1 "Three Flashes or Below Threshold" (three flashes in any one second; a flash is a pair of opposing
changes of 10 % of full relative luminance or more) and CIE 1976 lightness through the independent `colour-science`.
"""

from __future__ import annotations

import itertools
import random
from abc import ABC, abstractmethod
from collections.abc import Callable

import pytest
from cie import luminance_of
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.link import limits
from benchcon.link.limits import Allowance
from benchcon.link.outputs import BoardOutputs
from benchcon.wire.items import items

SECOND = 1_000_000
DESCRIPTION = items(
    ("board", "", {"ident": "b"}),
    ("lamp", "l1", {"dim": "1"}),
    ("lamp", "l2", {}),
    ("lamp", "l3", {"dim": "1"}),
    ("display", "d1", {"digits": "3"}),
)


def luminance(permille: int) -> float:
    """Relative luminance of a lamp at this lightness, worked out by another library."""
    return luminance_of(permille / 10) / 100


def most_flashes(shown: list[tuple[int, float]], least: float = 0.1) -> int:
    """Most pairs of opposing changes of at least `least`, in any one second of what was shown (time, luminance)."""
    worst = 0
    for first in range(len(shown)):
        start = shown[first][0]
        level = shown[first - 1][1] if first else shown[0][1]
        changes, direction = 0, 0
        low = high = level
        for at_us, now in shown[first:]:
            if at_us - start > SECOND:
                break
            low, high = min(low, now), max(high, now)
            if direction <= 0 and now - low >= least:
                changes, direction, low, high = changes + 1, 1, now, now
            elif direction >= 0 and high - now >= least:
                changes, direction, low, high = changes + 1, -1, now, now
        worst = max(worst, changes // 2)
    return worst


def test_the_measure_itself() -> None:
    # Four flashes in a second are seen as four, three as three, and a slow change as none.
    flicker = [(n * 100_000, float(n % 2)) for n in range(9)]
    assert most_flashes(flicker) == 4
    assert most_flashes(flicker[:8]) == 3
    assert most_flashes([(n * 100_000, n / 10) for n in range(10)]) == 0


class Ahead(ABC):
    """Time for a test, in microseconds: what lies ahead is done when its time comes, and outputs are pumped then."""

    def __init__(self, *outputs: BoardOutputs) -> None:
        self.now_us = 0
        self._outputs = outputs
        self._ahead: list[tuple[int, int, Callable[[], object]]] = []
        self._order = itertools.count()

    @abstractmethod
    def pump(self) -> None:
        """Have the outputs send what is due."""

    def at(self, at_us: int, do: Callable[[], object]) -> None:
        self._ahead.append((at_us, next(self._order), do))

    def run(self, until_us: int) -> None:
        """Let time pass, doing what is due."""
        while True:
            times = [at_us for at_us, _, _ in self._ahead]
            times += [at for outputs in self._outputs if (at := outputs.deadline_us(self.now_us)) is not None]
            following = min(times, default=until_us + 1)
            if following > until_us:
                break
            self.now_us = max(self.now_us, following)
            ready = sorted(entry for entry in self._ahead if entry[0] <= self.now_us)
            self._ahead = [entry for entry in self._ahead if entry[0] > self.now_us]
            for _, _, do in ready:
                do()
            self.pump()
        self.now_us = until_us


class SlowBoard(Ahead):
    """Takes requests after any delay, repeats included, and shows what it was told: a model of the far side."""

    def __init__(self, outputs: BoardOutputs, chance: random.Random) -> None:
        super().__init__(outputs)
        self.outputs = outputs
        self.chance = chance
        self.levels: dict[str, int] = {}
        self.shown: dict[str, list[tuple[int, int]]] = {}
        self.most_ma = 0.0
        outputs.describe(DESCRIPTION, 0)

    def pump(self) -> None:
        for values in self.outputs.due(self.now_us):
            arrives = self.now_us + self.chance.choice(
                [1_000, 1_000, 1_000, 1_000, 1_000, 3_000, 3_000, 40_000, 250_000]
            )
            self.at(arrives, lambda values=values: self.take(values))  # type: ignore[misc]
            if self.chance.random() < 0.03:  # the answer was lost: asked again, done again
                arrives += 250_000
                self.at(arrives, lambda values=values: self.take(values))  # type: ignore[misc]
            arrives += self.chance.choice([500, 500, 500, 20_000])
            self.at(arrives, lambda values=values: self.answer(values))  # type: ignore[misc]

    def take(self, values: dict[str, int]) -> None:
        for channel, value in values.items():
            if self.levels.get(channel, 0) != value:
                self.shown.setdefault(channel, [(0, 0)]).append((self.now_us, value))
            self.levels[channel] = value
        allowance = self.outputs.allowance
        now_ma = sum(
            allowance.share_ma(channel, "display" if channel == "d1" else "lamp", value, channel != "l2")
            for channel, value in self.levels.items()
        )
        self.most_ma = max(self.most_ma, now_ma)

    def answer(self, values: dict[str, int]) -> None:
        self.outputs.answered(list(values), "ok", True, True, self.now_us)
        self.pump()


# Mostly quick, as from a held key or a bouncing rule, on few lamps: a test that seldom presses the limit shows nothing.
wishes = st.lists(
    st.tuples(
        st.sampled_from([1_000, 20_000, 30_000, 60_000, 60_000, 150_000, 400_000]),
        st.sampled_from(["l1", "l1", "l1", "l2", "l3"]),
        st.sampled_from([0, 0, 0, 0, 1, 20, 300, 500, 1000, 1000, 1000, 1000]),
    ),
    min_size=20,
    max_size=100,
)


@settings(max_examples=150, deadline=None)
@given(wishes, st.integers(0, 1000))
def test_no_lamp_flashes_more_than_three_times_in_any_second(asked: list[tuple[int, str, int]], seed: int) -> None:
    board = SlowBoard(BoardOutputs(), random.Random(seed))
    last: dict[str, int] = {}
    for wait_us, channel, value in asked:
        board.run(board.now_us + wait_us)
        board.outputs.want({channel: value}, None)
        last[channel] = value
        board.pump()
    board.run(board.now_us + 10 * SECOND)
    for channel, shown in board.shown.items():
        assert most_flashes([(at_us, luminance(value)) for at_us, value in shown]) <= 3
        # Off and lit, however faint, is a change as well.
        assert most_flashes([(at_us, float(value > 0)) for at_us, value in shown]) <= 3
        # What was held back is not lost: the last word counts.
        assert board.levels[channel] == last[channel]


@settings(max_examples=100, deadline=None)
@given(wishes, st.integers(0, 1000), st.sampled_from([5.0, 12.0, 25.0]))
def test_the_budget_holds_whatever_is_lost_and_repeated(
    asked: list[tuple[int, str, int]], seed: int, budget_ma: float
) -> None:
    outputs = BoardOutputs(Allowance(budget_ma, budget_ma, budget_ma))
    board = SlowBoard(outputs, random.Random(seed))
    for wait_us, channel, value in asked:
        board.run(board.now_us + wait_us)
        outputs.want({channel: value}, None)
        board.pump()
    board.run(board.now_us + 10 * SECOND)
    assert board.most_ma <= budget_ma + 1e-3
    # When everything else is off, each lamp that fits alone can be lit.
    for channel in ("l1", "l2", "l3"):
        outputs.want({channel: 0}, None)
    board.pump()
    board.run(board.now_us + 10 * SECOND)
    outputs.want({"l3": 600}, None)
    board.pump()
    board.run(board.now_us + 10 * SECOND)
    assert board.levels["l3"] == 600


def test_a_rise_in_several_steps_lasts_until_its_last_step() -> None:
    board = SlowBoard(BoardOutputs(), random.Random(1))
    board.chance.choice = lambda options: options[0]  # type: ignore[method-assign,assignment,misc]
    board.chance.random = lambda: 1.0  # type: ignore[method-assign]
    for value, wait_us in [(100, 5 * SECOND), *[(1000, 40_000), (0, 40_000)] * 10]:
        board.outputs.want({"l1": value}, None)
        board.pump()
        board.run(board.now_us + wait_us)
    assert most_flashes([(at_us, luminance(value)) for at_us, value in board.shown["l1"]]) <= 3


def test_a_swing_that_is_let_pass_is_under_ten_percent_of_luminance() -> None:
    worst = max(luminance(top) - luminance(top - limits.DIMMED_SWING) for top in range(limits.DIMMED_SWING + 1, 1001))
    assert worst < 0.10


def test_no_swing_of_saturated_red_that_counts_is_let_pass() -> None:
    # WCAG 2.x, definition of general flash and red flash thresholds: for a saturated red a change of more than 20 in
    # (R - G - B) x 320 counts, with R, G and B linear from 0 to 1. A pure red lamp has R alone.
    worst = max(luminance(top) - luminance(top - limits.DIMMED_SWING) for top in range(limits.DIMMED_SWING + 1, 1001))
    assert worst * 320 < 20


def test_turning_off_passes_at_once_and_turning_on_again_waits() -> None:
    board = SlowBoard(BoardOutputs(), random.Random(1))
    board.chance.choice = lambda options: options[0]  # type: ignore[method-assign,assignment,misc]
    board.chance.random = lambda: 1.0  # type: ignore[method-assign]
    for n in range(20):
        board.outputs.want({"l2": 1000 * ((n + 1) % 2)}, n)
        board.pump()
        board.run(board.now_us + 50_000)
    assert board.levels["l2"] == 0
    assert len(board.shown["l2"]) == 7  # dark at first, then three flashes
    board.outputs.want({"l2": 1000}, "last")
    board.pump()
    assert board.outputs.held_back["flash"] > 3
    board.run(3 * SECOND)
    assert board.levels["l2"] == 1000
    assert [done.token for done in board.outputs.take_done()][-1] == "last"
    told = board.outputs.take_held()
    assert all(held.channel == "l2" and held.why == "flash" for held in told)
    assert len(told) <= 4  # told, not poured out
    assert sum(held.times for held in told) == board.outputs.held_back["flash"]


# --- lamps that flash in turn ------------------------------------------------------------------------------------


AT_ONCE_US = 20_000
"""Lamps that come on within this are one flash to any eye; lines to several boards arrive so far apart in this test."""


def most_in_turn(shown: list[tuple[int, int]]) -> int:
    """How often, in any one second, something came on (+1) after something had gone off (-1)."""
    flashes: list[int] = []
    fallen = True
    for at_us, change in sorted(shown):
        if change > 0 and fallen and (not flashes or at_us - flashes[-1] > AT_ONCE_US):
            flashes.append(at_us)
        fallen = change < 0
    return max((sum(0 <= at_us - first < SECOND for at_us in flashes) for first in flashes), default=0)


class Bench(Ahead):
    """Three boards that answer within 20 ms and share what a bench shares; six lamps on each."""

    def __init__(self, chance: random.Random) -> None:
        self.together = limits.Together()
        self.boards = [BoardOutputs(together=self.together) for _ in range(3)]
        for board in self.boards:
            board.describe(items(*(("lamp", f"l{n}", {}) for n in range(6))), 0)
        super().__init__(*self.boards)
        self.chance = chance
        self.shown: list[tuple[int, int]] = []
        self.lit: dict[tuple[int, str], int] = {}

    def pump(self) -> None:
        for number, board in enumerate(self.boards):
            for values in board.due(self.now_us):
                arrives = self.now_us + self.chance.choice([1_000, 3_000, 8_000])
                self.at(arrives, lambda n=number, v=values: self.take(n, v))
                back = arrives + self.chance.choice([500, 10_000])
                answer = lambda b=board, v=values: b.answered(list(v), "ok", True, True, self.now_us)  # noqa: E731
                self.at(back, answer)

    def take(self, number: int, values: dict[str, int]) -> None:
        for channel, value in values.items():
            was = self.lit.get((number, channel), 0)
            if bool(was) != bool(value):
                self.shown.append((self.now_us, 1 if value else -1))
            self.lit[number, channel] = value

    def want(self, board: int, lamp: int, value: int) -> None:
        self.boards[board].want({f"l{lamp}": value}, None)
        self.pump()


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0, 5_000, 30_000, 30_000, 60_000, 150_000, 400_000]),
            st.integers(0, 2),
            st.integers(0, 5),
            st.sampled_from([0, 1000]),
        ),
        min_size=20,
        max_size=120,
    ),
    st.integers(0, 1000),
)
def test_all_lamps_of_a_bench_together_flash_no_more_than_three_times_in_any_second(
    asked: list[tuple[int, int, int, int]], seed: int
) -> None:
    bench = Bench(random.Random(seed))
    last: dict[tuple[int, str], int] = {}
    for wait_us, board, lamp, value in asked:
        bench.run(bench.now_us + wait_us)
        bench.want(board, lamp, value)
        last[board, f"l{lamp}"] = value
    bench.run(bench.now_us + 60 * SECOND)
    assert most_in_turn(bench.shown) <= 3
    assert {key: value for key, value in bench.lit.items() if value} == {k: v for k, v in last.items() if v}


def test_two_lamps_in_turn_are_three_flashes_a_second_and_not_six() -> None:
    bench = Bench(random.Random(1))
    for turn in range(60):  # each of them alone would be let pass three times a second
        bench.want(turn % 2, 0, 1000)
        bench.want(1 - turn % 2, 0, 0)
        bench.run(bench.now_us + SECOND // 6)
    assert most_in_turn(bench.shown) == 3


def test_ordinary_work_is_not_held_up() -> None:
    bench = Bench(random.Random(1))
    for board in range(3):  # every lamp on, one after the other, as fast as a finger goes; then off again
        for lamp in range(6):
            bench.want(board, lamp, 1000)
            bench.run(bench.now_us + 30_000)
    for board in range(3):
        for lamp in range(6):
            bench.want(board, lamp, 0)
            bench.run(bench.now_us + 30_000)
    for press in range(9):  # one lamp off and the next one on, three times a second
        bench.want(0, press % 3, 1000)
        bench.run(bench.now_us + 150_000)
        bench.want(0, press % 3, 0)
        bench.run(bench.now_us + 210_000)
    assert [board.held_back for board in bench.boards] == [{}, {}, {}]


def test_a_wink_takes_two_of_the_three_flashes_and_two_boards_wink_one_after_the_other() -> None:
    bench = Bench(random.Random(1))
    first, second, third = bench.boards
    first.want_wink("first")
    assert first.wink_due(2 * SECOND)
    first.winked("ok", True, 2 * SECOND)
    bench.now_us = 2 * SECOND
    second.want_wink("second")
    assert not second.wink_due(3 * SECOND)
    assert second.wink_due(2 * SECOND + limits.WINK_US + limits.WINDOW_US)
    for turn in range(12):
        third.want({"l0": 1000 * (turn % 2)}, None)
        bench.pump()
        bench.run(bench.now_us + 200_000)
    during = [each for each in bench.shown if each[0] < 2 * SECOND + limits.WINK_US]
    assert most_in_turn(during) == 1


def test_counting_on_a_display_is_not_flashing_but_blanking_is() -> None:
    from benchcon.panel.segments import encode

    board = SlowBoard(BoardOutputs(), random.Random(1))
    board.chance.choice = lambda options: options[0]  # type: ignore[method-assign,assignment,misc]
    board.chance.random = lambda: 1.0  # type: ignore[method-assign]
    for n in range(200):
        board.outputs.want({"d1": int.from_bytes(encode(f"{n:03}", 3), "big")}, None)
        board.pump()
        board.run(board.now_us + 50_000)
    assert board.outputs.held_back == {}
    for n in range(40):
        board.outputs.want({"d1": 0x7F7F7F * (n % 2)}, None)
        board.pump()
        board.run(board.now_us + 50_000)
    assert board.outputs.held_back["flash"] > 5
    assert most_flashes([(at_us, float(value > 0)) for at_us, value in board.shown["d1"]]) <= 3


def test_a_stalled_board_gets_no_flashes_to_make_up_for() -> None:
    outputs = BoardOutputs()
    outputs.describe(DESCRIPTION, 0)
    outputs.want({"l1": 1000}, "a")
    assert outputs.due(0) == [{"l1": 1000}]
    outputs.answered(["l1"], "no answer", False, False, SECOND)
    for n in range(100):
        outputs.want({"l1": 1000 * (n % 2)}, n)
        for values in outputs.due(2 * SECOND + n * SECOND):
            assert values == {"l1": 0}
            outputs.answered(["l1"], "no answer", False, False, 2 * SECOND + n * SECOND)
    assert outputs.held_back["no answer"] > 0
    outputs.heard()
    assert outputs.due(200 * SECOND) == [{"l1": 1000}]


def test_nobody_waits_longer_for_a_board_that_answers_nothing_than_for_one_request() -> None:
    """Its heartbeats went on, and whoever asked for light after two unanswered requests waited for ever."""
    outputs = BoardOutputs()
    outputs.describe(DESCRIPTION, 0)
    outputs.want({"l1": 1000}, "a")
    outputs.due(0)
    outputs.answered(["l1"], "no answer", False, False, SECOND)
    outputs.take_done()
    outputs.want({"l2": 1000}, "b")
    outputs.want({"l2": 500, "l3": 500}, "c")
    assert outputs.due(2 * SECOND) == []
    assert outputs.deadline_us(2 * SECOND) == 3 * SECOND
    outputs.want({"l2": 700}, "d")  # a stream of wishes puts nothing off
    assert outputs.due(3 * SECOND) == []
    told = [(done.token, done.outcome, done.held) for done in outputs.take_done()]
    assert sorted(told) == [(token, None, "no answer") for token in "bcd"]
    outputs.heard()
    assert outputs.due(4 * SECOND) == [{"l2": 700, "l3": 500}], "what waits is lit when the board answers"
    outputs.answered(["l2", "l3"], "done", True, True, 4 * SECOND)
    assert outputs.take_done() == []


def test_blinking_lamps_blink_in_step_once_a_second() -> None:
    board = SlowBoard(BoardOutputs(), random.Random(1))
    board.chance.choice = lambda options: options[0]  # type: ignore[method-assign,assignment,misc]
    board.chance.random = lambda: 1.0  # type: ignore[method-assign]
    board.outputs.blink("l1", True, 1000)
    board.run(300_000)
    board.outputs.blink("l2", True, 1000)
    board.pump()
    board.run(10_400_000)
    ones = [at_us for at_us, value in board.shown["l1"][1:] if value]
    twos = [at_us for at_us, value in board.shown["l2"][1:] if value]
    assert len(ones) == len(twos) == 11
    assert ones[1:] == twos[1:]
    assert {b - a for a, b in itertools.pairwise(ones[1:])} == {SECOND}
    board.outputs.blink("l1", False, 1000)
    board.outputs.want({"l2": 700}, None)
    board.pump()
    board.run(15 * SECOND)
    assert board.levels["l1"] == 0
    assert board.levels["l2"] == 700


def test_a_wink_and_a_lamp_together_do_not_flash_too_often() -> None:
    outputs = BoardOutputs()
    outputs.describe(DESCRIPTION, 0)
    outputs.want({"l1": 1000}, "lamp")
    assert outputs.due(0)
    outputs.answered(["l1"], "ok", True, True, 5_000)
    outputs.want_wink("wink")
    assert not outputs.wink_due(10_000)
    assert outputs.wink_due(2 * SECOND)
    outputs.winked("ok", True, 2 * SECOND + 5_000)
    outputs.want({"l2": 1000}, "during")
    assert outputs.due(3 * SECOND) == []
    assert outputs.due(2 * SECOND + 5_000 + limits.WINK_US + limits.WINDOW_US) == [{"l2": 1000}]


@pytest.mark.parametrize(("budget", "lamps"), [(100.0, 10), (55.0, 5)])
def test_what_is_over_the_budget_is_told_at_once_and_lit_when_there_is_room(budget: float, lamps: int) -> None:
    outputs = BoardOutputs(Allowance(lamps_ma=budget))
    outputs.describe(items(*(("lamp", f"l{n}", {}) for n in range(20))), 0)
    for n in range(20):
        outputs.want({f"l{n}": 1000}, n)
    went = [channel for values in outputs.due(0) for channel in values]
    assert len(went) == lamps
    assert outputs.held_back == {"current": 20 - lamps}
    assert {done.held for done in outputs.take_done()} == {"current"}
    outputs.answered(went, "ok", True, True, 1)
    outputs.want({went[0]: 0}, "off")
    assert outputs.due(2) == [{went[0]: 0}]
    outputs.answered([went[0]], "ok", True, True, 3)
    assert sum(len(values) for values in outputs.due(4)) == 1


def test_a_set_that_a_board_may_refuse_takes_no_other_with_it() -> None:
    outputs = BoardOutputs()
    outputs.describe(DESCRIPTION, 0)
    outputs.want({"l1": 1000, "l3": 5, "nope": 1, "l2": 4000}, None)
    assert sorted(map(sorted, outputs.due(0))) == [["l1", "l3"], ["l2"], ["nope"]]


def test_requests_fit_a_line() -> None:
    from benchcon.wire.codec import LINE_MOST, request

    described = items(*(("display", f"d{n}", {"digits": "8"}) for n in range(9)), ("lamp", "lampabcd", {}))
    outputs = BoardOutputs(Allowance(1e9, 1e9, 1e9))
    outputs.describe(described, 0)
    outputs.want({item.id: 0x3E8 for item in described}, None)
    requests = outputs.due(0)
    assert {channel for values in requests for channel in values} == {item.id for item in described}
    for values in requests:
        assert len(request(0xFF, outputs.words(values))) <= LINE_MOST


def test_the_current_of_a_board_is_summed_once_however_many_outputs_wait() -> None:
    def shares_asked(lamps: int) -> int:
        asked = 0

        def lamp_ma(channel: str) -> float:
            nonlocal asked
            asked += 1
            return 5.0

        outputs = BoardOutputs(Allowance(5.0 * (lamps // 2), 0.0, 5.0 * (lamps // 2), lamp_ma))
        outputs.describe(items(*(("lamp", f"l{n}", {}) for n in range(lamps))), 0)
        outputs.want({f"l{n}": 1000 for n in range(lamps)}, "all")
        going = [channel for request in outputs.due(0) for channel in request]
        assert len(going) == lamps // 2, "half of them have room"
        assert outputs.held_back["current"] == lamps - lamps // 2
        return asked

    few, many = shares_asked(32), shares_asked(128)
    assert many < 4 * few * 1.3, "four times the lamps, four times the work"


def test_what_the_other_lamps_take_is_not_worked_out_again_for_each_setting() -> None:
    asked: list[str] = []

    def lamp_ma(channel: str) -> float:
        asked.append(channel)
        return 5.0

    outputs = BoardOutputs(Allowance(1e3, 0.0, 1e3, lamp_ma))
    outputs.describe(items(*(("lamp", f"l{n}", {"dim": "1"}) for n in range(64))), 0)
    for now_us, level in enumerate(range(500, 600)):
        outputs.want({f"l{n}": level for n in range(64)} if level == 500 else {"l7": level}, "set")
        asked.clear()
        going = [channel for request in outputs.due(now_us) for channel in request]
        assert "l7" in going
        outputs.answered(going, "ok", True, True, now_us)
    assert set(asked) == {"l7"}
