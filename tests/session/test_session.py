"""A session, live and replayed: what the console showed is worked out again from the capture, field by field."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from benchcon import demo
from benchcon.demo.desks import Demo, panel_path
from benchcon.errors import Trouble
from benchcon.link import Bench
from benchcon.panel.file import load, loads
from benchcon.session import LiveSession, ReplaySession
from benchcon.wire import events as ev

LONG_S = 30.0


@pytest.fixture(scope="module")
def desks() -> Iterator[Demo]:
    with demo.start() as started:
        yield started


class Watched:
    """A live session on the demo's desks, and a way to wait for what it hears."""

    def __init__(self, desks: Demo, tmp_path: Path) -> None:
        panel = load(panel_path())
        self.bench = Bench([desk.port for desk in desks.boards], panel=panel)
        self.session = LiveSession(self.bench, panel, kept=tmp_path / "kept.capture")
        self.changed = threading.Condition()
        self.events: list[ev.Event] = []
        self.session.subscribe(self._heard)
        self.bench.start()
        self.until(lambda: len(self.live()) == 3)

    def _heard(self, events: list[ev.Event]) -> None:
        with self.changed:
            self.events += events
            self.changed.notify_all()

    def live(self) -> list[Any]:
        with self.session.lock:
            now_us = self.session.now_us()
            boards = self.session.state.boards.values()
            return [board for board in boards if board.liveness(now_us) == "live" and board.known]

    def until(self, test: Callable[[], Any]) -> Any:
        end = time.monotonic() + LONG_S
        with self.changed:
            while not (found := test()):
                assert self.changed.wait(max(0.0, end - time.monotonic())) or test(), self.bench.ports()
            return found

    def board(self, name: str) -> Any:
        return self.session.state.board_named(name)

    def value(self, board: str, channel: str) -> int | None:
        with self.session.lock:
            value: int | None = self.board(board).channels[channel].value
            return value


@pytest.fixture
def watched(desks: Demo, tmp_path: Path) -> Iterator[Watched]:
    watched = Watched(desks, tmp_path)
    yield watched
    watched.session.close()


def _work(watched: Watched, desks: Demo) -> None:
    lighting, met = watched.board("lighting").source, watched.board("met").source
    with watched.session.lock:
        before = watched.board("lighting").channels["sw_app"].value
    hand = desks.hands["lighting"]
    (hand.release if before else hand.press)("sw_app")
    watched.until(lambda: watched.value("lighting", "sw_app") == 1 - (before or 0))
    watched.bench.set_lamp(lighting, "l_app", 600).result(LONG_S)
    watched.bench.set_display(met, "d_spd", b"\x30\x6d").result(LONG_S)
    desks.hands["met"].turn("enc_qnh", 2)
    watched.until(lambda: watched.value("met", "enc_qnh"))
    watched.session.mark("half way")
    watched.until(lambda: any(isinstance(event, ev.Note) for event in watched.events))
    watched.bench.raw(lighting, "sw_app", True).result(LONG_S)


