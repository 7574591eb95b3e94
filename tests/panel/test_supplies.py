"""Supplies: which controls switch what, read from the panel file, and what is on when."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.demo import panel_path
from benchcon.errors import Trouble
from benchcon.panel.file import load, loads
from benchcon.panel.supplies import Switched

OSTREY = load(panel_path())
OFF, ON = 0, 1
AUTO, STANDBY_OFF, STANDBY_ON = 0, 1, 2
S = 1_000_000


def at(mains: int, standby: int, battery: int) -> dict[str, int]:
    return {"mains": mains, "standby": standby, "battery": battery}


def test_any_source_will_do_and_one_that_starts_needs_its_time() -> None:
    switched = Switched(OSTREY)

    def on(positions: dict[str, int], now_s: float) -> bool:
        return switched.on(positions, round(now_s * S))["desks"]

    assert on(at(ON, AUTO, OFF), 0)
    assert not on(at(OFF, STANDBY_OFF, OFF), 1)
    assert on(at(OFF, STANDBY_ON, OFF), 2)
    assert on(at(ON, AUTO, OFF), 3)
    assert not on(at(OFF, AUTO, OFF), 4)
    assert switched.next_us(4 * S) == 7 * S
    assert not on(at(OFF, AUTO, OFF), 6.9)
    assert on(at(OFF, AUTO, OFF), 7)
    # The mains comes back and goes once more: the set has to start again.
    assert on(at(ON, AUTO, OFF), 8)
    assert not on(at(OFF, AUTO, OFF), 9)
    # The battery bridges it.
    assert on(at(OFF, AUTO, ON), 10)
    assert on(at(OFF, AUTO, OFF), 12)


POSITIONS = st.builds(at, st.integers(0, 1), st.integers(0, 2), st.integers(0, 1))


@given(st.lists(st.tuples(POSITIONS, st.integers(0, 5 * S)), max_size=30))
def test_it_is_on_when_somebody_who_reads_the_file_would_say_so(steps: list[tuple[dict[str, int], int]]) -> None:
    switched, now_us, waiting_us = Switched(OSTREY), 0, 0
    last: dict[str, int] = {}
    for positions, later_us in steps:
        now_us += later_us
        # For how long mains off and standby on auto have been seen to stand.
        stood = last.get("mains") == OFF and last.get("standby") == AUTO
        waits = positions["mains"] == OFF and positions["standby"] == AUTO
        waiting_us = waiting_us + later_us if stood and waits else 0
        wanted = positions["mains"] or positions["standby"] == STANDBY_ON or positions["battery"]
        assert switched.on(positions, now_us)["desks"] == bool(wanted or (waits and waiting_us >= 3 * S))
        last = positions


FILE = """\
[boards.b]
[controls.master]
kind = "switch"
channel = "s1"
[controls.dimmer]
kind = "pot"
channel = "p1"
[lamps.l]
channel = "l1"
[supplies.all]
feeds = ["b"]
on_when = [{ master = "on" }]
"""


@pytest.mark.parametrize(
    ("was", "put", "said"),
    [
        (
            '["b"]',
            '["bb"]',
            ':10: supplies.all feeds "bb", which is not a board, lamp or display of the panel; did you',
        ),
        ('["b"]', '["master"]', 'feeds "master", which is not a board, lamp or display'),
        (
            '{ master = "on" }',
            '{ mater = "on" }',
            ':12: supplies.all names "mater", which is not a button or switch; did',
        ),
        ('{ master = "on" }', '{ dimmer = "on" }', 'names "dimmer", which is not a button or switch'),
        ('"on" }', '"onn" }', 'has master = "onn"; allowed: off, on; did you mean "on"?'),
        ('"on" }', '"on", after = "3" }', "lacks its unit"),
        ('[{ master = "on" }]', '"master"', "a list of 1 to 16 sources is allowed"),
        ('[{ master = "on" }]', "[{}]", "names no control"),
        ('feeds = ["b"]\n', "", "lacks feeds"),
        ('feeds = ["b"]', 'feeds = ["b", "b"]', "feeds already"),
        ('kind = "switch"', 'kind = "switch"\nbegins = "om"', 'did you mean "on"?'),
    ],
)
def test_what_a_supply_cannot_be(was: str, put: str, said: str) -> None:
    assert loads(FILE).supplies[0].feeds == ("b",)
    with pytest.raises(Trouble) as trouble:
        loads(FILE.replace(was, put), "desk.toml")
    assert said in str(trouble.value)
