"""Hands, parts, faults and the board's input side together, in virtual time: what a board would tell."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rig.panels import MATRIX, desk

from benchcon.panel.file import loads
from benchcon.rig.faults import fault_of_words
from benchcon.rig.physics import Physics
from benchcon.rig.scan import Scan
from benchcon.rig.timeline import Timeline
from benchcon.rig.wiring import Wiring, wiring


class Notification:
    """A board's input side, keeping what it tells: (moment, word, what)."""

    def __init__(self, *texts: str, plan: Wiring | None = None, seed: int = 1) -> None:
        self.timeline = Timeline()
        self.notifications: list[tuple[int, str, object]] = []
        plan = plan or desk()
        faults = [fault_of_words(text.split()) for text in texts]
        self.physics = Physics(plan, self.timeline, self, random.Random(seed))
        self.physics.faults = faults
        self.physics.look(0)
        self.scan = Scan(plan, self.timeline, self.physics, self, faults)
        self.run(100)
        self.notifications.clear()

    def run(self, ms: float) -> None:
        self.timeline.run(self.timeline.now_us + int(ms * 1000))

    def values(self, id_: str) -> list[tuple[int, int]]:
        """Moments and values told of one input."""
        return [
            (at, what[id_])
            for at, word, what in self.notifications
            if word == "is" and isinstance(what, dict) and id_ in what
        ]

    def edges(self) -> list[tuple[int, object]]:
        return [(at, what) for at, word, what in self.notifications if word == "edge"]

    # What physics finds at the pins goes to the scan.
    def contact(self, at_us: int, id_: str, made: bool) -> None:
        if hasattr(self, "scan"):
            self.scan.contact(at_us, id_, made)

    def levels(self, at_us: int, id_: str, levels: int) -> None:
        if hasattr(self, "scan"):
            self.scan.levels(at_us, id_, levels)

    def position(self, at_us: int, id_: str, position: int) -> None:
        if hasattr(self, "scan"):
            self.scan.position(at_us, id_, position)

    def wiper(self, at_us: int, id_: str) -> None:
        if hasattr(self, "scan"):
            self.scan.wiper(at_us, id_)

    # What the scan tells.
    def changed(self, at_us: int, values: dict[str, int]) -> None:
        self.notifications.append((at_us, "is", dict(values)))

    def edge(self, at_us: int, id_: str, level: int) -> None:
        self.notifications.append((at_us, "edge", (id_, level)))

    def reading(self, at_us: int, id_: str, counts: int) -> None:
        self.notifications.append((at_us, "raw", (id_, counts)))

    def skipped(self, at_us: int, id_: str, count: int) -> None:
        self.notifications.append((at_us, "skip", (id_, count)))

    def ghost(self, at_us: int, ids: list[str]) -> None:
        self.notifications.append((at_us, "ghost", tuple(ids)))

    @property
    def now_us(self) -> int:
        return self.timeline.now_us


def test_a_press_is_told_once_after_ten_milliseconds() -> None:
    told = Notification()
    told.physics.hold("key", True, told.now_us)
    told.run(100)
    told.physics.hold("key", False, told.now_us)
    told.run(100)
    assert told.values("key") == [(110_000, 1), (210_000, 0)]


def test_a_short_bounce_shows_in_raw_edges_only() -> None:
    told = Notification("chattering key edges=300us,1.2ms,200us,100us")
    told.scan.raw_on("key", True)
    told.physics.hold("key", True, told.now_us)
    told.run(100)
    # Made is the low level: the contact pulls its pin down.
    levels = [("key", 0), ("key", 1), ("key", 0), ("key", 1), ("key", 0)]
    assert told.edges() == list(zip([100_000, 100_300, 101_500, 101_700, 101_800], levels, strict=True))
    # Still for ten milliseconds, and seen by the next scan.
    assert told.values("key") == [(112_000, 1)]


def test_a_bounce_longer_than_the_debounce_is_told_as_chatter() -> None:
    told = Notification("chattering key edges=15ms,15ms on=make")
    told.physics.hold("key", True, told.now_us)
    told.run(100)
    assert [value for _, value in told.values("key")] == [1, 0, 1]


def test_ordinary_bounces_are_as_long_as_published() -> None:
    """J. Ganssle, A Guide to Debouncing (values from memory): mean 1.6 ms, nearly all under 6.2 ms."""
    told, lengths = Notification("chattering key"), []
    told.scan.raw_on("key", True)
    for press in range(400):
        told.notifications.clear()
        told.physics.hold("key", press % 2 == 0, told.now_us)
        told.run(100)
        edges = told.edges()
        lengths.append(edges[-1][0] - edges[0][0])
        assert len(told.values("key")) == 1
    assert 1_000 < sum(lengths) / len(lengths) < 2_200
    assert max(lengths) <= 6_300


def test_a_switch_of_several_contacts_passes_its_positions_and_breaks_before_it_makes() -> None:
    told = Notification()
    rest_us = told.physics.put("rotary", 2, told.now_us)
    told.run(200)
    assert told.values("r1") == [(110_000, 0)]
    assert [value for _, value in told.values("r2")] == [1, 0]
    assert told.values("r3") == [(148_000, 1)]
    assert rest_us == 138_000
    gaps = [(at, what) for at, word, what in told.notifications if word == "is"]
    assert all(sum(now.values()) <= 1 for _, now in gaps if isinstance(now, dict))


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 120)), min_size=1, max_size=12))
def test_wherever_a_hand_hurries_the_switch_ends_where_it_was_put(moves: list[tuple[int, int]]) -> None:
    told = Notification()
    for position, pause_ms in moves:
        told.physics.put("rotary", position, told.now_us)
        told.run(pause_ms)
    told.run(300)
    assert [told.scan.values[id_] for id_ in ("r1", "r2", "r3", "r4")] == [
        int(place == moves[-1][0]) for place in range(4)
    ]


