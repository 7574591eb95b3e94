"""Cases in which one thing looks like another: what is right must not be accused, and what lies under something else
must be found."""

from __future__ import annotations

import random
from typing import Any

from walk.small import TEXT, found, kinds, presses, put

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.findings import Finding
from benchcon.panel.file import loads


def on(text: str, evidence: list[Any]) -> list[Finding]:
    return diagnose(loads(text, "odd.toml"), evidence)


def test_a_matrix_said_to_have_no_diodes_whose_board_keeps_ghosts_to_itself_is_right() -> None:
    """Line protocol, section on notifications: what may be a ghost is sent as ``ghost``, once, and not as made."""
    text = TEXT.replace('columns = ["D24", "D25"]', 'columns = ["D24", "D25"]\ndiodes = false')
    keys = ("k00", "k01", "k10", "k11")
    none = dict.fromkeys(keys, 0)
    alone = [step for key in keys for step in presses(key, {**none, key: 1}, none)]
    three = ("k00", "k01", "k11")
    ghosts = {"ghosts": [f"a.{key}" for key in keys], "outcome": "otherwise"}
    held = [{**put(three, 1, **none), **ghosts}, put(three, 0, **none)]
    silent = [{**put(three, 1, **none), "outcome": "said"}, put(three, 0, **none)]
    assert on(text, [*alone, *held, *silent]) == []
    assert [f.kind for f in on(TEXT, [*alone, *held, *silent])] == ["ghost"]  # the panel said that there are diodes


GRAY = """
[boards.a]
[controls.range]
kind = "switch"
positions = ["1", "2", "3", "4", "5", "6", "7", "8"]
code = "gray"
channels = ["a.g0", "a.g1", "a.g2"]
"""


def test_a_coded_switch_that_breaks_before_it_makes_does_not_chatter() -> None:
    """Back from the last position to the first it passes all others, every contact open in between for 30 ms."""
    panel = loads(GRAY, "gray.toml")
    codes = panel.controls[0].codes
    steps = [
        {"what": "hand", "do": "put", "part": "range", "to": 0, "values": dict(zip(names(), codes[0], strict=True))}
    ]
    at = 1_000_000
    for old, new in [*((n, n + 1) for n in range(7)), (7, 0)]:
        changes = []
        way = range(old, new, 1 if new > old else -1)
        for here in way:
            there = here + (1 if new > old else -1)
            for code in ((0, 0, 0), codes[there]):
                at += 30_000
                changes += [[at, name, value, at] for name, value in zip(names(), code, strict=True)]
            at += 40_000
        values = dict(zip(names(), codes[new], strict=True))
        steps.append({"what": "hand", "do": "put", "part": "range", "to": new, "changes": changes, "values": values})
        at += 1_000_000
    assert diagnose(panel, steps) == []


def names() -> tuple[str, ...]:
    return ("a.g0", "a.g1", "a.g2")


TWO_BOARDS = """
[boards.a]
[boards.b]
[controls.one]
kind = "button"
channel = "a.i1"
[controls.two]
kind = "button"
channel = "b.i2"
"""


def test_a_short_between_two_boards_is_named() -> None:
    """The boards' clocks have nothing to do with each other; host times lie within what USB takes."""
    steps: list[dict[str, Any]] = []
    at = 1_000_000
    for part in ("one", "two"):
        for to in (1, 0):
            at += 800_000
            changes = [[at, "a.i1", to, at + 7], [at + 1700, "b.i2", to, at + 900_000]]
            steps.append({"what": "hand", "do": "put", "part": part, "to": to, "changes": changes})
    assert [(f.kind, f.channels, f.either) for f in on(TWO_BOARDS, steps)] == [("shorted", ("a.i1", "b.i2"), None)]


def test_contacts_that_bounce_for_long_on_every_edge_chatter() -> None:
    def step(to: int, at: int, lasts_us: int) -> dict[str, Any]:
        count = lasts_us // 3500 // 2 * 2 + 1  # an odd number of edges ends where it should
        edges = [[at + n * 3500, "a.b1", to ^ (n % 2), at + n * 3500] for n in range(count)]
        return {**put("b1", to, b1=to), "edges": edges}

    assert kinds([step(1, 0, 28_000), step(0, 900_000, 28_000)]) == [("chattering", ("a.b1",))]
    assert kinds([step(1, 0, 18_000), step(0, 900_000, 18_000)]) == [("chattering", ("a.b1",))]
    assert kinds([step(1, 0, 18_000), step(0, 900_000, 3_500)]) == []  # once may be a finger that fumbled


