"""At the end everything is lit once: what does not bear it is found, and named for what it is."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from walk.desks import Desks
from walk.in_virtual_time import VirtualWalk
from walk.person import Person
from walk.random_panels import random_panel

from benchcon.console.walk.look import LookTaken
from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import BoardTrouble, DisplayLook, LampLook, Seen, as_json, read
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.panel.electrics import current_ma
from benchcon.panel.file import loads
from benchcon.panel.model import Board, Channel, Display, Lamp, Panel
from benchcon.report.walk import build
from benchcon.rig.faults import fault_of_words
from benchcon.walk.interfaces import Scene
from benchcon.walk.load import rounds
from benchcon.walk.machine import Walk
from benchcon.walk.plain import understood
from benchcon.walk.plan import Step, plan, steps
from benchcon.walk.prompts import prompt_for
from benchcon.walk.wants import Wants

MET = ("crosswind", "wind_direction", "wind_speed", "pressure")
POWER = ("mains_fail", "standby_fail", "battery_low")


def desks_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> Desks:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("BENCHCON_LOCKS", str(tmp_path))
    faults = tmp_path / "faults.toml"
    faults.write_text(text)
    return Desks(faults)


def weak(limit: str) -> str:
    """All of the met desk at once is 168 mA, and its largest single picture 40 mA: 0.5 V and 0.12 V at 3 ohm."""
    return f'[[faults]]\nkind = "weak_supply"\nboard = "met"\nresistance = "3 ohm"\nlimit = "{limit}"\n'


@pytest.mark.slow
def test_a_board_that_restarts_when_all_is_lit_is_found_and_the_others_are_looked_at_without_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desks = desks_with(tmp_path, monkeypatch, weak("4.6 V"))
    try:
        walk = desks.hand_walk([*MET, *POWER])
        flashes = desks.hands["met"].flashes()
    finally:
        desks.close()
    report = build(desks.panel, walk.done.values(), {})
    (finding,) = report["findings"]
    assert (finding["kind"], finding["channels"], finding["parts"]) == ("weak supply", ["met"], [])
    assert finding["because"] == "board met restarts (3 times) when all its lamps and displays are lit together"
    assert "a supply of their own" in finding["look_first"]
    together = walk.done["all lit"]
    assert together.note.startswith("without board 'met': it was reset each of the 3 times")
    assert [(set(look.set), look.answer) for look in together.evidence] == [(set(POWER), "same")]
    assert {part["verdict"] for part in report["parts"] if part["name"] in (*MET, *POWER)} == {"passed"}
    # WCAG 2.x, success criterion 2.3.1: no more than three flashes in any one second, restarts or not.
    assert max(flashes.values()) <= 3


def test_a_supply_that_sags_when_all_is_lit_is_told_with_its_figures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desks = desks_with(tmp_path, monkeypatch, weak("4 V"))
    try:
        walk = desks.hand_walk(MET)
    finally:
        desks.close()
    (finding,) = build(desks.panel, walk.done.values(), {})["findings"]
    # 3 ohm times 168 mA (8 mA of the lamp, 80 segments and points at 2 mA): Ohm's law.
    assert finding["because"] == (
        "the supply of board met sags by 0.50 V when all its lamps and displays are lit together: "
        "5.00 V before and 4.50 V then"
    )
    assert walk.done["all lit"].how == "done"


def test_a_healthy_desk_is_asked_one_question_more_and_is_accused_of_nothing(desks: Desks) -> None:
    walk = desks.hand_walk(MET)
    (look,) = walk.done["all lit"].evidence
    assert isinstance(look, LampLook)
    assert (look.answer, set(look.set), set(look.shows)) == ("same", {"crosswind"}, set(MET[1:]))
    assert look.shows["pressure"] == b"\xff" * 5
    assert build(desks.panel, walk.done.values(), {})["findings"] == []


def test_the_board_is_given_time_to_say_that_it_bears_it(desks: Desks) -> None:
    """A question that is put at once is answered before a supply has sagged: a heartbeat comes first."""
    began, beats = [], []
    desks.session.subscribe(lambda events: beats.extend(e.at_us for e in events if type(e).__name__ == "Alive"))
    walk = desks.hand_walk(MET)
    (look,) = walk.done["all lit"].evidence
    began = [e.at_us for e in walk.evidence if isinstance(e, DisplayLook)]
    assert any(began[-1] < beat <= look.at_us for beat in beats)


# --- on virtual boards: resistors and pairs ---------------------------------------------------------------------------

LAMPS = '[panel]\ntitle = "L"\n[boards.a]\n' + "".join(f'[lamps.l{n}]\nchannel = "a.l{n}"\n' for n in range(1, 6))


@pytest.mark.parametrize(
    ("words", "shared"),
    [
        (["shared_resistor l1 l3"], [{"a.l1", "a.l3"}]),
        (["shared_resistor l1 l2", "shared_resistor l3 l4"], [{"a.l1", "a.l2"}, {"a.l3", "a.l4"}]),
    ],
)
def test_lamps_that_share_a_resistor_are_told_apart_by_pairs(words: list[str], shared: list[set[str]]) -> None:
    panel = loads(LAMPS, "lamps")
    walk = VirtualWalk(panel, {"a": [fault_of_words(each.split()) for each in words]}).run()
    found = diagnose(panel, walk.evidence)
    assert [(finding.kind, set(finding.channels), finding.either) for finding in found] == [
        ("shared resistor", each, None) for each in shared
    ]


def test_of_two_lamps_all_is_the_pair() -> None:
    panel = loads(LAMPS.partition("[lamps.l3]")[0], "lamps")
    walk = VirtualWalk(panel, {"a": [fault_of_words(["shared_resistor", "l1", "l2"])]}).run()
    assert [group.name for group in walk.groups] == ["dark", "l1", "l2", "all lit"]
    assert [(f.kind, f.channels) for f in diagnose(panel, walk.evidence)] == [("shared resistor", ("a.l1", "a.l2"))]


def test_a_healthy_panel_is_asked_of_no_pair() -> None:
    walk = VirtualWalk(loads(LAMPS, "lamps"), {}).run()
    assert [group.name for group in walk.groups] == ["dark", "l1", "l2", "l3", "l4", "l5", "all lit"]


# --- what the evidence says -------------------------------------------------------------------------------------------


def evidence(panel: Panel, **failing: str) -> list[Any]:
    """Every output is well alone; with all lit, `failing` are ``dark`` or ``dim``."""
    names = {lamp.name: 1000 for lamp in panel.lamps}
    shows = {display.name: b"\xff" * display.digits for display in panel.displays}
    alone: list[Any] = [LampLook({name: 1000}) for name in names]
    alone += [DisplayLook(name, picture) for name, picture in shows.items()]
    seen = {
        name: Seen("dim") if failing.get(name) == "dim" else Seen() for name in names if failing.get(name) != "dark"
    }
    shown = {name: picture for name, picture in shows.items() if failing.get(name) != "dark"}
    return [*alone, LampLook(names, "otherwise" if failing else "same", seen, shown, shows=shows)]


TWO = LAMPS + '[displays.d1]\ndigits = 2\nchannel = "a.d1"\n'


@pytest.mark.parametrize(
    ("failing", "kind", "channels"),
    [
        ({}, "", ()),
        ({"l2": "dark"}, "not with others", ("a.l2",)),
        ({"d1": "dark"}, "not with others", ("a.d1",)),
        ({"l2": "dim", "l4": "dark"}, "shared resistor", ("a.l2", "a.l4")),
        ({**{f"l{n}": "dim" for n in range(1, 6)}, "d1": "dark"}, "weak supply", ("a",)),
    ],
)
def test_what_fails_only_with_the_others(failing: dict[str, str], kind: str, channels: tuple[str, ...]) -> None:
    panel = loads(TWO, "two")
    found = diagnose(panel, evidence(panel, **failing))
    assert [(finding.kind, finding.channels) for finding in found] == ([(kind, channels)] if kind else [])


@pytest.mark.parametrize(
    ("alone", "kinds"), [("7E30", {"not with others", "segment dead"}), ("FFFF", {"not with others"})]
)
def test_a_segment_that_was_never_looked_at_alone_may_be_dead(alone: str, kinds: set[str]) -> None:
    """7E30 (“01”) has no segment G in either digit; with all lit, G is missing in the second."""
    panel = loads(TWO, "two")
    picture = bytes.fromhex(alone)
    shown = bytes.fromhex("FFFE")
    both = LampLook({"l1": 1000}, "otherwise", {"l1": Seen()}, {"d1": shown}, shows={"d1": b"\xff\xff"})
    found = diagnose(panel, [LampLook({"l1": 1000}), DisplayLook("d1", picture), both])
    assert {finding.kind for finding in found} == kinds
    assert all((finding.either is None) == (len(kinds) == 1) for finding in found)


def test_what_is_dead_is_not_accused_again_where_all_is_lit() -> None:
    panel = loads(TWO, "two")
    looks = evidence(panel, l3="dark")
    looks[2] = LampLook({"l3": 1000}, "otherwise")
    assert [finding.kind for finding in diagnose(panel, looks)] == ["dead"]


def test_a_lamp_that_was_dark_by_itself_and_burns_with_the_others_is_loose_and_not_dead() -> None:
    panel = loads(TWO, "two")
    looks = evidence(panel)
    looks[2] = LampLook({"l3": 1000}, "otherwise")
    (finding,) = diagnose(panel, looks)
    assert (finding.kinds, finding.channels) == (("flickering", "loose"), ("a.l3",))


def test_one_reset_that_does_not_come_again_is_a_reset_and_no_weak_supply() -> None:
    panel = loads(TWO, "two")
    once = BoardTrouble("a", resets=1, causes=("power",), together={"resets": 1})
    (finding,) = diagnose(panel, [*evidence(panel), once])
    assert (finding.kind, finding.parts) == ("board reset", ())
    assert "once while all its outputs were lit together" in finding.because


counts = st.dictionaries(st.sampled_from(("resets", "lost", "missing")), st.integers(1, 9))


@given(counts, st.integers(0, 9000), st.integers(0, 9000))
def test_evidence_of_everything_lit_comes_back_as_it_was(together: dict[str, int], before: int, low: int) -> None:
    look = LampLook({"l1": 1000}, "otherwise", {"l1": Seen("dim")}, {"d1": b"\x7f\x00"}, 5, "", {"d1": b"\xff\xff"})
    trouble = BoardTrouble("a", resets=1, together=together, before_mv=before, together_mv=low)
    for each in (look, trouble):
        assert read(as_json(each)) == each
    twice = trouble.plus(trouble)
    assert twice.together == {name: 2 * count for name, count in together.items()}
    assert (twice.before_mv, twice.together_mv) == (before, low)


# --- within the budget ------------------------------------------------------------------------------------------------


@given(st.lists(st.integers(1, 60), min_size=1, max_size=12), st.integers(40, 200), st.integers(0, 3))
def test_no_look_takes_more_than_the_budget_and_every_output_that_fits_has_one(
    lamps: list[int], budget: int, displays: int
) -> None:
    panel = Panel(
        boards=(Board("a", budget_ma=budget),),
        lamps=tuple(Lamp(f"l{n}", "", Channel("a", f"l{n}"), current_ma=ma) for n, ma in enumerate(lamps)),
        displays=tuple(Display(f"d{n}", "", Channel("a", f"d{n}"), 3, segment_ma=2) for n in range(displays)),
        text="a file",
    )
    looks = rounds(panel, [part.name for part in panel.outputs])
    for look in looks:
        levels: dict[str, int | bytes] = {n: 1000 if n[0] == "l" else b"\xff" * 3 for n in look}
        assert current_ma(panel, "a", levels) <= budget + 1e-6
    fitting = {f"l{n}" for n, ma in enumerate(lamps) if ma <= budget} | {
        f"d{n}" for n in range(displays) if budget >= 48
    }
    assert sorted(name for look in looks for name in look) == sorted(fitting)


def test_what_the_budget_does_not_bear_at_once_is_asked_in_parts_and_said() -> None:
    panel = loads(LAMPS.replace("[boards.a]", '[boards.a]\nlabel = "Desk"\nbudget = "30 mA"'), "lamps")
    layout = PanelIndex.of(panel)
    group = plan(panel)[-1]
    looks = steps(layout, group, {})
    assert [step.parts for step in looks] == [("l1", "l2", "l3"), ("l4", "l5")]
    ask = prompt_for(layout, looks[1], 0, 5, False).ask
    assert ask.endswith("All at once is more than the current budget of Desk allows: this is part 2 of 2.")


def test_a_board_is_lit_where_all_its_outputs_are_asked_about_or_have_been() -> None:
    panel = loads(LAMPS.replace('"a.l5"', '"b.l5"').replace("[boards.a]", "[boards.a]\n[boards.b]"), "lamps")
    four = ("l1", "l2", "l3", "l4")
    assert plan(panel, ("l1", "l2"))[-1].kind == "lamp"
    assert plan(panel, four)[-1].parts == four
    assert plan(panel, ("l1",), asked_before=("l2", "l3", "l4"))[-1].parts == four
    assert plan(panel, ("l5",))[-1].kind == "lamp"  # one alone has been looked at
    assert plan(panel)[-1].parts == (*four, "l5")


# --- what a person answers --------------------------------------------------------------------------------------------


@given(
    st.dictionaries(st.sampled_from(("l1", "l2", "d1")), st.sampled_from(("dark", "dim")), max_size=3),
)
def test_in_a_plain_terminal_and_on_the_console_one_names_what_is_not_lit(said: dict[str, str]) -> None:
    layout = PanelIndex.of(loads(TWO, "two"))
    parts = ("l1", "l2", "l3", "d1")
    step = Step("together", parts, 1)
    scene = Scene(prompt_for(layout, step, 0, 4, False), "look", 3, step, Wants(), {}, True)
    text = " ".join(f"dim:{name}" if how == "dim" else name for name, how in said.items())
    typed = understood(text, scene, layout)
    look = LookTaken(step)
    for name, how in said.items():
        look.point(name)
        if how == "dim":
            look.looks("dim")
    pointed = look.answer(3, b"")
    assert (typed.word, dict(typed.lamps)) == (pointed.word, dict(pointed.lamps))
    if not said:
        assert typed.word == "same"
    else:
        lit = {n: Seen("dim") if said.get(n) == "dim" else Seen() for n in parts if said.get(n) != "dark"}
        assert dict(typed.lamps) == lit
    with pytest.raises(Trouble, match="'l4' is not among what is lit here; there are: l1, l2, l3, d1"):
        understood("l4", scene, layout)


def test_one_that_a_person_points_at_is_dark_and_the_displays_that_are_not_show_what_they_should() -> None:
    panel = loads(TWO, "two")
    walk = Walk(panel)
    walk.start({}, 0)
    while walk.group is not None and walk.group.kind != "together":
        walk.ready(walk.wants_number)
        walk.looked(walk.step_number)
    walk.ready(walk.wants_number)
    assert walk.step is not None
    look = LookTaken(walk.step)
    look.point("l2")
    answer = look.answer(walk.step_number, b"")
    walk.looked_otherwise(1, answer.lamps, answer.displays)
    taken = walk.done["all lit"].evidence[0]
    assert isinstance(taken, LampLook)
    assert (set(taken.seen), taken.displays) == ({"l1", "l3", "l4", "l5"}, {"d1": b"\xff\xff"})
    assert [(f.kind, f.parts) for f in diagnose(panel, walk.evidence)] == [("not with others", ("l2",))]


def test_a_panel_of_64_channels_takes_under_six_minutes_with_everything_lit() -> None:
    """The same as `tests/bench/walk_speed.py`, on the walk's own clock: 2 s an action."""
    for seed in range(1000):
        panel = random_panel(random.Random(seed))
        if sum(len(c.channels) for c in panel.controls) + len(panel.outputs) == 64:
            person = Person(panel, [], random.Random(seed), clumsy=0, action_us=2_000_000)
            began = person.now
            person.go()
            assert person.walk.done["all lit"].how == "done"
            assert person.now - began < 6 * 60_000_000
            return
    raise AssertionError("no panel of 64 channels")
