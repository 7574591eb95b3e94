"""The walk tests what feeds what: a supply off, and all that it feeds is dark; on by any source, and it is lit."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.console.walk.look import LookTaken
from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import SupplyLook, as_json, read
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.supplies import find
from benchcon.link import Bench
from benchcon.panel.file import load, loads
from benchcon.panel.model import Panel
from benchcon.panel.supplies import Switched, fed_by, switching
from benchcon.report.walk import build
from benchcon.report.walk_page import page
from benchcon.rig.boards import SimulatedBoards, start
from benchcon.session import LiveSession
from benchcon.walk.channel_changes import PanelBoards, missing_boards
from benchcon.walk.conditions import NO_SUPPLY, Conditions
from benchcon.walk.interfaces import Scene, SimulatedHandFace
from benchcon.walk.machine import Walk
from benchcon.walk.plain import understood
from benchcon.walk.plan import Step
from benchcon.walk.prompts import Prompt
from benchcon.walk.runner import Runner
from benchcon.walk.supply import named
from benchcon.walk.wants import Wants

PANEL = """\
[panel]
title = "Boat"
[boards.desk]
[boards.roof]
[controls.master]
kind = "switch"
begins = "on"
channel = "desk.s1"
[controls.shore]
kind = "switch"
positions = ["off", "auto", "on"]
channels = ["desk.a1", "desk.a2", "desk.a3"]
[controls.spare]
kind = "switch"
channel = "desk.s2"
[lamps.ready]
channel = "desk.l1"
[displays.depth]
digits = 2
channel = "desk.d1"
[lamps.beacon]
label = "Beacon"
channel = "roof.l1"
[lamps.stern]
channel = "roof.l2"
[supplies.outside]
feeds = ["roof", "depth"]
on_when = [{ master = "on" }, { shore = "on" }, { shore = "auto", master = "off", after = "0.4 s" }]
"""


class Boat:
    """The panel's boards, simulated, with a bench on them."""

    def __init__(self, path: Path, panel: Panel | None = None) -> None:
        path.write_text(PANEL, "utf-8")
        self.boards: SimulatedBoards = start(path)
        self.panel = panel or load(path)
        self.bench = Bench([board.port for board in self.boards.boards], panel=self.panel, keep=False)
        self.session = LiveSession(self.bench, self.panel, self.boards.hands)
        heard = threading.Event()
        self.session.subscribe(lambda events: heard.set())
        self.bench.start()
        while missing_boards(self.session, self.panel):
            assert heard.wait(20)
            heard.clear()

    def walk(self, *only: str) -> Walk:
        walk = Walk(self.panel, only, rest_us=150_000, still_us=150_000)
        face = SimulatedHandFace(self.boards.hands)
        assert Runner(self.session, walk, face, blink_s=0.0).run()
        assert not face.trouble
        return walk

    def close(self) -> None:
        self.session.close()
        self.boards.close()


@pytest.fixture
def boat(tmp_path: Path) -> Iterator[Boat]:
    boat = Boat(tmp_path / "boat.toml")
    yield boat
    boat.close()


def looks(walk: Walk) -> list[SupplyLook]:
    return [each for each in walk.evidence if isinstance(each, SupplyLook)]


@pytest.mark.slow
def test_off_is_dark_and_each_source_by_itself_lights_and_the_switches_are_put_back(boat: Boat) -> None:
    walk = boat.walk()
    fed = ("beacon", "stern", "depth")
    assert [(each.source, each.set, each.answer) for each in looks(walk)] == [(n, fed, "same") for n in range(4)]
    assert diagnose(boat.panel, walk.evidence) == []
    assert {done.how for done in walk.done.values()} == {"done"}
    assert boat.boards.hands["desk"].where()["master"] == 1
    report = build(boat.panel, walk.done.values(), {})
    assert {"name": "supply outside", "how": "done"}.items() <= report["steps"][-2].items()
    (told,) = report["supplies"]
    assert (told["label"], told["verdict"]) == ("Outside", "passed")
    assert [(look["with"], look["lit"], look["of"]) for look in told["looks"]] == [
        ("", 0, 3),
        ("“Master” at on", 3, 3),
        ("“Shore” at on", 3, 3),
        ("“Shore” at auto and “Master” at off", 3, 3),
    ]
    written = page(report, boat.panel, None)
    assert "What feeds what" in written
    assert "“Shore” at on: 3 of 3 lit" in written


