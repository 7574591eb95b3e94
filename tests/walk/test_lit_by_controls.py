"""Nothing lights while controls are worked: what does is told with one key, and named with the control."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from console.looking import console
from hypothesis import given
from hypothesis import strategies as st
from walk.desks import Desks, Scripted
from walk.in_virtual_time import VirtualWalk
from walk.small import small

from benchcon.console.walk.screen import WalkScreen
from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Change, HandStep, LampLook, Seen, as_json, read
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.panel.file import loads
from benchcon.rig.faults import fault_of_words
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.journal import resume
from benchcon.walk.machine import Walk
from benchcon.walk.plain import understood
from benchcon.walk.plan import Step
from benchcon.walk.prompts import prompt_for
from benchcon.walk.runner import Runner
from benchcon.walk.wants import Wants


@pytest.mark.slow
def test_on_simulated_desks_the_programs_own_hand_finds_it(desks: Desks) -> None:
    desks.hands["power"].fault("lit_by_a_control", "sw_batt", "l_main")
    (finding,) = desks.findings(["battery", "standby", "mains_fail"])
    assert (finding.kind, finding.channels) == ("lit by a control", ("power.l_main", "power.sw_batt"))
    assert finding.parts == ("mains_fail", "battery")
    assert finding.because == "“Mains fail” lights when “Battery” is worked, with all outputs off (seen 2 times)"
    assert "J2 pin 1" in finding.look_first
    assert "J1 pin 4" in finding.look_first


def walking(*only: str) -> Walk:
    walk = Walk(small(), only)
    walk.start({key: 0 for key, spot in walk.layout.spots.items() if spot.kind != "lamp"}, 1_000_000)
    while walk.state != "ask":
        if walk.state == "light":
            walk.ready(walk.wants_number)
        if walk.state == "look":
            walk.looked(1_000_000)
        due = walk.due_us()
        if due is not None:
            walk.tick(due)
    return walk


def lit_by(walk: Walk) -> list[tuple[tuple[str, ...], int, tuple[str, ...]]]:
    return [(e.parts, e.to, e.lit) for e in walk.evidence if isinstance(e, HandStep) and e.do == "put"]


def test_the_key_belongs_to_what_was_worked_though_the_walk_has_gone_on() -> None:
    walk = walking("b1", "b2")
    walk.heard(Change(2_000_000, "a.b1", 1), 2_000_000)
    walk.tick(2_030_000)
    assert walk.step == Step("put", ("b1",), 0)
    assert walk.lit(["l2"])  # nothing has moved since: it lit with the press
    walk.heard(Change(3_000_000, "a.b1", 0), 3_000_000)
    walk.tick(3_030_000)
    assert lit_by(walk)[:2] == [(("b1",), 1, ("l2",)), (("b1",), 0, ())]
    assert walk.progress.again  # and it is asked once more


def test_a_control_that_is_done_already_takes_it_and_so_does_the_journal() -> None:
    walk = walking("b1", "b2")
    lines: list[dict[str, Any]] = []
    for number, value in enumerate((1, 0), 2):
        walk.heard(Change(number * 1_000_000, "a.b1", value), number * 1_000_000)
        walk.tick(number * 1_000_000 + 30_000)
        lines += walk.journal(number * 1_000_000 + 900_000)
    assert walk.step == Step("put", ("b2",), 1)
    assert [line["done"] for line in lines] == ["rest", "b1"]  # it is on disk
    assert walk.lit([""])
    lines += walk.journal()
    done = {each.group.name: each for each in resume(lines)}
    assert [e.lit for e in done["b1"].evidence if isinstance(e, HandStep)] == [(), ("",)]


def test_nothing_was_worked_yet_and_nothing_is_noted() -> None:
    walk = Walk(small(), ("b1", "l1"))
    walk.start({}, 0)
    assert not walk.lit(["l1"])


def presses(*lit: tuple[str, ...], part: str = "b1", to: int = 1) -> list[HandStep]:
    steps = []
    for names in lit:
        steps.append(HandStep("put", (part,), to, values={f"a.{part}": 1}, lit=names))
        steps.append(HandStep("put", (part,), 0, values={f"a.{part}": 0}))
    return steps


@pytest.mark.parametrize(
    ("evidence", "found"),
    [
        (presses(("l1",), ("l1",)), [("lit by a control", ("a.l1", "a.b1"))]),
        (presses(("l1",)), [("lit by a control", ("a.l1", "a.b1"))]),
        (presses(("l1",), (), ()), []),  # once of three times is a slip of the key
        (presses(("d1",), ("d1",)), [("lit by a control", ("a.d1", "a.b1"))]),
        (presses(("",), ("",)), [("lit by a control", ("a.b1",))]),
        (presses(("",), ("l1",)), [("lit by a control", ("a.l1", "a.b1"))]),  # then it was said which
        (
            [step for part in ("b1", "b2", "b3") for step in presses(("l1",), ("l1",), part=part)],
            [("unexplained", ("a.l1",))],
        ),
    ],
)
def test_what_is_made_of_it(evidence: list[Any], found: list[tuple[str, tuple[str, ...]]]) -> None:
    assert [(f.kind, f.channels) for f in diagnose(small(), [LampLook(), *evidence])] == found


STANDS = """\
[panel]
[boards.a]
[controls.s1]
kind = "switch"
channel = "a.s1"
[controls.s2]
kind = "switch"
channel = "a.s2"
[controls.b1]
kind = "button"
channel = "a.b1"
[lamps.l1]
channel = "a.l1"
[lamps.l2]
channel = "a.l2"
"""
FED = '[supplies.mains]\nfeeds = ["a"]\non_when = [{ %s = "on" }]\n'


@pytest.mark.parametrize(
    ("more", "kinds"),
    [
        ("", ["lit by a control", "always on"]),  # it may be what feeds the lamp: nobody says
        (FED % "s1", ["lit by a control"]),  # s2 feeds nothing
        (FED % "s2", ["always on"]),
    ],
)
def test_a_lamp_that_comes_back_with_a_contact_that_stood_made_is_lit_by_it(more: str, kinds: list[str]) -> None:
    """It burns with all dark and in each look, but it was out while the contact was open, and came when it was made."""
    panel = loads(STANDS + more)
    fault = fault_of_words(["lit_by_a_control", "s2", "l2"])
    walk = VirtualWalk(loads(STANDS), {"a": [fault]}, 1, stands={"s2": 1}).run()
    found = diagnose(panel, walk.evidence)
    assert [finding.kind for finding in found] == kinds
    assert all(bool(finding.either) == (len(kinds) > 1) for finding in found)
    assert found[0].channels == (("a.l2", "a.s2") if len(kinds) > 1 or kinds[0] != "always on" else ("a.l2",))


def test_so_it_is_if_another_lamp_is_dead_too() -> None:
    """The two lamps are judged together, and “always on” was then reported as certain."""
    faults = [fault_of_words(["lit_by_a_control", "s2", "l2"]), fault_of_words(["open", "l1"])]
    walk = VirtualWalk(loads(STANDS), {"a": faults}, 1, stands={"s2": 1}).run()
    found = diagnose(loads(STANDS), walk.evidence)
    certain = {(finding.kind, finding.channels): finding.is_certain for finding in found}
    assert certain == {
        ("dead", ("a.l1",)): True,
        ("lit by a control", ("a.l2", "a.s2")): False,
        ("always on", ("a.l2",)): False,
    }


def test_a_lamp_that_is_always_on_is_that_though_contacts_stand_made() -> None:
    panel = loads(STANDS)
    walk = VirtualWalk(panel, {"a": [fault_of_words(["always_on", "l2"])]}, 1, stands={"s1": 1, "s2": 1}).run()
    assert [(found.kind, found.either) for found in diagnose(panel, walk.evidence)] == [("always on", None)]


@pytest.mark.parametrize(("made", "asked"), [((), False), (("s2",), True), (("s1", "s2"), True)])
def test_a_contact_that_nobody_opened_may_be_what_lights_the_lamp(made: tuple[str, ...], asked: bool) -> None:
    """Nothing in the evidence can tell: it says so, and what to do."""
    panel = loads(STANDS)
    values = {f"a.{name}": int(name in made) for name in ("s1", "s2", "b1")}
    looks = [
        LampLook({}, "otherwise", {"l2": Seen()}),
        LampLook({"l1": 1000}, "otherwise", {"l1": Seen(), "l2": Seen()}),
    ]
    hands = [HandStep("rest", values=values)]
    hands += [HandStep("put", ("b1",), to, before=values, values={"a.b1": to}) for to in (1, 0)]
    found = diagnose(panel, [*looks, *hands, LampLook({"l2": 1000})])
    assert [(each.kind, each.channels) for each in found] == [
        ("always on", ("a.l2",)),
        *(("lit by a control", ("a.l2", f"a.{name}")) for name in made),
    ]
    assert all(bool(each.either) == asked for each in found)
    assert all("open it and look again" in each.because for each in found[1:])


def test_what_burns_with_all_dark_is_no_controls_doing() -> None:
    looks = [LampLook({}, "otherwise", {"l1": Seen()}), LampLook({"l1": 1000})]
    assert {f.kind for f in diagnose(small(), [*looks, *presses(("l1",), ("l1",))])} == {"always on"}


def test_a_lamp_that_nobody_named_is_told_as_something() -> None:
    (finding,) = diagnose(small(), presses(("",), ("",)))
    assert finding.because.startswith("something lights when “B1” is worked")


@given(st.lists(st.sampled_from(("", "l1", "d1")), unique=True))
def test_evidence_of_what_lit_comes_back_as_it_was(names: list[str]) -> None:
    step = HandStep("put", ("b1",), 1, lit=tuple(names))
    assert read(as_json(step)) == step


def test_in_a_plain_terminal_it_is_a_p_with_or_without_names() -> None:
    layout = PanelIndex.of(small())
    step = Step("put", ("b1",), 1)
    prompt = prompt_for(layout, step, 0, 1, False)
    assert "If something lit: p." in prompt.hint
    scene = Scene(prompt, "ask", 3, step, Wants(), {}, False)
    assert understood("p", scene, layout) == FaceAnswer("lit", 3, {"": Seen()})
    assert understood("p L2, d1", scene, layout) == FaceAnswer("lit", 3, {"l2": Seen(), "d1": Seen()})
    with pytest.raises(Trouble, match="there is no lamp or display 'b1'; there are: l1, l2, l3, d1, d2"):
        understood("p b1", scene, layout)


@pytest.mark.slow
def test_the_lamp_with_which_the_walk_says_right_is_not_taken_for_one(desks: Desks) -> None:
    """A proved lamp lights for a moment after each right step: that is the walk's own doing."""
    said: list[str] = []

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "look" and scene.steady:
            return FaceAnswer("same", scene.number)
        if len(said) > 40:
            return FaceAnswer("leave")
        if scene.state == "ask" and scene.step is not None:
            threading.Timer(0.25, desks.hands["power"].put, (scene.step.parts[0], scene.step.to)).start()
            said.append("")
            if len(said) > 1:  # the step before was right, and said so
                face.post(FaceAnswer("lit", 0, {"": Seen()}))
                face.post(FaceAnswer("lit", 0, {"mains_fail": Seen()}))
                face.post(FaceAnswer("lit", 0, {"standby_fail": Seen()}))
        return None

    face = Scripted(act)
    face.simulated = False
    walk = Walk(desks.panel, ["battery", "mains_fail"], rest_us=50_000)
    assert Runner(desks.session, walk, face, blink_s=0.0).run()
    lit = {name for e in walk.evidence if isinstance(e, HandStep) for name in e.lit}
    assert lit == {"standby_fail"}
    assert "“Mains fail” lights for a moment to say “right”; if another lit, say which" in face.warnings
    assert "noted: Standby fail lit while a control was worked" in face.warnings


async def test_on_the_console_it_is_one_key_on_the_controls_own_step(
    desks: Desks, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    async with console(desks.session, (80, 24)) as eyes:
        await eyes.press("t")
        await eyes.see("Walk: what?")
        await eyes.press("c")
        await eyes.see("Walk only")
        await eyes.press("ctrl+u", *"battery", "enter")
        await eyes.see("tested in turn")
        await eyes.press("ctrl+u", *"walked", "enter")
        await eyes.see("Set Battery to", "Something lit")
        assert isinstance(eyes.app.screen, WalkScreen)
        await eyes.press("p")
        await eyes.see("noted: something lit while a control was worked")