def test_the_capture_gives_the_live_state_field_by_field(watched: Watched, desks: Demo, tmp_path: Path) -> None:
    path = tmp_path / "session.capture"
    watched.session.start_recording(path)
    _work(watched, desks)
    with watched.session.lock:
        # Under the lock nothing comes in between: this is where the capture ends too.
        live = watched.session.state.as_json(watched.session.state.at_us)
        watched.session.stop_recording()
    replay = ReplaySession(path)
    replay.jump(replay.last_us)
    assert replay.state.as_json(replay.state.at_us) == live
    replay.jump(replay.first_us)
    while replay.step():
        pass
    assert replay.state.as_json(replay.state.at_us) == live
    replay.close()
    done = subprocess.run(
        [sys.executable, "-m", "benchcon", "replay", str(path), "--headless", "--json"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)


def test_a_panel_changed_meanwhile_reaches_budgets_triggers_and_keyframes_at_once(
    watched: Watched, desks: Demo, tmp_path: Path
) -> None:
    session, lighting = watched.session, watched.board("lighting").source
    watched.bench.dark().result(LONG_S)
    watched.bench.light().result(LONG_S)
    tight = session.panel.text.replace('budget = "150 mA"', 'budget = "7 mA"')
    trigger = '\n[[triggers]]\nkind = "range"\nname = "made"\nchannel = "lighting.sw_app"\nfrom = 1\nto = 1\n'
    session.take_panel(loads(tight + trigger, str(tmp_path / "tight.toml")))
    assert watched.bench.set_lamp(lighting, "l_app", 1000).result(LONG_S).done
    assert watched.bench.set_lamp(lighting, "l_rwy", 1000).result(LONG_S).answer == ("held", "current")
    hand = desks.hands["lighting"]
    hand.release("sw_app")
    watched.until(lambda: watched.value("lighting", "sw_app") == 0)
    hand.press("sw_app")
    watched.until(lambda: any(isinstance(each, ev.Note) and each.text.startswith("made ") for each in watched.events))
    with session.lock:
        assert json.loads(session.state.keyframe())["panel"]["text"] == tight + trigger
    with pytest.raises(Trouble, match="triggers"):
        session.take_panel(loads(tight + '\n[[triggers]]\nkind = "nonsense"\n'))
    assert session.panel.text == tight + trigger, "what is wrong changes nothing"
    hand.release("sw_app")
    watched.bench.dark().result(LONG_S)
    watched.bench.light().result(LONG_S)


def test_a_replay_plays_pauses_steps_and_jumps_to_a_mark(watched: Watched, desks: Demo, tmp_path: Path) -> None:
    path = tmp_path / "session.capture"
    watched.session.start_recording(path)
    _work(watched, desks)
    watched.session.stop_recording()
    replay = ReplaySession(path)
    heard: list[ev.Event] = []
    replay.subscribe(heard.extend)
    assert replay.panel.title == "Ostrey tower trainer"
    assert replay.bench is None
    (mark,) = replay.notes()
    replay.jump(mark.at_us)
    assert replay.state.notes == 1
    assert heard == []
    replay.jump(replay.first_us)
    assert replay.state.notes == 0
    replay.advance(1e9)
    assert replay.now_us() == replay.first_us  # paused
    replay.playing, replay.speed = True, 2.0
    replay.advance(1000.0)
    assert replay.now_us() == replay.first_us + 2000
    replay.advance(1e12)
    assert (replay.now_us(), replay.playing) == (replay.last_us, False)
    assert any(isinstance(event, ev.Moved) for event in heard)
    replay.close()


def test_the_last_minutes_are_written_out_with_what_follows(watched: Watched, desks: Demo, tmp_path: Path) -> None:
    _work(watched, desks)
    assert watched.session.ring_reach_us > 0
    path = watched.session.keep_last()
    watched.session.mark("after it")
    watched.until(lambda: any(isinstance(event, ev.Note) and event.text == "after it" for event in watched.events))
    watched.session.close()
    replay = ReplaySession(path)
    replay.jump(replay.last_us)
    assert replay.notes()[-1].body == b"mark after it"
    board = replay.state.board_named("met")
    assert board is not None
    assert board.channels["d_spd"].value == 0x306D or board.dark
    replay.close()


def test_a_second_recording_and_an_existing_file_are_refused_in_words(
    watched: Watched, desks: Demo, tmp_path: Path
) -> None:
    path = tmp_path / "session.capture"
    watched.session.start_recording(path)
    with pytest.raises(Trouble, match="already recording"):
        watched.session.start_recording(tmp_path / "other.capture")
    watched.session.stop_recording()
    with pytest.raises(Trouble, match=r"session\.capture"):
        watched.session.start_recording(path)
    assert watched.session.recording is None