@pytest.mark.slow
def test_a_lamp_that_is_supplied_past_the_switch_is_named(boat: Boat) -> None:
    boat.boards.hands["roof"].fault("supplied_past_the_switch", "l1")
    walk = boat.walk("master", "beacon", "stern")
    (finding,) = diagnose(boat.panel, walk.evidence)
    assert (finding.kind, finding.parts, finding.channels) == ("supplied past the switch", ("beacon",), ("roof.l1",))
    assert finding.because == "“Beacon” is lit with it switched off (supply “Outside”)"


@pytest.mark.slow
def test_a_supply_whose_switch_does_nothing_is_named_and_no_lamp_is_blamed(boat: Boat) -> None:
    boat.boards.hands["roof"].fault("supplied_past_the_switch", "l1", "l2")
    boat.boards.hands["desk"].fault("supplied_past_the_switch", "d1")
    (finding,) = diagnose(boat.panel, boat.walk("master").evidence)
    assert (finding.kind, finding.parts, finding.channels) == ("supplied past the switch", (), ("supply outside",))
    assert "all that “Outside” feeds is lit with it switched off" in finding.line()


@pytest.mark.parametrize("apart", [True, False])
def test_boards_that_are_not_joined_yet_are_named_beside_a_switch_that_does_nothing(apart: bool) -> None:
    """Desks on a table each have a supply of their own: the switch is well then, and no report of theirs says so."""
    one_board = PANEL.replace("roof.l", "desk.m").replace('"roof", "depth"', '"desk"')
    panel = loads(PANEL if apart else one_board)
    fed = tuple(part.name for part in fed_by(panel, panel.supplies[0]))
    (finding,) = find(PanelIndex.of(panel), [SupplyLook("outside", 0, fed, "otherwise", fed, 0)], (), ())
    assert "the switch: what it should switch is wired to the supply past it" in finding.line()
    assert ("each has a supply of its own" in finding.line()) == apart


@pytest.mark.slow
def test_a_source_that_is_wired_to_another_switch_is_named(tmp_path: Path) -> None:
    """The panel file says that the spare switch feeds it as well; the wires say otherwise."""
    boat = Boat(tmp_path / "boat.toml", loads(PANEL.replace("on_when = [", 'on_when = [{ spare = "on" }, ')))
    try:
        (finding,) = diagnose(boat.panel, boat.walk("spare").evidence)
        assert (finding.kind, finding.detail) == ("not supplied", {"supply": "outside", "source": 1})
        assert finding.because == "nothing that “Outside” feeds is lit with “Spare” at on"
    finally:
        boat.close()


@pytest.mark.slow
def test_a_lamp_that_never_lights_is_dead_and_not_without_supply(boat: Boat) -> None:
    boat.boards.hands["roof"].fault("dead", "l2")
    walk = boat.walk()
    (finding,) = diagnose(boat.panel, walk.evidence)
    assert (finding.kind, finding.channels) == ("dead", ("roof.l2",))


def test_a_supply_is_asked_about_with_a_control_that_switches_it_only() -> None:
    panel = loads(PANEL)
    assert [group.name for group in Walk(panel, ("spare", "beacon")).groups][-1] != "supply outside"
    assert Walk(panel, ("shore",)).groups[-1].parts == ("master", "shore", "beacon", "stern", "depth")
    unwired = loads(PANEL.replace('channel = "desk.s1"', 'channel = "desk.s1"\nwired = false'))
    walk = Walk(unwired)
    assert walk.groups[-2].parts == ("shore", "beacon", "stern", "depth")


def test_no_more_is_lit_together_than_the_budget_bears() -> None:
    lamps = "".join(f'[lamps.x{n}]\nchannel = "roof.x{n}"\ncurrent = "20 mA"\n' for n in range(30))
    panel = loads(PANEL.replace("[boards.roof]", '[boards.roof]\nbudget = "200 mA"') + lamps)
    walk = Walk(panel, ("master",))
    walk.start({"desk.s1": 0, "desk.s2": 0, "desk.a1": 1, "desk.a2": 0, "desk.a3": 0}, 0)
    while walk.group is not None and walk.group.kind != "supply":
        walk.skip(0)
    # 80 % of 200 mA: two lamps of 10 mA and seven of 20 mA; the display is on the other board.
    assert walk.step is not None
    assert walk.step.do == "no_supply"
    assert (
        "is switched off: all that it feeds (10 parts) is commanded to light, and should stay dark" in walk.prompt().ask
    )
    assert len(walk.step.parts) == 2 + 7 + 1
    assert set(walk.wants.lamps) | set(walk.wants.displays) == set(walk.step.parts)


