"""Evidence goes to JSON and back unchanged, and what is no evidence is said to be none in one line."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.diagnosis.evidence import ACTIONS, OUTCOMES, Change, DisplayLook, HandStep, LampLook, Seen, as_json, read
from benchcon.errors import Trouble

numbers = st.integers(-(1 << 40), 1 << 40)
names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12)
changes = st.lists(st.builds(Change, numbers, names, numbers, st.integers(-1, 1 << 40)), max_size=4).map(tuple)
values = st.dictionaries(names, numbers, max_size=4)
pictures = st.binary(min_size=1, max_size=8)
hands = st.builds(
    HandStep,
    do=st.sampled_from(ACTIONS),
    parts=st.lists(names, min_size=1, max_size=3).map(tuple),
    to=st.integers(-20, 20),
    outcome=st.sampled_from(OUTCOMES),
    began_us=numbers,
    ended_us=numbers,
    before=values,
    values=values,
    changes=changes,
    edges=changes,
    readings=changes,
    invalid=values,
    ghosts=st.lists(names, max_size=2).map(tuple),
    note=st.text(max_size=8),
).filter(lambda hand: hand.do not in ("rest", "still") or hand.to == 0)
looks = st.builds(Seen, st.sampled_from(["full", "dim"]), st.sampled_from(["", "red", "blue"]), st.booleans())
lamp_looks = st.one_of(
    st.builds(LampLook, set=values, displays=st.dictionaries(names, pictures, max_size=2), at_us=numbers),
    st.builds(LampLook, set=values, answer=st.just("otherwise"), seen=st.dictionaries(names, looks, max_size=3)),
)
display_looks = st.builds(
    DisplayLook,
    part=names,
    set=pictures,
    answer=st.just("otherwise"),
    seen=pictures,
    displays=st.dictionaries(names, pictures, max_size=2),
    level=st.sampled_from(["full", "dim"]),
    flickering=st.booleans(),
    at_us=numbers,
    note=st.text(max_size=8),
)


@given(st.one_of(hands, lamp_looks, display_looks))
def test_json_and_back_is_the_same(evidence: HandStep | LampLook | DisplayLook) -> None:
    assert read(json.loads(json.dumps(as_json(evidence)))) == evidence


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
KEYS = "what do parts part to outcome before values changes edges readings invalid ghosts set seen answer displays"
keys = st.sampled_from([*KEYS.split(), "level", "flickering", "at_us", "note", "began_us"])


@given(st.dictionaries(keys, anything | st.sampled_from(["hand", "lamps", "display", "put", "rest", "a"]), max_size=9))
def test_whatever_is_no_evidence_gives_one_line_and_no_traceback(value: dict[str, Any]) -> None:
    try:
        read(value, "line 7")
    except Trouble as trouble:
        said = str(trouble)
    else:
        said = "line 7"
    assert said.startswith("line 7")
    assert "\n" not in said


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ({"what": "foot"}, "what is 'foot'; allowed: hand, lamps, display"),
        ({"what": "hand", "do": "push", "parts": ["a"]}, "do is 'push'; allowed: rest, put, turn, end, still"),
        ({"what": "hand", "do": "put"}, "'put' needs parts"),
        ({"what": "hand", "do": "rest", "changes": [[1, 2, 3]]}, "changes holds [1, 2, 3]"),
        ({"what": "display", "part": "d", "set": "7"}, "two hex digits for each digit of the display"),
        ({"what": "lamps", "seen": {"a": {"level": "bright"}}}, "level is 'bright'; allowed: full, dim"),
        ({"what": "hand", "do": "rest", "note": 5}, "note is 5; allowed: text"),
    ],
)
def test_what_is_wrong_is_named(value: dict[str, Any], said: str) -> None:
    with pytest.raises(Trouble, match="evidence") as caught:
        read(value)
    assert said in str(caught.value)


def test_press_and_release_are_short_for_put() -> None:
    press = read({"what": "hand", "do": "press", "part": "unit"})
    assert press == HandStep("put", ("unit",), 1)
    assert read({"what": "hand", "do": "release", "part": "unit"}) == HandStep("put", ("unit",), 0)
