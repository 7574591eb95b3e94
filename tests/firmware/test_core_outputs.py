"""Outputs of the C core in virtual time: lightness, display drivers, dark from any state, `wink`."""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import pairwise

import pytest
from cie import luminance_of
from firmware.virtual import Board, board, check_of, needs_compiler

pytestmark = needs_compiler

TOP = 1023
"""A duty is in parts of this: ten bit planes."""


@pytest.fixture(scope="module")
def reference() -> Iterator[Board]:
    with board("reference") as running:
        yield running


@pytest.fixture
def fresh(reference: Board) -> Board:
    reference.command("pot", "p1", 0)
    reference.command("baud", 0)
    reference.command("supply", 5000)
    reference.command("reset", "reset")
    reference.settle()
    reference.run(30)
    return reference


def duty(running: Board, lightness: int) -> int:
    return int(running.command("duty", lightness)[0])


def test_duty_is_the_luminance_of_the_lightness(reference: Board) -> None:
    """CIE 1976 (ISO/CIE 11664-4), by colour-science: within one part in 1023, to the nearest almost always."""
    apart = []
    for lightness in range(1, 1001):
        exact = luminance_of(lightness / 10) / 100 * TOP
        apart.append(abs(duty(reference, lightness) - max(exact, 1.0)))
    assert max(apart) <= 0.6
    assert sum(value > 0.5 for value in apart) <= 20


def test_half_as_light_is_a_duty_of_18_42_percent(reference: Board) -> None:
    # L* 50 is Y 18.42 % (CIE 1976; any colour handbook)
    assert duty(reference, 500) / TOP == pytest.approx(0.1842, abs=0.5 / TOP)


def test_duty_never_falls_and_its_ends_are_dark_and_full(reference: Board) -> None:
    levels = [duty(reference, lightness) for lightness in range(1001)]
    assert levels[0] == 0
    assert levels[1] == 1  # the faintest light is still a light
    assert levels[1000] == TOP
    assert all(low <= high for low, high in pairwise(levels))


def test_a_lamp_that_cannot_be_dimmed_is_lit_from_half_on(fresh: Board) -> None:
    for level, lit in ((0x1F3, 0), (0x1F4, 1000), (0x3E8, 1000), (1, 0)):
        fresh.ask(f"set l1={level:03X} l2={level:03X}")
        assert fresh.lit() == {"l1": level, "l2": lit}


def test_the_drivers_are_set_up_as_their_data_sheet_asks(fresh: Board) -> None:
    """MAX7219/MAX7221 data sheet, register address map: decode mode, intensity, scan limit, shutdown, display test."""
    fresh.ask("set d1=7E30 d2=7E306D7933DB5FF0")
    wanted = {9: "00 00", 10: "0F 0F", 11: "07 07", 12: "01 01", 15: "00 00"}
    assert {number: fresh.command("registers", number)[0] for number in wanted} == wanted
    assert fresh.outputs("shown") == {"d1": "7E30", "d2": "7E306D7933DB5FF0"}


def test_the_drivers_are_written_again_each_second(fresh: Board) -> None:
    """A dip of the supply makes them forget: they wake up blank and shut down."""
    fresh.ask("set d1=7E30")
    fresh.command("forget")
    assert fresh.outputs("shown")["d1"] == "0000"
    fresh.run(1010)
    assert fresh.outputs("shown")["d1"] == "7E30"
    assert fresh.command("registers", 12) == ["01 01"]


