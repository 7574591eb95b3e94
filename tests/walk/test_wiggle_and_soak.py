"""Wiggle test and soak: what drops out is counted and timed, and nothing is lit beyond the budget."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from walk.desks import Desks
from walk.small import small

from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.panel.electrics import current_ma
from benchcon.panel.model import Board, Channel, Display, Lamp, Panel
from benchcon.walk.soak import BoardHealth, closing, figures, load_steps
from benchcon.walk.watching import soak, wiggle
from benchcon.walk.wiggle import Wiggle


def test_drop_outs_are_counted_and_timed_on_the_boards_clock() -> None:
    watch = Wiggle(PanelIndex.of(small()), {"a.b1": 1, "a.b2": 0, "a.vol": 500})
    heard = [
        watch.heard(Change(at, channel, value, at + 7))
        for at, channel, value in (
            (1000, "a.b1", 0),
            (3500, "a.b1", 1),
            (9000, "a.b1", 0),
            (9900, "a.b1", 1),
            (9950, "a.vol", 505),
            (9960, "a.b2", 1),
        )
    ]
    assert heard == [True, False, True, False, False, True]
    assert watch.lines() == [
        "a.b1: “B1” dropped out 2 times, shortest 0.9 ms, longest 2.5 ms",
        "a.b2: “B2” dropped out once, and is still away",
    ]


def test_raw_edges_count_where_they_are_heard_and_settled_changes_not_twice() -> None:
    watch = Wiggle(PanelIndex.of(small()), {"a.b1": 1}, ["b1"])
    assert watch.heard(Change(0, "a.b1", 1, 100), "edge")
    assert not watch.heard(Change(0, "a.b1", 0, 150), "edge")
    assert not watch.heard(Change(0, "a.b1", 0, 200), "is")
    assert watch.as_json()["drop_outs"] == [
        {"channel": "a.b1", "count": 1, "shortest_us": 50, "longest_us": 50, "away": False}
    ]


@settings(deadline=None, max_examples=40)
@given(st.floats(5, 400), st.integers(1, 12), st.floats(1, 60), st.integers(0, 3), st.floats(0.5, 8))
def test_a_load_step_never_takes_more_than_the_budget_and_all_have_their_turn(
    budget: float, count: int, lamp: float, displays: int, segment: float
) -> None:
    panel = Panel(
        boards=(Board("a", budget_ma=budget),),
        lamps=tuple(Lamp(f"l{n}", "", Channel("a", f"l{n}"), current_ma=lamp) for n in range(count)),
        displays=tuple(Display(f"d{n}", "", Channel("a", f"d{n}"), 3, segment_ma=segment) for n in range(displays)),
    )
    steps = load_steps(panel)
    lit: set[str] = set()
    for wants in steps:
        levels: dict[str, int | bytes] = {**wants.lamps, **wants.displays}  # channels have the names of their parts
        assert current_ma(panel, "a", levels) <= panel.boards[0].budget_ma + 1e-6
        lit |= {*wants.lamps, *wants.displays}
    fitting = {f"l{n}" for n in range(count) if lamp <= budget}
    fitting |= {f"d{n}" for n in range(displays) if 24 * segment <= budget}
    assert lit == fitting


def test_what_a_board_has_borne() -> None:
    board = BoardHealth("a")
    board.alive(5010, 65535, 300, dark=True)
    board.alive(4600, 1, 900, dark=False)
    assert (board.sag_mv, board.bad_there, board.worst_loop_us) == (410, 2, 900)
    board.booted("brownout")
    assert list(board.complaints().values()) == [
        "a: reset once under load (brownout)",
        "a: the supply sags by 410 mV, from 5010 to 4600 mV",
        "a: 2 bad lines reached it",
    ]
    assert figures([board], 3600, 1200)["boards"][0]["least_mv"] == 4600


def test_a_loose_wire_is_heard_while_a_switch_stands(desks: Desks) -> None:
    hand = desks.hands["lighting"]
    hand.put("approach", 1)
    desks.wait(lambda: desks.session.state.board_named("lighting").channels["sw_app"].value == 1)
    hand.fault("loose", "sw_app", every="200 ms", gap="5 ms")
    said: list[str] = []
    enough = threading.Event()

    def sound(line: str) -> None:
        said.append(line)
        if len(said) >= 3:
            enough.set()

    watch = wiggle(desks.session, ["approach"], enough.is_set, sound)
    hand.clear()
    (found,) = watch.as_json()["drop_outs"]
    assert (found["channel"], found["count"] >= 3) == ("lighting.sw_app", True)
    assert 3_000 <= found["shortest_us"] <= 12_000  # 5 ms, too short to get past debouncing: raw edges tell
    assert said[0] == "lighting.sw_app: “Approach” drop-out 1"


@pytest.mark.slow
def test_a_supply_that_gives_way_is_told_under_load(desks: Desks) -> None:
    """Every output has its turn, none flashes more than three times a second, and a sagging supply resets the board."""
    hand = desks.hands["power"]
    hand.fault("weak_supply", resistance="60 ohm", limit="3.5 V")
    told: list[str] = []
    sagged = threading.Event()

    def tell(line: str) -> None:
        told.append(line)
        if line.startswith("power: ") and ("sags" in line or "reset" in line):
            sagged.set()

    boards, seconds, count = soak(desks.session, sagged.is_set, tell, step_s=1.2)
    hand.clear()
    assert count >= 2
    assert seconds > 0
    assert any(line.startswith("power: ") for line in told)
    assert all(n <= 3 for each in desks.hands.values() for n in each.flashes().values())
    assert [each.name for each in boards if each.complaints()] == ["power"]


def test_every_count_of_an_encoder_is_one_drop_out_and_a_board_that_is_reset_is_told() -> None:
    watch = Wiggle(PanelIndex.of(small()), {"a.enc": 100, "a.b1": 1})
    assert [watch.heard(Change(at, "a.enc", value)) for at, value in ((1, 101), (2, 100), (3, 100))] == [
        True,
        True,
        False,
    ]
    # It rests wherever it stands.
    assert watch.heard(Change(10, "a.b1", 0))
    watch.upset("a")
    watch.rest_again("a", {"a.b1": 0})
    assert not watch.heard(Change(20, "a.b1", 0))
    assert watch.heard(Change(30, "a.b1", 1))
    assert watch.lines() == [
        "a.b1: “B1” dropped out 2 times, and is still away",
        "a.enc: “Enc” dropped out 2 times",
        "a: the board was reset or gone once",
    ]
    with pytest.raises(Trouble, match="nothing to watch: l1"):
        Wiggle(PanelIndex.of(small()), {}, ["l1"])


def test_a_soak_without_supply_proves_nothing_and_says_so() -> None:
    """What the board's own heartbeat tells: 1 mV, as the simulated boards say when they have no supply."""
    boards = [BoardHealth("a"), BoardHealth("b")]
    for supply_mv in (5000, 1, 1):
        boards[0].alive(supply_mv, 0, 300, dark=False)
        boards[1].alive(1, 0, 300, dark=True)
    assert (
        boards[0].complaints()["no_supply"].startswith("a: no supply for 2 of 3 heartbeats, so nothing on it was lit")
    )
    assert boards[1].complaints()["no_supply"].startswith("b: no supply all the time")
    assert "supply" not in boards[0].complaints()  # no sagging: there was none
    assert closing(boards, 7300, 2400) == (
        "soaked for 2 h 1 min, 2400 steps: 2 complaints; a never below 5.00 V, b without supply"
    )