positions = st.fixed_dictionaries({"master": st.integers(-1, 1), "shore": st.integers(-1, 2)})


@given(positions, st.integers(0, 3))
def test_the_controls_are_put_where_just_that_source_feeds(now: dict[str, int], number: int) -> None:
    """Held against `Switched`, by which simulated boards are fed."""
    panel = loads(PANEL)
    supply = panel.supplies[0]
    source = supply.sources[number - 1] if number else None
    to = switching(panel, supply, source, now)
    assert to is not None
    switched = Switched(panel)
    switched.on(to, 0)
    assert switched.on(to, 500_000) == {"outside": number > 0}
    ways = [{"master": m, "shore": s} for m in range(2) for s in range(3)]
    alone = [
        w
        for w in ways
        if [switched_by(panel, w, each) for each in supply.sources] == [each is source for each in supply.sources]
    ]
    if alone:
        assert to in alone
        assert sum(now[k] != to[k] for k in to) == min(sum(now[k] != w[k] for k in w) for w in alone)


def switched_by(panel: Panel, at: dict[str, int], source: object) -> bool:
    words = {"master": ("off", "on"), "shore": ("off", "auto", "on")}
    return all(words[name][at[name]] == word for name, word in source.at)  # type: ignore[attr-defined]


@given(
    st.builds(
        SupplyLook,
        st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True),
        st.integers(0, 9),
        st.lists(st.sampled_from("abc"), max_size=3).map(tuple),
        st.sampled_from(("same", "otherwise", "skipped")),
        st.lists(st.sampled_from("abc"), max_size=3).map(tuple),
        st.integers(0, 1 << 40),
        st.text(max_size=9),
    )
)
def test_a_look_at_a_supply_is_written_and_read_back(look: SupplyLook) -> None:
    again = read(as_json(look))
    assert isinstance(again, SupplyLook)
    assert (again.supply, again.source, again.set, again.shone) == (look.supply, look.source, look.set, look.shone)


@pytest.mark.parametrize(
    ("do", "typed", "lit"),
    [("no_supply", "beacon", {"beacon"}), ("supplied", "Beacon, depth", {"stern"}), ("supplied", "x", set())],
)
def test_a_person_names_what_is_not_as_it_should_be(do: str, typed: str, lit: set[str]) -> None:
    panel = loads(PANEL)
    step = Step(do, ("beacon", "stern", "depth"), 1, supply="outside")
    scene = Scene(Prompt("", "", ""), "look", 7, step, Wants(), {}, True)
    answer = understood(typed, scene, PanelIndex.of(panel))
    assert (answer.word, set(answer.lamps)) == ("otherwise", lit)
    if typed != "x":
        look = LookTaken(step)
        for name in typed.lower().split(", "):
            look.point(name)
        assert set(look.answer(7, b"").lamps) == lit


def test_the_prompt_says_what_to_look_at() -> None:
    panel = loads(PANEL)
    walk = Walk(panel, ("master",))
    walk.start({"desk.s1": 1, "desk.s2": 0, "desk.a1": 1, "desk.a2": 0, "desk.a3": 0}, 0)
    while walk.group is not None and walk.group.kind != "supply":
        walk.skip(0)
    assert walk.prompt().ask == "Set Master to off."


def test_boards_are_listed_as_a_sentence_lists_them() -> None:
    assert named(["met"]) == "'met'"
    assert named(["met", "power"]) == "'met' and 'power'"
    assert named(["lighting", "met", "power"]) == "'lighting', 'met' and 'power'"


def test_a_look_is_doubted_once_where_the_supply_goes_because_a_switch_was_moved(boat: Boat) -> None:
    """The next step takes the supply away: that alone would have each answer before it asked again and again."""
    conditions = Conditions(PanelBoards(boat.session, boat.panel), PanelIndex.of(boat.panel))

    def gone(answered_us: int, moved_us: int) -> list[str]:
        conditions._doubtful["roof", True] = "stern", answered_us
        conditions.supplied.moved_us = moved_us
        return conditions._happened_to("roof", NO_SUPPLY)

    assert [gone(100, moved_us=200) for _ in range(3)] == [["stern"], [], []]
    assert [gone(300, moved_us=200) for _ in range(2)] == [["stern"], ["stern"]]  # nobody switched it off
