"""The demo's evening on a live bench: things move, lamps answer, and what the user works is left to the user."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence

import pytest
from waiting import PATIENCE_S, until
from walk.desks import Scripted

from benchcon.demo import Demo, panel_path, start
from benchcon.demo.live import evening
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.panel.segments import decode, encode
from benchcon.rehearse.live import OWN_US
from benchcon.rehearse.users_hand import UsersHand
from benchcon.session import LiveSession
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.runner import Runner
from benchcon.wire.events import Event, Note


class Live:
    """Desks, bench, session and driver, as `benchcon demo` has them, without the console."""

    def __init__(self, demo: Demo) -> None:
        self.demo = demo
        panel = load(panel_path())
        self.bench = Bench([desk.port for desk in demo.boards], panel=panel, keep=False)
        self.session = LiveSession(self.bench, panel, demo.hands)
        # Without a hand: in these tests nobody but the test moves a control.
        self.driver = evening(self.session, {})
        self.bench.start()
        until(lambda: sorted(self.liveness().values()) == ["live"] * 3)
        self.driver.start()

    def liveness(self) -> dict[str, str]:
        with self.session.lock:
            boards = self.session.state.boards.values()
            return {board.ident: board.liveness(self.session.now_us()) for board in boards}

    def source(self, name: str) -> int:
        with self.session.lock:
            board = self.session.state.board_named(name)
            assert board is not None
            return board.source

    def close(self) -> None:
        self.driver.close()
        self.session.close()


@pytest.fixture(scope="module")
def live() -> Iterator[Live]:
    with start() as demo:
        live = Live(demo)
        yield live
        live.close()


def test_displays_show_the_weather_and_lamps_follow_their_switches(live: Live) -> None:
    lighting, met = live.demo.hands["lighting"], live.demo.hands["met"]
    until(lambda: decode(met.shown("d_spd")).isdecimal())
    until(lambda: decode(met.shown("d_qnh")).startswith("10"))
    lighting.put("approach", 1)
    until(lambda: lighting.lit()["l_app"] == 200)
    lighting.put("intensity", 4)
    until(lambda: lighting.lit()["l_app"] == 1000)
    lighting.put("approach", 0)
    until(lambda: lighting.lit()["l_app"] == 0)


def test_the_unit_button_turns_hectopascals_into_inches(live: Live) -> None:
    met = live.demo.hands["met"]
    until(lambda: decode(met.shown("d_qnh")).startswith("10")), "the rules are at work"
    met.press("pressure_unit")
    until(lambda: decode(met.shown("d_qnh")).strip().startswith("29."))
    met.release("pressure_unit")
    met.turn("pressure_set", 100)
    until(lambda: decode(met.shown("d_qnh")).strip().startswith("30."))


def test_a_board_that_was_reset_is_told_again(live: Live) -> None:
    lighting = live.demo.hands["lighting"]
    lighting.put("obstruction", 1)
    until(lambda: lighting.lit()["l_obs"] == 1000)
    _, before_us = lighting.time()
    lighting.reset()
    until(lambda: lighting.time()[1] < before_us)
    until(lambda: lighting.lit()["l_obs"] == 1000)


def test_what_the_user_works_is_left_to_the_user(live: Live) -> None:
    lighting, met = live.demo.hands["lighting"], live.demo.hands["met"]
    until(lambda: decode(met.shown("d_dir")).isdecimal())
    live.bench.set_display(live.source("met"), "d_dir", encode("HI", 3))
    until(lambda: ("met", "d_dir") in live.driver.given_up)
    # A level that comes on the heels of the rules' own is taken for a step of theirs: a hand is slower.
    sent = live.driver._sent[("lighting", "l_twy")]
    until(lambda: live.session.now_us() - max(sent.values()) > OWN_US)
    live.bench.set_lamp(live.source("lighting"), "l_twy", 700)
    until(lambda: ("lighting", "l_twy") in live.driver.given_up)
    # Another lamp and another display go on.
    lighting.put("stop_bar", 1)
    until(lambda: lighting.lit()["l_stop"] > 0)
    assert lighting.lit()["l_twy"] == 700
    assert decode(met.shown("d_dir")) == " HI"
    assert ("met", "d_spd") not in live.driver.given_up


@pytest.mark.slow
def test_the_scenario_s_hand_moves_things_until_the_user_does(live: Live) -> None:
    run = evening(live.session, live.demo.hands)
    met = live.demo.hands["met"]
    before = met.moved().moves
    run.start()
    until(lambda: met.moved().moves > before)
    users = UsersHand(live.demo.boards[0].control, run.hands_off)
    users.lit()
    assert not run.hands_are_off
    users.put("taxiway", 1)
    assert run.hands_are_off
    run.close()
    users.close()
    assert run.rehearsal.mistakes == {}


@pytest.mark.slow
def test_nothing_is_told_as_broken_while_desks_come_up_or_are_dark() -> None:
    """The first thing that the demo said was an expectation of a lamp whose desk had not answered yet."""
    with start() as demo:
        panel = load(panel_path())
        bench = Bench([desk.port for desk in demo.boards], panel=panel, keep=False)
        session = LiveSession(bench, panel, demo.hands)
        run = evening(session, {})
        told: list[str] = []

        def heard(events: Sequence[Event]) -> None:
            told.extend(event.text for event in events if isinstance(event, Note) and event.kind == "expectation")

        session.subscribe(heard)
        judge = run.rehearsal.judge
        crosswind, mains = (
            next(each for each in judge.due if each.name.startswith(name))
            for name in ("crosswind off", "mains_fail off")
        )
        try:
            run.start()
            until(lambda: run.rehearsal.began_us is not None)
            bench.start()
            until(lambda: judge.due[crosswind] == judge.due[mains] == 1)
            bench.dark()
            until(lambda: mains in judge.held)
            bench.light()
            until(lambda: judge.due[mains] == 2)
            # With the scenario's own rules nothing is wrong; an expectation that is gives the panel's labels.
            assert told == []
        finally:
            run.close()
            session.close()


def test_no_lamp_ever_flashed_more_than_three_times_a_second(live: Live) -> None:
    # Source: WCAG 2, success criterion 2.3.1, on what the boards really showed.
    for hand in live.demo.hands.values():
        assert max(hand.flashes().values()) <= 3


def test_a_walk_that_is_left_as_it_lights_something_leaves_that_to_the_rules_again(live: Live) -> None:
    """What the walk itself switches off at its end is nothing that the user sets by hand."""

    def leave(scene: Scene) -> FaceAnswer | None:
        if scene.step is not None and scene.step.parts:
            return FaceAnswer("leave")
        return FaceAnswer("same", scene.number) if scene.state == "look" else None

    met, before = live.source("met"), set(live.driver.given_up)
    for _ in range(8):  # the board has to be just answering that it is lit
        until(lambda: live.driver._sent.get(("met", "d_spd")))
        assert not Runner(live.session, Walk(live.session.panel, ("wind_speed",)), Scripted(leave), blink_s=0.0).run()
        for _ in range(2):
            live.bench.ask(met, ("hello",)).result(PATIENCE_S)
        heard = threading.Event()
        live.driver._queue.put(heard.set)
        assert heard.wait(PATIENCE_S)
        assert live.driver.given_up == before