def test_a_good_soak_and_a_quiet_watch_end_with_what_was_seen() -> None:
    board = BoardHealth("a")
    board.alive(5010, 0, 300, dark=True)
    board.alive(4990, 0, 300, dark=False)
    assert closing([board], 61, 20) == (
        "soaked for 1 min 1 s, 20 steps: no reset, no bad line, and the supply held; "
        "a never below 4.99 V (5.01 V with all dark)"
    )
    watch = Wiggle(PanelIndex.of(small()), {"a.b1": 1, "a.b2": 0}, ["B1", "b2"])
    assert watch.closing(3) == "watched 2 inputs for 3 s: no drop-out"
    watch.heard(Change(0, "a.b1", 0))
    assert watch.closing(3) == "watched 2 inputs for 3 s: 1 drop-out of 1 input"


def test_lines_damaged_before_a_reset_still_count_and_what_a_pulled_plug_cut_off_does_not() -> None:
    """A board counts bad lines from zero after a reset, and goes on where it was after its plug was pulled."""
    board = BoardHealth("a")
    for bad_lines in (7, 9):
        board.alive(5000, bad_lines, 300, dark=True)
    board.booted("power")
    for bad_lines in (0, 1):
        board.alive(5000, bad_lines, 300, dark=True)
    board.cut_off()
    for bad_lines in (2, 2):
        board.alive(5000, bad_lines, 300, dark=True)
    assert board.bad_there == 3


def test_a_hand_that_is_still_on_its_way_when_the_watch_begins_is_no_fault() -> None:
    """What stands still for half a second is the rest; one that never does rests where it stood the longest."""
    values = {"a.b1": 0, "a.enc": 100, "a.vol": 10, "a.b2": 1}
    watch = Wiggle(PanelIndex.of(small()), values, now_us=0)
    assert not watch.heard(Change(200_000, "a.b1", 1))  # the finger comes down
    assert not watch.heard(Change(200_000, "a.b1", 1), "edge")
    assert not watch.heard(Change(300_000, "a.enc", 104))
    assert not watch.heard(Change(300_000, "a.vol", 600))
    for n in range(40):  # a loose wire: open for 20 ms each tenth of a second
        assert not watch.heard(Change(100_000 * n + 20_000, "a.b2", 0)) or n > 29
        assert not watch.heard(Change(100_000 * n + 40_000, "a.b2", 1))
    watch.tick(4_000_000)
    assert watch.settled
    assert watch.watched["a.b2"].count == 10
    assert {key: each.rest for key, each in watch.watched.items()} == {"a.b1": 1, "a.enc": 104, "a.vol": 600, "a.b2": 1}
    assert [watch.rest_text(key) for key in ("a.b1", "a.enc", "a.vol")] == ["made", "104", "600"]
    assert "made: “B1” (a.b1), “B2” (a.b2); 2 other inputs" in watch.at_rest()
    assert watch.heard(Change(5_000_000, "a.b1", 0))  # and now it counts
    assert [each["channel"] for each in watch.as_json()["drop_outs"]] == ["a.b1", "a.b2"]


def test_a_button_pressed_as_the_watch_begins_is_held_for_pressed_on_a_real_bench(desks: Desks) -> None:
    hand = desks.hands["met"]
    began: list[int] = []
    rested = threading.Event()

    def look(watch: Wiggle, now_us: int) -> None:
        if not began:
            began.append(now_us)
            hand.press("unit")
        if watch.settled:
            rested.set()

    watch = wiggle(desks.session, ["pressure_unit"], rested.is_set, lambda line: None, look)
    hand.release("unit")
    assert (watch.count, watch.rest_text("met.unit")) == (0, "made")
