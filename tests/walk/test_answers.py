"""What a person says of the outputs, by keys or by words, becomes the answer that they meant."""

from __future__ import annotations

import pytest
from walk.small import small

from benchcon.console.walk.look import LookTaken
from benchcon.diagnosis.evidence import Change, HandStep, Seen
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.plain import understood
from benchcon.walk.plan import Step
from benchcon.walk.wants import Wants

LAYOUT = PanelIndex.of(small())


def scene(step: Step, wants: Wants | None = None) -> Scene:
    walk = Walk(small())
    return Scene(walk.prompt(), "look", 7, step, wants or Wants(), {}, True)


def test_words_name_lamps_and_displays_whatever_is_asked() -> None:
    dark = scene(Step("dark"))
    # 7E is a zero: segments A to F of any seven-segment display's data sheet.
    assert understood("l2, dim:l3 d1=0", dark, LAYOUT) == FaceAnswer(
        "otherwise", 7, {"l2": Seen(), "l3": Seen("dim")}, {"d1": bytes.fromhex("00007E")}
    )
    with pytest.raises(Trouble, match="there is no lamp 'd9=0'"):
        understood("d9=0", dark, LAYOUT)
    assert understood("", dark, LAYOUT).word == "same"


@pytest.mark.parametrize("typed", ["<", "dim"])
def test_a_lamp_or_display_that_is_dim_is_told_by_the_key_or_the_word(typed: str) -> None:
    said = understood(typed, scene(Step("lamp", ("l1",))), LAYOUT)
    assert said == FaceAnswer("otherwise", 7, {"l1": Seen("dim")})
    shown = understood(typed, scene(Step("display", ("d1",)), Wants(displays={"d1": b"\x7e"})), LAYOUT)
    assert (shown.level, shown.displays) == ("dim", {"d1": b"\x7e"})


def test_keys_put_a_lamp_right_and_take_it_back() -> None:
    look = LookTaken(Step("lamp", ("l1",)))
    assert look.answer(3, b"").word == "same"
    look.looks("dim")
    look.looks("blue")
    look.point("l2")
    assert look.words({"l1": "Mains", "l2": "Fail"}) == "Mains (dim, blue), Fail"
    look.point("l2")
    look.looks("flickering")
    assert look.answer(3, b"") == FaceAnswer("otherwise", 3, {"l1": Seen("dim", "blue", True)})


def test_how_a_lamp_looks_is_said_of_the_one_pointed_at_last() -> None:
    look = LookTaken(Step("lamp", ("l1",)))
    look.point("l1")
    look.point("l2")
    assert look.lamp == "l2"
    look.looks("dim")
    assert look.words({}) == "l1, l2 (dim)"
    look.point("l2")
    assert look.lamp == "l1"


def test_keys_put_displays_right_and_what_is_right_again_is_not_said() -> None:
    look = LookTaken(Step("display", ("d1",), 0, b"\x7e\x30\x6d"))
    look.shows("d1", b"\x7e\x30\x6c", b"\x7e\x30\x6d")
    look.shows("d1", b"\x7e\x30\x6d", b"\x7e\x30\x6d")
    assert look.answer(4, b"\x7e\x30\x6d").word == "same"
    look.looks("dim")
    assert look.answer(4, b"\x7e\x30\x6d") == FaceAnswer("otherwise", 4, displays={"d1": b"\x7e\x30\x6d"}, level="dim")
    dark = LookTaken(Step("dark"))
    dark.shows("d2", b"\0\1\0", b"\0\0\0")
    assert dark.answer(5, b"") == FaceAnswer("otherwise", 5, displays={"d2": b"\0\1\0"})


def test_what_is_done_is_in_the_journal_a_moment_later_though_nothing_more_happens() -> None:
    """So that a walk killed while it waits for a hand has lost nothing."""
    walk = Walk(small(), ("b1", "b2"))
    walk.start({"a.b1": 0, "a.b2": 0}, 0)
    now = walk.rest_us
    walk.tick(now)
    assert [line["done"] for line in walk.journal(now)] == ["rest"]
    for value in (1, 0):
        now += 500_000
        walk.heard(Change(now, "a.b1", value), now)
        now += 100_000
        walk.tick(now)
    assert walk.group is not None
    assert walk.group.name == "b2"
    assert walk.journal(now) == []  # late edges may still come
    (line,) = walk.journal(now + 300_000)
    assert line["done"] == "b1"
    assert all(isinstance(each, HandStep) for each in walk.done["b1"].evidence)
