"""The walk without I/O: it moves on by itself, takes slips for slips, and goes on where it was broken off."""

from __future__ import annotations

import json
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from walk.person import Person
from walk.random_panels import random_panel
from walk.rig import Bad
from walk.small import small

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Change, DisplayLook, HandStep, LampLook, Seen
from benchcon.errors import Trouble
from benchcon.panel.file import loads
from benchcon.walk.journal import resume
from benchcon.walk.machine import Walk


class Driven:
    """A walk over the small panel, with a clock to turn by hand."""

    def __init__(self, *only: str, **more: Any) -> None:
        self.walk = Walk(small(), only, **more)
        self.now = 1_000_000
        self.walk.start({key: 0 for key, spot in self.walk.layout.spots.items() if spot.kind != "lamp"}, self.now)

    def change(self, channel: str, value: int, after_us: int = 500_000, how: str = "is") -> None:
        self.wait(after_us)
        self.walk.heard(Change(self.now, f"a.{channel}", value), self.now, how)

    def wait(self, us: int) -> None:
        until = self.now + us
        while (due := self.walk.due_us()) is not None and due <= until:
            self.now = max(self.now, due)
            self.walk.tick(self.now)
        self.now = until

    def past_rest(self) -> None:
        while self.walk.group is not None and self.walk.group.kind in ("rest", "dark", "lamp"):
            if self.walk.state == "light":
                self.walk.ready(self.walk.wants_number)
                self.walk.looked(self.now)
            else:
                self.wait(1_000_000)

    def hands(self) -> list[tuple[int, str]]:
        return [(e.to, e.outcome) for e in self.walk.evidence if isinstance(e, HandStep) and e.do == "put"]


def test_a_button_is_proved_by_pressing_and_letting_go_and_no_key() -> None:
    walk = Driven("b1")
    walk.past_rest()
    assert walk.walk.prompt().title == "Press B1"
    walk.change("b1", 1)
    walk.wait(49_000)  # the program itself takes less than 50 ms
    assert walk.walk.prompt().title == "Release B1"
    walk.change("b1", 0)
    walk.wait(49_000)
    assert walk.walk.state == "over"
    assert walk.walk.sounds() == ["right", "right", "over"]
    assert diagnose(walk.walk.panel, walk.walk.evidence) == []


def test_a_quick_tap_counts_as_pressed_and_let_go() -> None:
    walk = Driven("b1")
    walk.past_rest()
    walk.change("b1", 1)
    walk.change("b1", 0, after_us=15_000)
    walk.wait(50_000)
    assert walk.walk.state == "over"
    assert walk.hands() == [(1, "seen"), (0, "seen")]


def test_a_switch_swept_past_a_position_settles_the_step_where_it_comes_to_rest() -> None:
    walk = Driven("rot")
    walk.walk.values["a.r0"] = 1
    walk.walk.start(walk.walk.values, walk.now)
    walk.past_rest()
    assert walk.walk.prompt().ask == "Set Rot to low."
    walk.change("r0", 0)
    walk.change("r1", 1, after_us=20_000)
    walk.wait(100_000)
    assert walk.walk.prompt().ask == "Set Rot to high."
    # The hand had not stopped: still within the reaction time it goes on to the next position.
    walk.change("r1", 0, after_us=20_000)
    walk.change("r2", 1, after_us=20_000)
    low = next(e for e in walk.walk.evidence if isinstance(e, HandStep) and e.do == "put")
    assert (low.outcome, low.values["a.r2"]) == ("otherwise", 1)


def test_a_brushed_neighbour_does_not_answer_but_what_stays_other_does_after_a_while() -> None:
    walk = Driven("b1", "b2")
    walk.past_rest()
    number = walk.walk.step_number
    walk.change("b2", 1)
    walk.change("b2", 0, after_us=200_000)
    walk.wait(2_000_000)
    assert walk.walk.step_number == number
    walk.change("b2", 1)
    walk.wait(450_000)
    assert walk.walk.step_number != number


def test_what_shows_nothing_is_asked_once_more_then_three_times_as_it_may_be_worn_but_of_many_only_two_are() -> None:
    walk = Driven("b1", "b2", "t1")
    walk.past_rest()
    while walk.walk.state != "over":
        walk.walk.said(walk.now)
        walk.wait(1_500_000)
    pressed = [
        hand.parts[0] for hand in walk.walk.evidence if isinstance(hand, HandStep) and hand.do == "put" and hand.to
    ]
    assert {name: pressed.count(name) for name in pressed} == {"b1": 5, "b2": 5, "t1": 2}