@given(st.lists(st.integers(-12, 12), max_size=8))
def test_an_encoder_counts_every_detent_of_a_healthy_board(turns: list[int]) -> None:
    told = Notification()
    for detents in turns:
        told.physics.turn("knob", detents, told.now_us)
    told.run(2000)
    assert told.scan.values["knob"] == 4 * sum(turns) & 0xFFFF
    assert told.scan.invalid["knob"] == 0
    assert told.physics.where()["knob"] == sum(turns)


def test_an_encoder_that_is_reversed_skips_or_has_other_counts() -> None:
    for text, counts, invalid in (
        ("reversed knob", -40, 0),
        ("other_counts knob detent=2", 20, 0),
        ("skipping knob every=5", 36, 2),
        ("stuck knob", 0, 0),
    ):
        told = Notification(text)
        told.physics.turn("knob", 10, told.now_us)
        told.run(1000)
        assert (told.scan.values["knob"], told.scan.invalid["knob"]) == (
            counts & 0xFFFF,
            invalid,
        ), text


def test_raw_encoder_edges_are_a_gray_code() -> None:
    # Source: any encoder's data sheet: one contact at a time.
    told = Notification()
    told.scan.raw_on("knob", True)
    told.physics.turn("knob", 3, told.now_us)
    told.run(200)
    levels = [3, *(what[1] for _, what in told.edges() if isinstance(what, tuple))]
    assert len(levels) == 13
    assert all(bin(one ^ other).count("1") == 1 for one, other in pairwise(levels))


@pytest.mark.parametrize("counts", [0, 1, 2, 511, 1020, 1022, 1023])
def test_a_potentiometer_comes_to_rest_where_it_was_put_and_then_is_still(counts: int) -> None:
    told = Notification()
    told.physics.put("dial", counts, told.now_us)
    told.run(1000)
    assert told.scan.values["dial"] == counts
    told.notifications.clear()
    told.run(10_000)
    assert told.notifications == []
    assert told.timeline.next_us() is None


def test_a_sweep_is_told_at_most_fifty_times_a_second() -> None:
    told = Notification()
    told.physics.put("dial", 1023, told.now_us)
    told.run(1000)
    times = [at for at, _ in told.values("dial")]
    assert 3 <= len(times) <= 12
    assert all(later - earlier >= 15_000 for earlier, later in pairwise(times[:-1]))


def test_a_noisy_potentiometer_is_never_still_and_an_open_one_wanders() -> None:
    noisy = Notification("noisy dial by=40")
    noisy.physics.put("dial", 500, noisy.now_us)
    noisy.run(3000)
    late = [value for at, value in noisy.values("dial") if at > 1_000_000]
    assert len(late) > 20
    assert all(440 < value < 560 for value in late)
    floating = Notification("open dial")
    floating.physics.put("dial", 900, floating.now_us)
    floating.run(3000)
    assert all(value < 700 for _, value in floating.values("dial"))


def test_raw_readings_come_twenty_times_a_second() -> None:
    told = Notification()
    told.scan.raw_on("dial", True)
    told.run(1000)
    assert len([1 for _, word, _ in told.notifications if word == "raw"]) == 20
    told.scan.raw_on("dial", False)
    told.notifications.clear()
    told.run(1000)
    assert told.notifications == []


@pytest.mark.parametrize(
    ("fault", "panel"),
    [
        ("", MATRIX.replace("[matrices.keys]", "[matrices.keys]\ndiodes = false")),
        ("ghost k00 reported_as=ghost", MATRIX),
    ],
)
def test_a_matrix_without_diodes_tells_ghosts_if_the_board_knows(fault: str, panel: str) -> None:
    told = Notification(*filter(None, [fault]), plan=wiring(loads(panel, "m.toml"), "desk"))
    for id_ in ("k00", "k01", "k10"):
        told.physics.hold(id_, True, told.now_us)
        told.run(50)
    ghosts = {
        id_ for _, word, what in told.notifications if word == "ghost" and isinstance(what, tuple) for id_ in what
    }
    assert ghosts == {"k10", "k11"}
    assert told.scan.values["k11"] == 0
    told.physics.hold("k01", False, told.now_us)
    told.run(100)
    assert {id_: value for id_, value in told.scan.values.items() if value} == {"k00": 1, "k10": 1}


def test_a_matrix_whose_diodes_are_missing_tells_the_ghost_as_made() -> None:
    told = Notification("ghost k00", plan=wiring(loads(MATRIX, "m.toml"), "desk"))
    for id_ in ("k00", "k01", "k10"):
        told.physics.hold(id_, True, told.now_us)
    told.run(50)
    assert {id_ for id_, value in told.scan.values.items() if value} == {"k00", "k01", "k10", "k11"}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("put", "rotary", 4), "rotary has positions 0 to 3, not 4"),
        (("put", "knob", 1), "knob is an encoder: turn it"),
        (("put", "dial", 2000), "dial reads from 0 to 1023, not 2000"),
        (("put", "l1", 1), "l1 is a lamp: no hand moves it"),
        (("put", "nothing", 1), "there is no part 'nothing' on this board"),
        (("turn", "key", 1), "key is not an encoder"),
        (("turn", "knob", 5000), "at most 1000 detents"),
        (("hold", "rotary", True), "rotary has 4 positions; say which: put rotary POSITION"),
        (("hold", "dial", True), "dial is neither a button nor a switch"),
    ],
)
def test_what_a_hand_cannot_do_is_said(words: tuple[str, str, int], says: str) -> None:
    told = Notification()
    name, part, much = words
    with pytest.raises(ValueError, match=says):
        getattr(told.physics, name)(part, much, told.now_us)
