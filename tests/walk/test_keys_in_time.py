"""Keys held down, typed ahead or pressed too soon prove nothing: the rule for both faces, and the plain terminal."""

from __future__ import annotations

import io
import queue
import threading
import time
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from walk.small import small

from benchcon.diagnosis.layout import PanelIndex
from benchcon.walk.guard import AFTER_S, REPEAT_S, STAND_S, Guard, Press
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.plain import PlainFace
from benchcon.walk.plan import Step
from benchcon.walk.wants import Wants


@given(st.floats(0.2, 2.0), st.floats(0.02, 0.1), st.integers(2, 60), st.floats(0.0, 3.0), st.floats(0.01, 0.09))
def test_a_key_held_down_is_one_answer_at_the_most(
    first_s: float, each_s: float, count: int, stood_s: float, next_s: float
) -> None:
    """Whatever the keyboard's delay and rate, however long the question has stood, however soon the next one comes."""
    guard, question, taken = Guard(), 1, 0
    guard.asked(question, 10.0 - stood_s)
    times = [10.0] + [10.0 + first_s + n * each_s for n in range(count)]
    due = asked = float("inf")
    for at in [*times, float("inf")]:
        if due < at:
            taken += guard.settled() is Press.TAKEN
            due = float("inf")
        if asked <= at:
            guard.asked(question, asked)
            asked = float("inf")
        if at == float("inf"):
            break
        verdict = guard.pressed("enter", at)
        due = at + AFTER_S if verdict is Press.MAYBE else float("inf")
        if verdict is Press.TAKEN:
            taken += 1
            question += 1
            asked = at + next_s
            guard.nothing_asked()
    assert taken <= 1


def test_presses_at_a_persons_pace_are_all_answers() -> None:
    guard, at = Guard(), 5.0
    for question in range(1, 6):
        guard.asked(question, at)
        assert guard.pressed("enter", at + STAND_S / 2) is Press.EARLY
        at += STAND_S + REPEAT_S
        verdict = guard.pressed("enter", at)
        assert verdict in (Press.TAKEN, Press.MAYBE)
        assert verdict is Press.TAKEN or guard.settled() is Press.TAKEN


class Terminal:
    """A plain face, lines typed into it, and what comes of them."""

    def __init__(self) -> None:
        self.lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.answers: queue.SimpleQueue[FaceAnswer] = queue.SimpleQueue()
        self.out = io.StringIO()
        self.face = PlainFace(self.out, self.lines.get, bell=False, typed=True)
        walk = Walk(small())
        self.scene = Scene(walk.prompt(), "look", 1, Step("dark"), Wants(), {}, True)
        self.face.begin(PanelIndex.of(small()), self.answers.put)

    def ask(self, number: int, **more: str) -> None:
        self.scene = replace(self.scene, number=number, **more)  # type: ignore[arg-type]
        self.face.show(self.scene)

    def settle(self) -> None:
        """Wait until the question has stood for long enough."""
        end = time.monotonic() + 10
        while not self.face._guard.stands(time.monotonic()) and time.monotonic() < end:
            threading.Event().wait(0.02)

    def says(self, text: str) -> None:
        end = time.monotonic() + 10
        while text not in self.out.getvalue():
            assert time.monotonic() < end, self.out.getvalue()
            threading.Event().wait(0.01)


def test_enter_typed_while_a_board_is_away_answers_nothing_when_it_is_back() -> None:
    terminal = Terminal()
    terminal.ask(1, trouble="Board a is gone")
    terminal.lines.put("\n")
    terminal.says("(not taken: the walk waits)")
    terminal.ask(2, trouble="")
    terminal.lines.put("yes\n")
    terminal.says("(not taken: look first)")
    terminal.settle()
    assert terminal.answers.empty()
    terminal.lines.put("\n")
    assert terminal.answers.get(timeout=10) == FaceAnswer("same", 2)
    terminal.lines.put("")
    assert terminal.answers.get(timeout=10).word == "leave"


def test_a_held_enter_answers_one_question_and_a_note_is_taken_at_any_time() -> None:
    terminal = Terminal()
    terminal.ask(1)
    terminal.settle()
    for _ in range(20):
        terminal.lines.put("\n")
    assert terminal.answers.get(timeout=10) == FaceAnswer("same", 1)
    terminal.ask(2)
    terminal.lines.put("n stiff\n")
    assert terminal.answers.get(timeout=10) == FaceAnswer("note", text="stiff")
    assert terminal.answers.empty()
    terminal.lines.put("q\n")
    assert terminal.answers.get(timeout=10).word == "leave"


def test_the_help_can_be_had_again_and_the_consoles_keys_work_here_too() -> None:
    terminal = Terminal()
    terminal.ask(1)
    terminal.says("skip, back, again")
    terminal.out.truncate(0)
    terminal.lines.put("?\n")
    terminal.says("skip, back, again")
    terminal.says(terminal.scene.prompt.ask)  # the question again, below the help
    for key, word in (("u", "back"), ("r", "again"), ("s", "skip"), ("w", "not wired")):
        terminal.settle()
        terminal.lines.put(f"{key}\n")
        assert terminal.answers.get(timeout=10).word == word
    terminal.lines.put("q\n")


def test_lines_are_broken_between_words(monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setenv("COLUMNS", "40")
    out = io.StringIO()
    out.isatty = lambda: True  # type: ignore[method-assign]
    face = PlainFace(out, lambda: "", bell=False)
    face.begin(PanelIndex.of(small()), lambda answer: None)
    face.warn("board 'lighting' is gone: plug it in again, and the walk goes on from where it stood")
    rows = out.getvalue().splitlines()
    assert max(map(len, rows)) <= 40
    assert {"lighting'", "again,"} <= set(" ".join(rows).replace("'light", "light").split())


def test_a_display_to_be_looked_at_is_drawn() -> None:
    """Rows of strokes as on the glass; the letters of its segments are for typing what is seen instead."""
    terminal = Terminal()
    terminal.ask(1, step=Step("display", parts=("d",), picture=bytes([0x7E, 0xB0, 0xED])))  # 0 1. 2.
    drawn = terminal.out.getvalue().splitlines()[-3:]
    assert [row[6:] for row in drawn] == [" _       _", "| |   |  _|", "|_|   |.|_ ."]