def test_a_potentiometer_that_wanders_does_not_put_off_what_is_odd_besides() -> None:
    """Its wiper hangs in the air: it tells of itself twenty times a second for as long as the walk lasts."""
    walk = Driven("b1", "b2")
    walk.past_rest()
    number = walk.walk.step_number
    walk.change("b2", 1)
    for count in range(100):
        walk.change("vol", 300 + 7 * (count % 9), after_us=50_000)
        if walk.walk.step_number != number:
            break
    assert walk.walk.step_number != number


def test_what_was_said_counts_where_what_was_there_does_not_last() -> None:
    walk = Driven("rot")
    walk.past_rest()
    number = walk.walk.step_number
    walk.change("r0", 1)
    walk.walk.said(walk.now)
    walk.change("r0", 0, after_us=2_000)
    walk.wait(5_000_000)
    assert walk.walk.step_number != number


def test_what_went_otherwise_is_asked_once_more() -> None:
    walk = Driven("b1")
    walk.past_rest()
    for _ in range(10):
        walk.walk.said(walk.now)
        walk.wait(1_500_000)
    assert walk.walk.state == "over"
    assert [outcome for _, outcome in walk.hands()] == 5 * ["said", "seen"]
    assert [f.kind for f in diagnose(walk.walk.panel, walk.walk.evidence)] == ["open"]


def test_skip_back_again_not_wired_and_notes() -> None:
    walk = Driven("b1", "b2")
    walk.past_rest()
    walk.walk.note("the green one")
    walk.walk.skip(walk.now)
    assert (walk.walk.done["b1"].how, walk.walk.done["b1"].note) == ("skipped", "the green one")
    walk.walk.back(walk.now)
    assert walk.walk.group is not None
    assert (walk.walk.group.name, "b1" in walk.walk.done) == ("b1", False)
    walk.change("b1", 1)
    walk.wait(40_000)
    walk.walk.again(walk.now)
    assert walk.walk.prompt().title in ("Press B1", "Release B1")
    walk.walk.not_wired(walk.now)
    assert walk.walk.done["b1"].how == "not wired"
    walk.walk.skip(walk.now)
    assert walk.walk.state == "over"
    walk.walk.back(walk.now)
    assert walk.walk.group.name == "b2"


def test_a_lamp_blinks_then_burns_steadily_and_any_answer_goes_on() -> None:
    walk = Driven("l1", "l2")
    assert walk.walk.prompt().title == "All dark?"
    walk.walk.ready(walk.walk.wants_number)
    walk.walk.looked(walk.now)
    assert (walk.walk.wants.lamps, walk.walk.wants.blink) == ({"l1": 1000}, True)
    walk.walk.looked(walk.now)  # nothing is lit yet: this is not an answer
    assert walk.walk.state == "light"
    walk.walk.ready(walk.walk.wants_number)
    assert walk.walk.steady()
    walk.walk.looked_otherwise(walk.now, {"l2": Seen("dim")})
    assert walk.walk.wants.lamps == {"l2": 1000}
    look = walk.walk.evidence[-1]
    assert isinstance(look, LampLook)
    assert look.seen == {"l2": Seen("dim")}


def test_a_display_is_asked_four_pictures_more_where_one_was_odd_and_what_was_seen_is_kept() -> None:
    walk = Driven("d1")
    walk.walk.ready(walk.walk.wants_number)
    walk.walk.looked(walk.now)
    for number in range(4 + 8 + 3):
        picture = walk.walk.wants.displays["d1"]
        walk.walk.ready(walk.walk.wants_number)
        if number:
            walk.walk.looked(walk.now)
        else:
            walk.walk.looked_otherwise(walk.now, displays={"d1": b"\x00" + picture[1:]})
    assert walk.walk.state == "over"
    looks = [e for e in walk.walk.evidence if isinstance(e, DisplayLook)]
    assert [look.answer for look in looks] == ["otherwise", *["same"] * 14]
    assert looks[0].seen[0] == 0


def test_a_proved_lamp_is_there_as_a_signal_and_a_proved_button_to_answer_with() -> None:
    walk = Driven("b1", "l1", "l2")
    walk.past_rest()
    assert walk.walk.signal_lamp == "l1"
    assert walk.walk.answer_button == ""
    walk.change("b1", 1)
    walk.change("b1", 0)
    walk.wait(50_000)
    assert walk.walk.answer_button == "b1"


