"""What a hand does on the way is not taken for what it was asked for, and accuses nothing."""

from __future__ import annotations

import pytest

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Change, HandStep
from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.file import loads
from benchcon.walk.pace import NUDGE_US, ODD_US, ON_THE_WAY_US, patience
from benchcon.walk.plan import Step

PANEL = loads(
    """\
[boards.a]
[controls.mode]
kind = "switch"
positions = ["up", "off", "down"]
code = [[1, 0], [0, 0], [0, 1]]
channels = ["a.up", "a.down"]
[controls.power]
kind = "switch"
channel = "a.power"
[controls.test]
kind = "button"
channel = "a.test"
""",
    "clumsy.toml",
)
REST = {"a.up": 0, "a.down": 0, "a.power": 0, "a.test": 0}


@pytest.mark.parametrize(
    ("asked", "stands", "waits_us"),
    [
        pytest.param(("mode", 2), {"a.up": 1}, ON_THE_WAY_US, id="it stands at another of its positions"),
        pytest.param(("mode", 2), {"a.up": 1, "a.test": 1}, ODD_US, id="and something else has moved"),
        pytest.param(("mode", 2), {"a.power": 1}, NUDGE_US, id="only another switch has moved"),
        pytest.param(("power", 1), {"a.test": 1}, ODD_US, id="a switch of two positions has none on the way"),
    ],
)
def test_a_hand_that_rests_on_the_way_is_given_time(
    asked: tuple[str, int], stands: dict[str, int], waits_us: int
) -> None:
    name, to = asked
    values = REST | stands
    assert patience(PanelIndex.of(PANEL), Step("put", (name,), to), REST, values) == waits_us


def steps_of(late: bool) -> list[HandStep]:
    """The switch is put from end to end, seven times down; twice nothing came of it by the time that was waited.

    `late`: it came in the step after, in which the switch was to be put up again.
    """
    out: list[HandStep] = []
    values, now = dict(REST), 0

    def put(to: int, *changes: tuple[str, int]) -> None:
        nonlocal values, now
        before, began = dict(values), now
        moved = []
        for channel, value in changes:
            now += 500_000
            values = values | {channel: value}
            moved.append(Change(now, channel, value, now))
        now += 500_000
        outcome = "seen" if (values["a.up"], values["a.down"]) == ((1, 0), (0, 0), (0, 1))[to] else "otherwise"
        out.append(HandStep("put", ("mode",), to, outcome, began, now, before, dict(values), tuple(moved)))

    put(0, ("a.up", 1))
    for number in range(7):
        if number in (2, 4):
            put(2, ("a.up", 0))
            put(0, *([("a.down", 1)] if late else [("a.up", 1)]))
            if late:
                put(2)
                put(0, ("a.down", 0), ("a.up", 1))
        else:
            put(2, ("a.up", 0), ("a.down", 1))
            put(0, ("a.down", 0), ("a.up", 1))
    return out


def test_what_made_late_has_not_missed() -> None:
    assert [(f.kind, f.channels) for f in diagnose(PANEL, steps_of(late=False))] == [("misses", ("a.down",))]
    assert "misses" not in {f.kind for f in diagnose(PANEL, steps_of(late=True)) if f.channels == ("a.down",)}
