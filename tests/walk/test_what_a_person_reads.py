"""What a person types and reads: labels for names, comparisons without noise, advice that fits the part."""

from __future__ import annotations

import re
from typing import Any

import pytest
from walk.small import small

from benchcon.demo import panel_path
from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import LampLook, Seen
from benchcon.diagnosis.findings import KINDS, BareFinding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.segments import Flaw, through
from benchcon.diagnosis.wording import _OF_DISPLAYS, _follows
from benchcon.errors import Trouble
from benchcon.panel.file import load, loads
from benchcon.report.walk import build, changes, not_compared
from benchcon.report.walk_page import page
from benchcon.walk.interfaces import Scene
from benchcon.walk.journal import FinishedStep
from benchcon.walk.machine import Walk
from benchcon.walk.patterns import pictures
from benchcon.walk.plain import understood
from benchcon.walk.plan import Group, Step
from benchcon.walk.wants import Wants

OSTREY = load(panel_path())
LAYOUT = PanelIndex.of(OSTREY)


def test_a_label_names_its_part_where_only_one_has_it() -> None:
    assert LAYOUT.named("Bus volts") == LAYOUT.named("bus VOLTS") == LAYOUT.named("bus_volts") == "bus_volts"
    with pytest.raises(Trouble, match="did you mean 'bus_volts'"):
        LAYOUT.named("bus_vlts")
    text = "[panel]\n[boards.a]\n"
    text += "".join(f'[lamps.l{n}]\nlabel = "Fail"\nchannel = "a.l{n}"\n' for n in (1, 2))
    with pytest.raises(Trouble, match="more than one part is called “Fail”: say which by its name, l1 or l2"):
        PanelIndex.of(loads(text)).named("Fail")


def test_what_lit_instead_may_be_said_in_the_words_of_the_question() -> None:
    """“Runway edge lit” is what the walk calls the lamp when it asks for it."""
    scene = Scene(Walk(OSTREY).prompt(), "look", 7, Step("lamp", ("approach_lit",)), Wants(), {}, True)
    answer = understood("Runway edge lit, dim:taxiway lit red:stop_bar_lit", scene, LAYOUT)
    assert answer.lamps == {"runway_lit": Seen(), "taxiway_lit": Seen("dim"), "stop_bar_lit": Seen("full", "red")}
    answer = understood("Wind speed=12", scene, LAYOUT)
    assert set(answer.displays) == {"wind_speed"}


def looks(*names: str, dead: tuple[str, ...]) -> list[dict[str, Any]]:
    return [
        {"what": "display", "part": name, "set": "FF" * LAYOUT.displays[name].digits, "answer": "otherwise", "seen": ""}
        if name in dead
        else {"what": "display", "part": name, "set": "FF" * LAYOUT.displays[name].digits, "answer": "same"}
        for name in names
    ]


ALL = ("wind_direction", "wind_speed", "pressure")


def test_displays_that_are_all_dead_on_one_chain_have_one_cause() -> None:
    """The demo's three displays hang on one chain of two MAX7219: no three of them fail on one day by themselves."""
    (finding,) = diagnose(OSTREY, looks(*ALL, dead=ALL))
    assert (finding.kind, finding.parts, finding.detail["chain"]) == ("common open", ALL, "MAX7219")
    assert "the MAX7219 chain of board met drives" in finding.because
    assert finding.look_first.startswith("the MAX7219 chain: its supply and ground, and its data, clock and load wires")
    two = diagnose(OSTREY, looks(*ALL, dead=ALL[:2]))
    assert [(each.kind, each.either and each.either.choice) for each in two] == [
        ("common open", 1),
        ("dead", 2),
        ("dead", 2),
    ]


def test_advice_for_a_display_speaks_of_displays() -> None:
    (finding,) = diagnose(OSTREY, looks(*ALL, dead=("pressure",)))
    said = finding.line() + finding.decide
    # It is the only one on its driver, which is the last of its chain.
    assert finding.kinds == ("dead", "open", "driver dead", "chip bridged")
    assert "long leg" not in said
    assert "diode" not in said
    dark = {"what": "lamps", "set": {}, "answer": "same"}
    lamp = {"what": "lamps", "set": {"crosswind": 1000}, "seen": {}}
    assert "the long leg is plus" in diagnose(OSTREY, [dark, lamp])[0].look_first