def test_a_part_that_the_panel_file_calls_not_wired_is_passed_over() -> None:
    from benchcon.panel.file import loads

    text = small().text.replace('[controls.b1]\nkind = "button"', '[controls.b1]\nwired = false\nkind = "button"')
    walk = Walk(loads(text, "x"), ["b1"])
    walk.start({}, 0)
    walk.tick(2_000_000)
    assert walk.state == "over"
    assert walk.done["b1"].how == "not wired"


def test_the_journal_is_enough_to_go_on_from() -> None:
    walk = Driven("b1", "b2", "l1")
    walk.past_rest()
    walk.change("b1", 1)
    walk.change("b1", 0)
    walk.wait(300_000)
    walk.walk.note("half done")
    lines = [json.loads(json.dumps(line)) for line in walk.walk.journal()]
    again = Walk(small(), ("b1", "b2", "l1"), resume(lines))
    again.start(walk.walk.values, 0)
    # The group that was under way is held back until nothing late can come; what is written is not asked again.
    assert set(again.done) >= {"dark", "l1", "rest"}
    assert again.group is not None
    assert again.group.name in ("b1", "b2")
    walk.change("b2", 1)
    walk.change("b2", 0)
    walk.wait(50_000)
    lines += [json.loads(json.dumps(line)) for line in walk.walk.journal()]
    assert [done.group.name for done in resume(lines)] == ["dark", "l1", "rest", "b1", "b2"]
    assert [e for done in resume(lines) for e in done.evidence] == walk.walk.evidence


def test_back_is_in_the_journal_too() -> None:
    walk = Driven("b1", "b2")
    walk.past_rest()
    walk.walk.skip(walk.now)
    walk.walk.back(walk.now)
    lines = walk.walk.journal()
    assert [done.group.name for done in resume(lines)] == ["rest"]


@pytest.mark.parametrize("line", [{"done": "x", "how": "odd"}, {"done": "x", "evidence": 3}, {"done": "x", "parts": 1}])
def test_a_journal_of_the_wrong_form_is_refused_in_one_line(line: dict[str, Any]) -> None:
    with pytest.raises(Trouble, match="journal line 1"):
        resume([line])


words = st.sampled_from(["said", "skip", "back", "again", "not_wired", "ready", "looked", "otherwise", "steady", "act"])
inputs = st.one_of(
    words,
    st.integers(0, 3_000_000),
    st.tuples(st.sampled_from(["b1", "b2", "t1", "r1", "sel", "enc", "vol", "k00", "zz"]), st.integers(0, 70_000)),
)


@settings(deadline=None, max_examples=60)
@given(st.lists(inputs, max_size=60))
def test_whatever_comes_the_walk_stands_and_its_evidence_can_be_judged(row: list[Any]) -> None:
    """Any order of answers, changes and times: no exception, time never runs back, the journal resumes to the same."""
    walk = Driven("b1", "t1", "rot", "sel", "enc", "vol", "k00", "k01", "k11", "l1", "d1", rest_us=1000, still_us=1000)
    machine, lines = walk.walk, []
    for each in row:
        if isinstance(each, int):
            walk.wait(each)
        elif isinstance(each, tuple):
            walk.change(each[0], each[1], after_us=10_000, how="is")
        elif each == "ready":
            machine.ready(machine.wants_number)
        elif each == "otherwise":
            machine.looked_otherwise(walk.now, {"l2": Seen()}, {"d1": b"\1\2\3"})
        elif each == "act":
            machine.acting()
        elif each == "steady":
            machine.steady()
        else:
            getattr(machine, each)(walk.now)
        assert machine.prompt().ask
        assert (machine.state == "over") == (machine.group is None)
        lines += machine.journal()
    assert len(resume(lines)) >= len(machine.done)
    diagnose(machine.panel, machine.evidence)


def test_sixty_four_channels_take_under_six_minutes_with_a_hand_that_takes_two_seconds() -> None:
    """The figure, on the walk's own clock; `tests/bench/walk_speed.py` measures the program on a real bench."""
    for seed in range(200):
        panel = random_panel(random.Random(seed))
        channels = sum(len(c.channels) for c in panel.controls) + len(panel.lamps) + len(panel.displays)
        if channels == 64:
            break
    assert channels == 64
    person = Person(panel, [], random.Random(1), clumsy=0, action_us=2_000_000)
    start = person.now
    person.go()
    assert (person.now - start) / 1e6 < 360
    assert max(person.added_us) < 2_000_000