def test_dark_at_once_with_the_window_full(fresh: Board) -> None:
    """Requests fill the window, their answers wait for a line at 115 200 baud: dark does not wait for them."""
    fresh.ask("set l1=3E8 l2=3E8 d1=7F7F")
    assert fresh.lit()["l1"] == 1000
    fresh.command("baud", 115_200)
    requests = b"".join(f">{tag:02X} item 04 {check_of(f'>{tag:02X} item 04')}\n".encode() for tag in range(1, 7))
    assert len(requests) <= 0x80 - 16
    began = int(fresh.command("time")[0])
    fresh.send(requests + b"\n>0A dark " + check_of(">0A dark").encode() + b"\n")
    said = fresh.run(1)
    assert fresh.lit() == {"l1": 0, "l2": 0}
    assert fresh.outputs("shown") == {"d1": "0000", "d2": "00" * 8}
    said += fresh.run(80)
    answers = [line for line in said if line.notification is None]
    assert [line.words[0] for line in answers] == [f"<{tag:02X}" for tag in (*range(1, 7), 10)]  # in their order
    assert int(answers[-1].words[2], 16) - began <= 10_000
    assert answers[-1].at_us - began > 20_000


def test_a_set_queued_before_dark_does_not_light_up_again(fresh: Board) -> None:
    fresh.command("baud", 115_200)
    text = "".join(
        f">{tag:02X} {words} {check_of(f'>{tag:02X} {words}')}\n"
        for tag, words in ((1, "item 04"), (2, "light"), (3, "set l1=3E8"), (4, "dark"))
    )
    fresh.send(text.encode())
    said = [line.words[:3] for line in fresh.run(60) if line.notification is None]
    assert said[1][1] == said[2][1] == "no"
    assert fresh.lit()["l1"] == 0
    assert fresh.ask("set l1=3E8").words[1:3] == ["no", "06"]


def test_dark_from_any_state(fresh: Board) -> None:
    rng = random.Random(7)
    for round_ in range(60):
        fresh.ask("light")
        for words in rng.sample(
            ("set l1=3E8", "set d2=FFFFFFFFFFFFFFFF", "wink", "raw sw1=1", "alive 0064", "name x"), 3
        ):
            fresh.send(f">05 {words} {check_of(f'>05 {words}')}\n".encode())
            fresh.command("run", rng.randrange(3000))
        if rng.random() < 0.5:
            fresh.send(b">07 set l1=3")  # half a line: an empty one comes before dark
        began = int(fresh.command("time")[0])
        fresh.send(b"\n>0B dark " + check_of(">0B dark").encode() + b"\n" if round_ % 2 else b"\n@@ dark\r")
        fresh.command("run", 10_000)
        assert fresh.lit() == {"l1": 0, "l2": 0}
        assert set("".join(fresh.outputs("shown").values())) == {"0"}
        said = [line for line in (*fresh.take(), *fresh.run(200)) if " dark " in line.body]
        assert int(said[0].words[2], 16) - began <= 10_000


def test_the_dead_man_darkens_at_its_time(fresh: Board) -> None:
    fresh.ask("set l1=3E8")
    fresh.ask("deadman 00C8", ms=1)
    assert fresh.run(190) == []
    assert fresh.lit()["l1"] == 1000
    (said,) = fresh.run(20)
    assert said.notification == "dark deadman"
    assert fresh.lit()["l1"] == 0
    assert fresh.ask("deadman 0000").body == "<01 deadman 0000"
    assert fresh.ask("light").words[1] == "light"


def flashes(running: Board, ms: int, ask_every: int | None = None) -> list[int]:
    """Times (ms) at which lamp 2 goes on."""
    found, was = [], 0
    for now in range(ms):
        if ask_every and now % ask_every == 0:
            running.send(b"@@ wink\r")
        running.command("run", 1000)
        lit = running.lit()["l2"]
        if lit and not was:
            found.append(now)
        was = lit
    running.take()
    return found


@pytest.mark.parametrize("ask_every", [None, 100, 260, 330, 2900])
def test_wink_never_flashes_more_than_three_times_a_second(fresh: Board, ask_every: int | None) -> None:
    """WCAG 2, success criterion 2.3.1, however often it is asked for."""
    if ask_every is None:
        fresh.ask("wink")
    times = flashes(fresh, 4000, ask_every)
    assert times
    for first, fourth in zip(times, times[3:], strict=False):
        assert fourth - first >= 1000
    if ask_every is None:
        assert 5 <= len(times) <= 7  # twice a second for three seconds
        assert fresh.lit() == {"l1": 0, "l2": 0}