@pytest.mark.parametrize(
    ("flaw", "look_first"),
    [
        # MAX7219 data sheet 19-4452, pin configuration: SEG G is pin 17, SEG DP pin 22, SEG A pin 14.
        (Flaw("dead", (0,)), "the wire of segment G: {0}, pin 17 (SEG G) of chip 2 of the MAX7219 chain of board met"),
        (Flaw("stuck", (7,)), "the wire of segment P: {0}, pin 22 (SEG DP) of chip 2 of the MAX7219 chain"),
        (Flaw("swap", (0, 6)), "{0}, pins 17 (SEG G) and 14 (SEG A) of chip 2 of the MAX7219 chain of board met"),
        (Flaw("dead", (), (2,)), "the common of digit 3: {0}, pin 7219.10 of board met"),
        (Flaw("dead", (6,), (1,)), "segment A at digit 2, its joint, or the segment itself: {0}, pin 7219.9 of"),
    ],
)
def test_a_wire_of_a_display_is_named_by_the_pin_that_it_goes_to(flaw: Flaw, look_first: str) -> None:
    """The display's own pin in the panel file is that of its leftmost digit, which is another wire."""
    digits = LAYOUT.displays["pressure"].digits
    shown = [
        {"what": "display", "part": "pressure", "set": p.hex(), "seen": bytes(through((flaw,), tuple(p))).hex()}
        for p in pictures(digits)
    ]
    (finding,) = diagnose(OSTREY, shown)
    assert look_first.format("J2 pin 1-5, the grey ribbon wire") in finding.look_first


def test_three_leads_have_no_long_leg_that_is_plus() -> None:
    text = '[boards.a]\n[lamps.x]\ncolours = [{ colour = "red", channel = "r" }, { colour = "green", channel = "g" }]\n'
    steps = [{"what": "lamps", "set": {"x_red": 1000}, "seen": {}}, {"what": "lamps", "set": {}, "answer": "same"}]
    (finding,) = diagnose(loads(text), steps)
    assert finding.look_first.endswith("(the longest is the common one)")


def walked(*names: str, wrong: tuple[str, ...] = ()) -> dict[str, Any]:
    groups = [FinishedStep(Group("dark", "dark"), [LampLook()], "done")]
    groups += [FinishedStep(Group(name, "lamp", (name,)), [_look(name, name in wrong)], "done") for name in names]
    return build(OSTREY, groups, {"boards": [], "began": "2026-01-01"})


def _look(name: str, wrong: bool) -> LampLook:
    return LampLook({name: 1000}, "otherwise" if wrong else "same")


LAMPS = ("approach_lit", "runway_lit", "taxiway_lit", "crosswind")


def test_only_what_was_asked_is_compared_and_the_rest_is_one_line() -> None:
    old = walked(*LAMPS, wrong=("crosswind", "runway_lit"))
    new = walked("crosswind")
    lines = changes(old, new)
    assert lines[0] == "crosswind: faulty before, passed now"
    assert all("runway" not in line and "approach" not in line for line in lines)
    assert not_compared(old, new) == "3 parts not asked this time, and so not compared"
    assert (changes(old, old), not_compared(old, old)) == ([], "")


def test_the_head_of_a_finding_on_the_page_has_the_label() -> None:
    html = page(walked("runway_lit", wrong=("runway_lit",)), OSTREY)
    assert ": Runway edge lit</h3>" in html
    assert "?.</p>" not in html


def test_nothing_is_unwired_under_power_and_a_diode_test_is_not_the_last_word_on_a_blue_lamp() -> None:
    """A white or blue LED needs about 3 V forward (data sheets of such LEDs), more than many meters give."""
    said = [kind.decide for kind in KINDS.values()] + list(_OF_DISPLAYS.values())
    for text in said:
        for word in ("take the", "unplug", "swap the"):
            if word in text:
                assert "supply off" in text[: text.index(word)], text
    of_lamps = [kind.decide for kind in KINDS.values() if kind.group == "lamps and displays"] + list(
        _OF_DISPLAYS.values()
    )
    tests = [text for text in of_lamps if "diode test" in text]
    assert len(tests) == 3
    assert all("no blue, white or bright green LED, however good it is" in text for text in tests)


def test_positions_are_called_as_the_panel_calls_them() -> None:
    text = '[boards.a]\n[controls.mode]\nkind = "switch"\npositions = ["off", "arm", "auto", "test"]\n'
    text += 'code = [[0], [1], [2], [3]]\nchannel = { id = "a.mode" }\n'
    evidence = [
        {"what": "hand", "do": "put", "parts": ["mode"], "to": to, "values": {"a.mode": value}}
        for to, value in ((0, 0), (1, 2), (2, 1), (3, 3), (0, 0))
    ]
    (finding,) = diagnose(loads(text, "mode.toml"), evidence)
    assert "arm reads auto, auto reads arm" in finding.line()


def test_a_measurement_means_something_and_says_nothing() -> None:
    """A meter says nothing; and a part goes by its name, not by its channel."""
    assert [
        kind for kind, each in KINDS.items() if re.search(r"(?<!board )(?<!file )\bsays?\b(?! so)", each.decide)
    ] == []
    raw = BareFinding("follows", ("a.b1", "a.b2"))
    spots = [PanelIndex.of(small()).spots[key] for key in raw.channels]
    because, _ = _follows(PanelIndex.of(small()), raw, spots)
    assert because == "“B2” moves “B1” as well, but not the other way round"