def test_a_contact_crossed_and_inverted_may_be_turned_round_at_either_end() -> None:
    one, two = {"b1": 0, "b2": 0}, {"b1": 1, "b2": 1}
    rest = {"b1": 0, "b2": 1}
    evidence = [put("b3", 0, **rest), *presses("b1", one, rest), *presses("b2", two, rest)]
    said = {(f.kind, f.channels, f.either is not None) for f in found(evidence)}
    assert [f.kind for f in found(evidence) if f.patch] == ["crossed"]  # one patch must not undo another
    assert said == {
        ("crossed", ("a.b1", "a.b2"), False),
        ("inverted", ("a.b1",), True),
        ("inverted", ("a.b2",), True),
    }


def test_a_short_of_which_one_contact_is_broken_is_found_as_both() -> None:
    none = {"b1": 0, "b2": 0}
    evidence = [*presses("b1", none, none) * 2, *presses("b2", {"b1": 1, "b2": 1}, none) * 2]
    assert set(kinds(evidence)) == {("shorted", ("a.b1", "a.b2")), ("open", ("a.b1",))}


def test_a_ghost_at_a_key_that_is_crossed_with_another_is_found() -> None:
    text = TEXT.replace('columns = ["D24", "D25"]', 'columns = ["D24", "D25", "D26"]').replace(
        "[lamps.l1]", '[controls.k12]\nkind = "button"\nchannel = { id = "a.k12", pin = "keys.r1c2" }\n[lamps.l1]'
    )
    none = dict.fromkeys(("k00", "k01", "k10", "k11", "k12"), 0)
    evidence = presses("k10", {**none, "k12": 1}, none) + presses("k12", {**none, "k10": 1}, none)
    three = ("k00", "k01", "k11")
    evidence += [put(three, 1, **{**none, "k00": 1, "k01": 1, "k11": 1, "k10": 1}), put(three, 0, **none)]
    assert {(f.kind, f.channels) for f in on(text, evidence)} == {
        ("crossed", ("a.k10", "a.k12")),
        ("ghost", ("a.k10",)),
    }


def test_a_turn_that_was_said_to_be_done_and_was_not_proves_nothing() -> None:
    def turn(by: int, counts: int, start: int) -> dict[str, Any]:
        return {
            "what": "hand",
            "do": "turn",
            "part": "enc",
            "to": by,
            "before": {"a.enc": start},
            "values": {"a.enc": start + counts},
        }

    assert found([turn(10, 0, 100), turn(-10, -40, 100), turn(10, 40, 60), turn(-10, -40, 100)]) == []


def test_an_open_potentiometer_that_wanders_is_open_and_not_noisy_as_well() -> None:
    wander = [300, 520, 310, 540, 290, 560, 305]
    changes = [[n * 50_000, "a.vol", value] for n, value in enumerate(wander)]
    step = {"what": "hand", "part": "vol", "changes": changes, "values": {"a.vol": 305}}
    evidence = [{**step, "do": "end", "to": 0}, {**step, "do": "end", "to": 1}, {**step, "do": "still"}]
    (finding,) = found(evidence)
    assert (finding.kind, finding.channels, finding.detail["floats"]) == ("open", ("a.vol",), 270)
    assert "wanders by 270 counts" in finding.because


def test_displays_of_unlike_length_that_are_crossed_are_crossed_and_no_more() -> None:
    text = TEXT.replace("[displays.d2]\ndigits = 3", "[displays.d2]\ndigits = 6")
    long, short = "7E30" + "6D79337F", "7E306D"
    evidence = [
        {"what": "display", "part": "d1", "set": short, "seen": "", "displays": {"d2": short + "000000"}},
        {"what": "display", "part": "d2", "set": long, "seen": "", "displays": {"d1": long[:6]}},
        {"what": "display", "part": "d2", "set": "000000795F70", "seen": "", "displays": {}},
    ]
    assert [(f.kind, f.channels) for f in on(text, evidence)] == [("crossed", ("a.d1", "a.d2"))]


def test_a_lamp_that_burns_only_in_the_dark_and_weakly_is_inverted_and_dim() -> None:
    dark = {"what": "lamps", "set": {}, "seen": {"l1": {"level": "dim"}}}
    own = {"what": "lamps", "set": {"l1": 1000}, "seen": []}
    other = {"what": "lamps", "set": {"l2": 1000}, "seen": {"l2": {}, "l1": {"level": "dim"}}}
    assert set(kinds([dark, own, other])) == {("inverted", ("a.l1",)), ("dim", ("a.l1",))}