def test_of_a_matrix_three_keys_that_answered_are_held_together() -> None:
    """A dead key among the three would show nothing of a missing diode."""
    keys = ("k00", "k01", "k10", "k11")
    for dead in keys:
        person = Person(small(), [Bad("open", (f"a.{dead}",), how="wire")], random.Random(3), clumsy=0)
        person.go()
        threes = [set(group.parts) for group in person.walk.groups if group.kind == "matrix"]
        assert set(keys) - {dead} in threes


def test_what_moved_instead_is_said_at_once_and_counts_as_evidence() -> None:
    walk = Driven("b1", "b2", rest_us=1000)
    walk.past_rest()
    assert walk.walk.instead() == ""
    walk.change("b2", 1)
    assert walk.walk.instead() == "B2 moved instead of B1."
    walk.walk.said(walk.now)
    walk.wait(100_000)
    assert walk.walk.last == "B2 moved instead of B1."
    hand = next(e for e in walk.walk.evidence if isinstance(e, HandStep) and e.do == "put")
    assert (hand.outcome, hand.values["a.b2"]) == ("said", 1)


def test_a_switch_that_reads_as_asked_already_is_asked_with_what_to_do() -> None:
    walk = Driven("t1")
    walk.past_rest()
    first = walk.walk.prompt()
    assert "already" not in first.hint
    walk.walk.said(walk.now)  # nothing came of it: it still reads as the second step asks
    walk.wait(100_000)
    assert "already: if the switch is elsewhere, move it" in walk.walk.prompt().hint


def test_numbers_are_of_parts_and_back_takes_back() -> None:
    walk = Driven("b1", "b2", "l1")
    assert (walk.walk.prompt().number, walk.walk.prompt().of) == (1, 3)  # all dark is not a part
    walk.past_rest()
    assert (walk.walk.prompt().number, walk.walk.prompt().of) == (2, 3)
    walk.walk.skip(walk.now)
    assert walk.walk.prompt().number == 3
    walk.walk.back(walk.now)
    assert walk.walk.prompt().number == 2


def test_nothing_and_then_seen_is_pressed_eight_times_and_told_how_often_it_came() -> None:
    walk = Driven("b1")
    walk.past_rest()
    walk.walk.said(walk.now)  # nothing came of the press, and then nothing can come of letting go
    walk.wait(1_500_000)
    walk.wait(1_500_000)
    came = 0
    while walk.walk.state == "ask":
        asked = walk.walk.step
        assert asked is not None
        if asked.to:
            came += 1
        if asked.to and came in (3, 5):  # the third press and the fifth one do not make
            walk.walk.said(walk.now)
            walk.wait(1_500_000)
        elif walk.walk.values.get("a.b1", 0) != asked.to:
            walk.change("b1", asked.to)
            walk.wait(40_000)
        else:
            walk.walk.said(walk.now)
            walk.wait(1_500_000)
    assert came == 9
    (finding,) = diagnose(walk.walk.panel, walk.walk.evidence)
    assert (finding.kind, finding.detail["asked"], finding.detail["missed"]) == ("misses", 10, 3)


def test_switches_of_a_matrix_without_diodes_are_put_off_before_its_keys_and_it_says_why() -> None:
    text = '[boards.a]\n[matrices.keys]\nboard = "a"\nrows = ["D2", "D3"]\ncolumns = ["D4", "D5"]\ndiodes = false\n'
    for n, kind in enumerate(("switch", "switch", "button", "button")):
        positions = 'positions = ["off", "on"]\n' if kind == "switch" else ""
        pin = f'pin = "keys.r{n // 2}c{n % 2}"'
        text += f'[controls.k{n}]\nkind = "{kind}"\n{positions}channel = {{ id = "a.k{n}", {pin} }}\n'
    walk = Walk(loads(text, "m.toml"))
    walk.start({f"a.k{n}": int(n < 2) for n in range(4)}, 0)
    walk.tick(2_000_000)  # hands off
    assert walk.group is not None
    assert (walk.group.name, walk.step and walk.step.parts) == ("clear keys", ("k0", "k1"))
    assert walk.prompt().ask == (
        "Set K0 and K1 to off. Their matrix has no diodes: contacts that stay made there make others seem made."
    )
    for n in range(2):
        walk.heard(Change(2_500_000 + n, f"a.k{n}", 0), 2_500_000 + n)
    walk.tick(2_600_000)
    assert walk.group.name == "k0"
