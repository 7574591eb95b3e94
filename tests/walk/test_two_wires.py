"""A plug or a chip with two wires on it, both of which fail alike: the cause comes first, and it is a question."""

from __future__ import annotations

import pytest

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Evidence, HandStep, LampLook, Seen
from benchcon.panel.file import loads

PANEL = """\
[panel]
[boards.a]
[controls.b1]
kind = "button"
channel = { id = "a.b1", connector = "J1", connector_pin = "1" }
[controls.b2]
kind = "button"
channel = { id = "a.b2", connector = "J1", connector_pin = "2" }
[controls.b3]
kind = "button"
channel = { id = "a.b3", connector = "J2", connector_pin = "1" }
[lamps.l1]
channel = { id = "a.l1", connector = "J3", connector_pin = "1" }
[lamps.l2]
channel = { id = "a.l2", connector = "J3", connector_pin = "2" }
[lamps.l3]
channel = { id = "a.l3", connector = "J2", connector_pin = "2" }
"""


def seen(dead: set[str] = frozenset(), stuck: set[str] = frozenset(), panel: str = PANEL) -> list[Evidence]:
    read = loads(panel)
    out: list[Evidence] = [
        LampLook({}),
        HandStep("rest", values={f"a.{n}": int(n in stuck) for n in ("b1", "b2", "b3")}),
    ]
    for control in read.controls:
        for to in (1, 0, 1, 0):
            values = {f"a.{n}": int(n in stuck) for n in ("b1", "b2", "b3")}
            values[f"a.{control.name}"] = int(control.name in stuck or (to and control.name not in dead))
            out.append(HandStep("put", (control.name,), to, values=values))
    for lamp in read.lamps:
        lit = {} if lamp.name in dead else {lamp.name: Seen()}
        out.append(LampLook({lamp.name: 1000}, "otherwise", lit))
    return out


def told(evidence: list[Evidence], panel: str = PANEL) -> list[tuple[int, str, tuple[str, ...]]]:
    """Which choice (0: certain), kind, parts."""
    return [(f.either.choice if f.either else 0, f.kind, f.parts) for f in diagnose(loads(panel), evidence)]


def test_both_wires_of_a_plug() -> None:
    assert told(seen({"b1", "b2"})) == [(1, "common open", ("b1", "b2")), (2, "open", ("b1",)), (2, "open", ("b2",))]
    assert told(seen({"l1", "l2"})) == [(1, "common open", ("l1", "l2")), (2, "dead", ("l1",)), (2, "dead", ("l2",))]
    found = diagnose(loads(PANEL), seen({"b1", "b2"}))
    assert found[0].because == "neither of the two contacts on connector J1 of board a ever reads made"


def test_a_button_and_a_lamp_on_one_plug() -> None:
    found = diagnose(loads(PANEL), seen({"b3", "l3"}))
    assert [(f.either and f.either.choice, f.kind) for f in found] == [(1, "common open"), (2, "open"), (2, "dead")]
    assert "on connector J2 of board a nothing does anything" in found[0].because


def test_one_of_two_or_two_of_two_plugs_or_one_stuck_and_one_open_have_no_plug_in_common() -> None:
    assert told(seen({"b1"})) == [(0, "open", ("b1",))]
    assert told(seen({"b1", "b3"})) == [(0, "open", ("b1",)), (0, "open", ("b3",))]
    assert told(seen({"b1"}, {"b2"})) == [(0, "open", ("b1",)), (0, "stuck", ("b2",))]


def test_an_unwired_third_does_not_count_and_a_wired_one_that_works_does() -> None:
    third = '[controls.b4]\nkind = "button"\nchannel = { id = "a.b4", connector = "J1", connector_pin = "3" }\n'
    assert told(seen({"b1", "b2"}), PANEL + third + "wired = false\n")[0] == (1, "common open", ("b1", "b2"))
    works = [HandStep("put", ("b4",), to, values={"a.b4": to}) for to in (1, 0, 1, 0)]
    assert [kind for _, kind, _ in told([*seen({"b1", "b2"}), *works], PANEL + third)] == ["open", "open"]


@pytest.mark.parametrize(("value", "kind"), [(0, "open"), (1, "stuck")])
def test_a_chip_with_two_parts_on_it(value: int, kind: str) -> None:
    """Its output stands at one level, whichever it is."""
    chain = 'chains.165 = { data = "D12", clock = "A0", load = "A1", chips = 2 }\n'
    panel = f"[panel]\n[boards.a]\n{chain}" + "".join(
        f'[controls.b{n}]\nkind = "button"\nchannel = {{ id = "a.b{n}", pin = "165.{at}" }}\n'
        for n, at in enumerate((0, 1, 2, 3, 8, 9))
    )
    out: list[Evidence] = [HandStep("rest", values={f"a.b{n}": value if n > 3 else 0 for n in range(6)})]
    for n in range(6):
        for to in (1, 0, 1, 0):
            values = {f"a.b{m}": value if m > 3 else int(m == n and to) for m in range(6)}
            out.append(HandStep("put", (f"b{n}",), to, values=values))
    said = told(out, panel)
    assert said == [(1, "chip dead", ("b4", "b5")), (2, kind, ("b4",)), (2, kind, ("b5",))]