def test_evidence_that_contradicts_itself_is_told_as_unexplained() -> None:
    """A loose common makes contacts read what they like: no set of faults explains it, and nothing is `good`."""
    parts = ("b1", "b2", "b3", "k00", "k01", "k10", "k11")
    rng = random.Random(5)
    evidence = []
    for part in parts * 4:
        for to in (1, 0):
            values = {other: rng.randrange(2) if rng.random() < 0.3 else 0 for other in parts}
            evidence.append(put(part, to, **{**values, part: to}))
    said = found(evidence)
    assert "unexplained" in [finding.kind for finding in said]
    assert "no known fault explains it" in " ".join(finding.because for finding in said)


def test_three_contacts_stuck_made_are_three_and_not_one_that_touches() -> None:
    """Common practice, no source: a short shows when somebody works it; here nobody has, and nothing changes."""
    made = {"b1": 1, "b2": 1, "b3": 1}
    evidence = [put("t1", 0, **made)]
    for part in ("b1", "b2", "b3"):
        evidence += presses(part, made, made)
    assert {(f.kind, f.channels, f.either) for f in found(evidence)} == {
        ("stuck", ("a.b1",), None),
        ("stuck", ("a.b2",), None),
        ("stuck", ("a.b3",), None),
    }


def test_a_contact_that_is_made_beside_a_switch_that_nobody_has_put_off_may_touch_it() -> None:
    """Part of a walk: the switch t1 stands on, and may feed b1, which shows only when it is put off."""
    made = {"b1": 1, "t1": 1}
    partly = presses("b1", made, made)
    assert {(f.kind, f.channels, f.either is None) for f in found(partly)} == {
        ("stuck", ("a.b1",), False),
        ("shorted", ("a.b1", "a.t1"), False),
    }
    put_off = [*partly, put("t1", 0, b1=1, t1=0), put("t1", 1, b1=1, t1=1)]
    assert [(f.kind, f.channels, f.either) for f in found(put_off)] == [("stuck", ("a.b1",), None)]


def test_three_lamps_always_on_are_not_lit_together() -> None:
    burning = {"l1": {}, "l2": {}, "l3": {}}
    evidence = [{"what": "lamps", "set": {}, "seen": burning}]
    evidence += [{"what": "lamps", "set": {name: 1000}, "seen": burning} for name in ("l1", "l2", "l3")]
    assert {(f.kind, f.channels, f.either) for f in found(evidence)} == {
        ("always on", ("a.l1",), None),
        ("always on", ("a.l2",), None),
        ("always on", ("a.l3",), None),
    }


def test_a_lamp_that_burns_always_need_not_be_pointed_at_while_displays_are_looked_at() -> None:
    """With all lit together a display may come without any lamp: that is no look with all dark."""
    evidence = [
        {"what": "lamps", "set": {}, "seen": {"l1": {}}},
        *({"what": "lamps", "set": {name: 1000}, "answer": "same"} for name in ("l1", "l2", "l3")),
        {"what": "lamps", "set": {}, "shows": {"d1": "FF"}, "answer": "same"},
    ]
    assert {(f.kind, f.channels, f.either) for f in found(evidence)} == {("always on", ("a.l1",), None)}


def test_three_contacts_that_touch_are_still_one_short() -> None:
    none, all_ = {"b1": 0, "b2": 0, "b3": 0}, {"b1": 1, "b2": 1, "b3": 1}
    evidence = [step for part in ("b1", "b2", "b3") for step in presses(part, all_, none)]
    assert [(f.kind, set(f.channels)) for f in found(evidence)] == [("shorted", {"a.b1", "a.b2", "a.b3"})]


def test_what_leaves_moves_unexplained_is_never_told_as_certain() -> None:
    """Two wires swapped, and both come and go while others are worked: one cause may be behind all of it."""
    rng = random.Random(3)
    others = ("b3", "k00", "k01", "k10", "k11")
    evidence = []
    for part in ("b1", "b2", *others) * 4:
        for to in (1, 0):
            values = {each: rng.randrange(2) for each in ("b1", "b2")} if part in others else {"b1": 0, "b2": 0}
            moved = {"b1": "b2", "b2": "b1"}.get(part, part)
            evidence.append(put(part, to, **{**values, moved: to}))
    said = found(evidence)
    assert {"crossed", "unexplained"} <= {finding.kind for finding in said}
    assert all(finding.either is not None for finding in said)
    alone = [step for step in evidence if step["parts"][0] in ("b1", "b2")]
    assert [(f.kind, f.either) for f in found(alone)] == [("crossed", None)]
