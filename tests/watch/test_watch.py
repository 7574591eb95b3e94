"""Triggers fire when they should, say what happened, and otherwise keep quiet."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.panel.file import loads
from benchcon.state.changes import Changes
from benchcon.watch import Fired, Watch, triggers_of
from benchcon.wire import codec
from benchcon.wire.records import BYTES_UP, LINE_DOWN, LINE_UP, LINK, Batch

PANEL = """\
[boards.desk]
[controls.call]
kind = "button"
channel = "desk.b1"
[controls.selector]
kind = "switch"
channel = "desk.sw1"
[controls.knob]
kind = "pot"
channel = "desk.p1"
[controls.dial]
kind = "encoder"
channel = "desk.e1"
[lamps.fail]
channel = "desk.l1"
"""
ITEMS = ["board ident=desk", "contact b1", "contact sw1", "pot p1 top=03FF", "encoder e1 det=4", "lamp l1 dim=1"]


class Bench:
    """A bench of one board, spoken for line by line through the real codec, observer and state."""

    def __init__(self, triggers: str) -> None:
        panel = loads(PANEL + triggers, "desk.toml")
        self.watch = Watch(triggers_of(panel), panel)
        self.changes = Changes(shown=True)
        self.state = self.changes.state
        self.at_us = 0
        self.number = 0
        self.fired: list[Fired] = []
        self.link("opened port=/dev/ttyX")
        for number, words in enumerate(ITEMS):
            self.ask(1, f"item {number:02X}", f"item {number:02X} {words}")

    def put(self, kind: str, *bodies: bytes) -> None:
        changes = self.changes.feed(Batch(self.at_us, 1, kind, list(bodies)))
        self.fired += self.watch.feed(changes, self.changes.events, self.state)

    def notification(self, words: str, clock_us: int | None = None) -> None:
        clock_us = self.at_us if clock_us is None else clock_us
        self.put(LINE_UP, codec.notification(self.number, clock_us, words.split(" ")))
        self.number += 1

    def ask(self, tag: int, request: str, answer: str, took_us: int = 1000) -> None:
        self.put(LINE_DOWN, codec.request(tag, request.split(" ")))
        self.at_us += took_us
        self.put(LINE_UP, codec.answer(tag, answer.split(" ")))

    def link(self, words: str) -> None:
        self.put(LINK, words.encode())

    def wait(self, ms: float) -> None:
        self.at_us += int(ms * 1000)

    @property
    def texts(self) -> list[str]:
        return [fired.text for fired in self.fired]


def trigger(kind: str, *more: str) -> str:
    return "\n".join(["[[triggers]]", f'kind = "{kind}"', *more, ""])


def toggles(bench: Bench, channel: str, gaps_ms: Sequence[float]) -> None:
    for turn, gap_ms in enumerate(gaps_ms):
        bench.wait(gap_ms)
        bench.notification(f"is {channel}={(turn + 1) % 2}")


def test_chatter_is_what_is_faster_than_a_hand() -> None:
    bench = Bench(trigger("chatter"))
    toggles(bench, "sw1", [100] * 40)  # a quick hand: ten changes a second
    assert not bench.fired
    toggles(bench, "sw1", [1000] + [30] * 8)
    assert bench.texts == ["desk.sw1 changed 7 times within 180 ms"]


@settings(deadline=None)
@given(st.lists(st.integers(1, 200), min_size=1, max_size=60), st.integers(1, 10))
def test_chatter_fires_exactly_when_the_declaration_says(gaps_ms: list[int], more_than: int) -> None:
    bench = Bench(trigger("chatter", 'within = "300 ms"', f"more_than = {more_than}"))
    toggles(bench, "sw1", gaps_ms)
    moments = [sum(gaps_ms[: turn + 1]) for turn in range(len(gaps_ms))]
    expected = any(sum(1 for other in moments if moment - 300 <= other <= moment) > more_than for moment in moments)
    assert bool(bench.fired) == expected


def test_the_board_s_clock_counts_for_chatter_and_not_a_held_up_line() -> None:
    bench = Bench(trigger("chatter"))
    for turn in range(20):  # twenty seconds' changes all arrive at once
        bench.notification(f"is sw1={turn % 2}", clock_us=turn * 1_000_000)
    assert not bench.fired


def test_a_press_shorter_than_a_hand_can_make() -> None:
    bench = Bench(trigger("short_press"))
    toggles(bench, "b1", [500, 60, 500, 25])
    assert not bench.fired
    toggles(bench, "sw1", [500, 5])  # no push button
    assert not bench.fired
    toggles(bench, "b1", [500, 12])
    assert bench.texts == ["desk.b1 was made for only 12.0 ms"]


def test_a_gap_in_the_numbers() -> None:
    bench = Bench(trigger("gap"))
    bench.notification("is sw1=1")
    bench.number += 3
    bench.notification("is sw1=0")
    assert bench.texts == ["3 notifications from desk lost on the way"]


def test_bad_checks_above_a_rate() -> None:
    bench = Bench(trigger("bad_checks", "more_than = 3"))
    line = codec.notification(5, 5, ["is", "sw1=1"]).replace(b"is", b"as")
    for _ in range(20):
        bench.wait(400)
        bench.put(BYTES_UP, line)
        bench.put(BYTES_UP, b"\x00\xff noise is another matter")
    assert not bench.fired
    for _ in range(4):
        bench.wait(100)
        bench.put(BYTES_UP, line)
    assert bench.texts == ["4 lines from desk with a wrong check within 0.90 s"]


def test_a_reset_but_not_the_one_that_opening_the_port_makes() -> None:
    bench = Bench(trigger("reset"))
    bench.link("opened port=/dev/ttyX")
    bench.put(LINE_DOWN, codec.request(1, ["hello"]))  # the link asks; that the board restarts is still the opening
    bench.notification("boot 0007 power 01")
    assert not bench.fired
    bench.notification("alive 0007 0000 0000 0000 01F4 1388 00")
    bench.number = 0
    bench.notification("boot 0008 brownout 01", clock_us=100)
    assert bench.texts == ["desk was reset (brownout, boot 8)"]


def test_silence_once_until_it_is_heard_again() -> None:
    bench = Bench(trigger("silence", 'rest = "100 ms"'))
    bench.notification("alive 0007 0000 0000 0000 01F4 1388 00")
    for _ in range(60):
        bench.wait(100)
        bench.fired += bench.watch.tick(bench.at_us, bench.state)
    assert bench.texts == ["nothing from desk for 3.1 s"]
    bench.notification("alive 0007 0000 0000 0000 01F4 1388 00")
    bench.fired += bench.watch.tick(bench.at_us, bench.state)
    bench.wait(3500)
    bench.fired += bench.watch.tick(bench.at_us, bench.state)
    assert len(bench.fired) == 2


def test_a_port_that_was_let_go_is_not_silent() -> None:
    bench = Bench(trigger("silence"))
    bench.link("released")
    bench.wait(60_000)
    assert bench.watch.tick(bench.at_us, bench.state) == []


def test_an_invalid_transition_told_by_the_board() -> None:
    bench = Bench(trigger("invalid_transition"))
    bench.notification("skip e1=0003")
    assert bench.texts == ["3 invalid transitions of desk.e1"]


def test_an_invalid_transition_seen_in_raw_edges() -> None:
    # Quadrature is Gray code 00 01 11 10; a two-bit jump is invalid (any encoder's data sheet).
    bench = Bench(trigger("invalid_transition"))
    for level in (0, 1, 3, 2, 0, 2, 3, 1, 0):
        bench.notification(f"edge e1={level}")
    assert not bench.fired
    bench.notification("edge e1=3")
    assert bench.texts == ["a jump from 00 to 11 of desk.e1"]


def test_a_late_answer_and_one_that_never_came() -> None:
    bench = Bench(trigger("late_answer", 'rest = "100 ms"'))
    bench.ask(5, "set l1=1F4", "set 00001000", took_us=49_000)
    assert not bench.fired
    bench.ask(6, "set l1=1F4", "set 00001000", took_us=80_000)
    assert bench.texts == ["desk answered 'set' after 80 ms"]
    bench.wait(1000)
    bench.link("timeout words=set%20l1%3D1F4")
    assert bench.texts[1:] == ["desk never answered 'set l1=1F4'"]


@pytest.mark.parametrize(
    ("part", "low", "high", "outside", "inside", "says"),
    [
        ("knob", 900, 1023, "is p1=0100", "is p1=03F0", "desk.p1 is 1008, from 900 to 1023"),
        ("dial", -5, -1, "is e1=0003", "is e1=FFFE", "desk.e1 is -2, from -5 to -1"),
    ],
)
def test_a_value_that_comes_into_a_range(part: str, low: int, high: int, outside: str, inside: str, says: str) -> None:
    bench = Bench(trigger("range", f'part = "{part}"', f"from = {low}", f"to = {high}", 'rest = "100 ms"'))
    bench.notification(outside)
    assert not bench.fired
    bench.notification(inside)
    bench.wait(1000)
    bench.notification(inside)  # still there: it does not fire again
    assert bench.texts == [says]
    bench.notification(outside)
    bench.notification(inside)
    assert len(bench.fired) == 2


def test_a_range_of_a_lamp_s_level() -> None:
    bench = Bench(trigger("range", 'part = "fail"', "from = 500", "to = 1000"))
    bench.ask(5, "set l1=0FF", "set 00001000")
    assert not bench.fired
    bench.ask(6, "set l1=3E8", "set 00002000")
    assert bench.texts == ["desk.l1 is 1000, from 500 to 1000"]


def test_a_lamp_that_dark_put_out_comes_into_the_range_again() -> None:
    bench = Bench(trigger("range", 'part = "fail"', "from = 500", "to = 1000", 'rest = "100 ms"'))
    bench.ask(5, "set l1=3E8", "set 00001000")
    bench.ask(6, "dark", "dark 00002000")
    bench.ask(7, "light", "light 00003000")
    bench.wait(1000)
    bench.ask(8, "set l1=3E8", "set 00004000")
    assert bench.texts == ["desk.l1 is 1000, from 500 to 1000"] * 2


def test_a_value_read_back_after_the_port_was_lost_has_not_come_into_the_range_again() -> None:
    bench = Bench(trigger("range", 'part = "knob"', "from = 900", "to = 1023", 'rest = "100 ms"'))
    bench.notification("is p1=03F0")
    bench.link("lost")
    bench.wait(1000)
    bench.link("opened port=/dev/ttyX")
    bench.ask(5, "read all", "read 0000 00001000 00 b1=0 sw1=0 p1=03F0 e1=0000 l1=000")
    assert len(bench.fired) == 1


def test_a_panel_that_was_changed_is_watched_by_at_once_and_counts_go_on() -> None:
    bench = Bench(trigger("gap", 'rest = "100 ms"'))
    bench.notification("is sw1=1")
    bench.number += 1
    bench.notification("is sw1=0")
    changed = loads(
        PANEL.replace("[boards.desk]", '[boards.main]\nident = "desk"').replace("desk.", "main.")
        + trigger("gap", 'rest = "100 ms"')
        + trigger("chatter", "more_than = 2"),
        "desk.toml",
    )
    bench.watch.declare(triggers_of(changed), changed)
    bench.wait(1000)
    bench.number += 1
    toggles(bench, "sw1", [10] * 3)
    lost, chatter = "1 notification from main lost on the way", "main.sw1 changed 3 times within 20 ms"
    assert bench.texts[1:] == [lost, chatter]
    assert bench.watch.counts == {"gap": 2, "chatter": 1}


def test_after_firing_it_rests_and_counts_go_on_being_shown() -> None:
    bench = Bench(trigger("gap", 'rest = "5 s"'))
    bench.notification("is sw1=1")
    for _ in range(10):
        bench.wait(1000)
        bench.number += 1
        bench.notification("is sw1=0")
    assert len(bench.fired) == 2
    assert bench.watch.counts == {"gap": 2}


def test_the_note_names_the_trigger_in_one_word() -> None:
    bench = Bench(trigger("gap", 'name = "lost_notifications"'))
    bench.notification("is sw1=1")
    bench.number += 1
    bench.notification("is sw1=0")
    (fired,) = bench.fired
    assert fired.note == "lost_notifications 1 notification from desk lost on the way"


def test_a_trigger_of_another_board_keeps_quiet() -> None:
    bench = Bench("[boards.annexe]\n" + trigger("gap", 'board = "annexe"'))
    bench.notification("is sw1=1")
    bench.number += 3
    bench.notification("is sw1=0")
    assert not bench.fired


def test_text_from_a_board_is_made_printable() -> None:
    bench = Bench(trigger("gap"))
    bench.state.boards[1].ident = "desk\x1b[2J"
    bench.notification("is sw1=1")
    bench.number += 3
    bench.notification("is sw1=0")
    assert "\x1b" not in bench.texts[0]
