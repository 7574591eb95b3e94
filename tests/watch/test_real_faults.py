"""Every kind of trigger on simulated desks with the fault it is meant for: it fires, is told, and is in the capture.

The session is the one the console runs on; each fault is put in through the hand, as somebody would break the desk.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchcon.demo.desks import Demo, panel_path, start
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.rig.hand import Hand
from benchcon.session import LiveSession
from benchcon.state_reader import StateReader
from benchcon.watch.triggers import KINDS
from benchcon.wire.events import Event, Note

PATIENCE_S = 60
TRIGGERS = """
[[triggers]]
kind = "chatter"
part = "mains"
save = false
[[triggers]]
kind = "short_press"
part = "pressure_unit"
save = false
[[triggers]]
kind = "gap"
board = "met"
save = false
[[triggers]]
kind = "bad_checks"
board = "met"
more_than = 2
within = "10 s"
save = false
[[triggers]]
kind = "reset"
board = "met"
save = false
[[triggers]]
kind = "silence"
board = "met"
after = "1200 ms"
save = false
[[triggers]]
kind = "invalid_transition"
save = false
[[triggers]]
kind = "late_answer"
board = "met"
after = "80 ms"
save = false
[[triggers]]
kind = "range"
channel = "power.volts"
from = 700
to = 1023
save = false
"""


class Desk:
    """Two simulated desks, the session on them, and what it told."""

    def __init__(self, demo: Demo, session: LiveSession, capture: Path) -> None:
        self.hands: dict[str, Hand] = {name: hand for name, hand in demo.hands.items() if isinstance(hand, Hand)}
        self.session, self.capture = session, capture
        self.told: list[str] = []
        self.tried: set[str] = set()
        self.changed = threading.Condition()
        session.subscribe(self._take)

    def _take(self, events: list[Event]) -> None:
        notes = [event.text for event in events if isinstance(event, Note) and event.kind == "trigger"]
        if notes:
            with self.changed:
                self.told += notes
                self.changed.notify_all()

    def source(self, ident: str) -> int:
        assert self.session.bench is not None
        return next(port.source for port in self.session.bench.ports() if port.ident == ident)

    def fires(self, name: str, act: Callable[[], object]) -> str:
        """Wait until the trigger `name` fires, doing something over and over meanwhile; return what is told."""
        self.tried.add(name)
        for _ in range(PATIENCE_S * 10):
            act()
            self.session.tick()
            with self.changed:
                if self.changed.wait_for(lambda: any(text.split()[0] == name for text in self.told), 0.1):
                    return next(text for text in self.told if text.split()[0] == name)
        raise AssertionError(f"{name} did not fire; told was {self.told}")

    def has_recorded_what_fired(self) -> None:
        """Asserted at the end of whichever of these tests a process was dealt: what fired stands in the capture."""
        self.session.stop_recording()
        with StateReader(self.capture) as reader:
            notes = [mark.body.decode() for mark in reader.notes()]
            assert reader.problem_counts == {}
        assert {note.split()[1] for note in notes if note.startswith("trigger ")} >= self.tried


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("faults")
    file = folder / "panel.toml"
    text = panel_path().read_text("utf-8")
    file.write_text(text + TRIGGERS)
    panel = load(file)
    capture = folder / "faults.capture"
    with start(panel=file, boards=["met", "power"], separate=True) as demo:
        bench = Bench([board.port for board in demo.boards], panel=panel, keep=False)
        session = LiveSession(bench, panel, kept=folder / "kept.capture")
        session.start_recording(capture)
        bench.start()
        assert bench.wait(lambda ports: len(ports) == 2 and all(p.stage == "live" for p in ports), PATIENCE_S)
        desk = Desk(demo, session, capture)
        yield desk
        desk.has_recorded_what_fired()
        session.close()


def nothing() -> None:
    """The fault does it all."""


FAULTS: dict[str, tuple[str, str, str]] = {
    # trigger: the desk, its fault, what is said
    "chatter": ("power", "storm sw_main rate=60Hz", "sw_main"),
    "short_press": ("met", "storm unit rate=80Hz", "unit"),
    "gap": ("met", "lose_line share=40% way=up", "met"),
    "bad_checks": ("met", "flip share=2% way=up", "met"),
    "invalid_transition": ("met", "skipping enc_qnh every=1", "enc_qnh"),
    "late_answer": ("met", "delay by=150ms way=up", "met"),
    "silence": ("met", "stall silent=yes", "met"),
    "reset": ("met", "board_reset cause=watchdog", "met"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_fires_the_trigger_meant_for_it(name: str, desk: Desk) -> None:
    board, fault, says = FAULTS[name]
    hand = desk.hands[board]
    with desk.changed:
        desk.told.clear()
    number = hand.ask("fault", *fault.split())
    try:
        act: Callable[[], object] = nothing
        if name in ("gap", "bad_checks", "invalid_transition"):
            act = lambda: hand.turn("enc_qnh", 3)  # noqa: E731 - something has to be told for it to be lost
        elif name == "late_answer":
            assert desk.session.bench is not None
            act = lambda: desk.session.bench.ask(desk.source("met"), ("ping", "00000000", "00000000"))  # noqa: E731
        assert says in desk.fires(name, act)
    finally:
        hand.ask("clear", *number[:1])


def test_a_knob_that_comes_into_the_range_fires(desk: Desk) -> None:
    desk.hands["power"].put("volts", 100)
    assert "power.volts" in desk.fires("range", lambda: desk.hands["power"].put("volts", 800))


def test_every_kind_is_tried() -> None:
    assert {*FAULTS, "range"} == set(KINDS)
