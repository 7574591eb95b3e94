"""The link on the simulated desks, faults and all: what a user of the demo would see."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest
from link.boards import LONG_S, Watched, did

from benchcon.demo import Demo, panel_path, start
from benchcon.link import PortInfo, say
from benchcon.panel.file import load
from benchcon.wire import events as ev

pytestmark = pytest.mark.slow

Benches = Callable[..., Watched]


@pytest.fixture
def desks() -> Iterator[Demo]:
    with start(seed=7) as demo:
        yield demo


def all_live(here: Watched, desks: Demo) -> dict[str, int]:
    """Wait until every desk answers; return their numbers by ident."""

    def live(infos: list[PortInfo]) -> bool:
        return sum(info.stage == "live" for info in infos) == len(desks.boards)

    assert here.bench.wait(live, LONG_S), here.bench.ports()
    return {info.ident: info.source for info in here.bench.ports()}


def test_the_desks_come_up_and_are_driven_within_their_budget(desks: Demo, bench: Benches) -> None:
    panel = load(panel_path())
    here = bench(*[desk.port for desk in desks.boards], panel=panel)
    numbers = all_live(here, desks)
    assert numbers == {"lighting": 1, "met": 2, "power": 3}
    for lamp in panel.lamps:
        did(here.bench.set_lamp(numbers[lamp.channel.board], lamp.channel.id, 600))
    for lamp in panel.lamps:
        assert desks.hands[lamp.channel.board].lit()[lamp.channel.id] == 600
    assert here.bench.held_back == {}
    assert here.bench.dark().result(LONG_S).confirmed == (1, 2, 3)
    for name in numbers:
        assert not any(desks.hands[name].lit().values())
    assert here.bench.close() is True


def test_no_lamp_or_display_really_flashes_too_often(desks: Demo, bench: Benches) -> None:
    # Held keys on several lamps, a display blanked again and again, blinking, and a wink in the middle of it. The
    # simulated desks count flashes on what was really lit (WCAG 2.3.1), late and lost lines included.
    for hand in desks.hands.values():
        hand.fault("delay", by="2 ms", jitter="10 ms", way="both")
        hand.fault("lose_line", share="3 %")
    panel = load(panel_path())
    here = bench(*[desk.port for desk in desks.boards], panel=panel)
    numbers = all_live(here, desks)
    lamps = [(numbers[lamp.channel.board], lamp.channel.id) for lamp in panel.lamps][:6]
    display = panel.displays[0]
    futures = []
    for turn in range(24):
        for source, channel in lamps:
            futures.append(here.bench.set_lamp(source, channel, 1000 * (turn % 2)))
        segments = bytes([0x7F] * display.digits) if turn % 2 else bytes(display.digits)
        futures.append(here.bench.set_display(numbers[display.channel.board], display.channel.id, segments))
        if turn == 12:
            here.bench.wink(lamps[0][0])
            here.bench.blink(*lamps[0], True)
        futures[-1].result(LONG_S)
    for future in futures:
        future.result(LONG_S)
    for name, hand in desks.hands.items():
        flashes = hand.flashes()
        assert flashes, name
        assert max(flashes.values()) <= 3, (name, flashes)
    assert here.bench.held_back["flash"] > 10


def test_lamps_of_two_desks_in_turn_do_not_flash_faster_than_one_would(desks: Demo, bench: Benches) -> None:
    """One on as the other goes off, six times a second: each alone would pass (WCAG 2.3.1), together they are held.

    What is counted is what went to the boards; both answer within some milliseconds.
    """
    here = bench(*[desk.port for desk in desks.boards], panel=load(panel_path()))
    numbers = all_live(here, desks)
    lamps = [(numbers[name], _a_lamp(name)) for name in ("met", "power")]
    began_us = here.bench.now_us()
    futures = []
    for turn in range(24):
        while here.bench.now_us() < began_us + turn * 1_000_000 // 6:  # the tempo is what is tried
            threading.Event().wait(0.002)
        for number, lamp in enumerate(lamps):
            futures.append(here.bench.set_lamp(*lamp, 1000 if turn % 2 == number else 0))
    for future in futures:
        future.result(LONG_S)
    flashes: list[int] = []
    fallen = True
    for event in here.events:
        if isinstance(event, ev.Asked) and event.words[0] == "set" and (event.source, event.words[1][:-4]) in lamps:
            lit = not event.words[1].endswith("=000")
            if lit and fallen:
                flashes.append(event.at_us)
            fallen = not lit
    assert len(flashes) >= 9
    assert max(sum(0 <= at_us - first < 1_000_000 for at_us in flashes) for first in flashes) == 3
    assert here.bench.held_back["flash"] >= 6
    assert desks.hands["power"].lit()[lamps[1][1]] == 1000  # the last word counts, when the second is over
    assert desks.hands["met"].lit()[lamps[0][1]] == 0


def test_a_desk_that_is_unplugged_comes_back_with_its_number(desks: Demo, bench: Benches) -> None:
    here = bench(*[desk.port for desk in desks.boards])
    numbers = all_live(here, desks)
    desks.hands["met"].unplug()
    here.wait(lambda: here.linked("lost port"))
    port = desks.hands["met"].replug("met-again")
    here.bench.add_port(port)
    info = here.stands(port, "live")
    assert (info.ident, info.source) == ("met", numbers["met"])
    # What it had lit went out with its power; what the others show is still known.
    assert did(here.bench.light(numbers["met"]) and here.bench.ask(numbers["met"], ("read", "all")))


def test_faults_on_the_line_of_one_desk_are_counted_and_leave_the_others_alone(desks: Demo, bench: Benches) -> None:
    here = bench(*[desk.port for desk in desks.boards])
    numbers = all_live(here, desks)
    hand = desks.hands["met"]
    hand.fault("flip", share="1 %")
    hand.fault("garbage", rate="2000 Hz")
    here.wait(lambda: here.state.observer.counters(numbers["met"]).bad > 20)
    for level in range(10):
        did(here.bench.set_lamp(numbers["lighting"], _a_lamp("lighting"), 500 + level))
    hand.clear()
    for _ in range(50):  # whatever was torn is over
        if not here.bench.ask(numbers["met"], ("read", "all")).result(LONG_S).gave_up:
            break
    else:
        raise AssertionError(here.bench.ports())


def test_a_silent_desk_is_said_to_be_silent_and_forgiven(desks: Demo, bench: Benches) -> None:
    here = bench(*[desk.port for desk in desks.boards])
    numbers = all_live(here, desks)
    hand = desks.hands["met"]
    hand.fault("stall", silent="yes")
    result = here.bench.dark().result(LONG_S)
    assert result.unconfirmed == (numbers["met"],)
    port = next(desk.port for desk in desks.boards if desk.name == "met")
    here.wait(lambda: any(info.port == port and info.stage == "silent" for info in here.bench.ports()))
    hand.clear()
    here.stands(port, "live")
    desks_dark = here.bench.dark().result(LONG_S)
    assert numbers["met"] in desks_dark.confirmed


def test_a_boot_loader_and_resets_in_a_loop(bench: Benches) -> None:
    with start(seed=7, boards=["met"]) as desks:
        hand = desks.hands["met"]
        hand.fault("slow_boot", lasting="1 s", says="garbage")
        hand.reset()
        here = bench(desks.boards[0].port)
        numbers = all_live(here, desks)
        hand.clear()
        hand.fault("reset_loop", every="100 ms")
        here.wait(lambda: sum(isinstance(event, ev.Boot) for event in here.events) >= 5)
        hand.clear()
        here.wait(lambda: any(info.stage == "live" for info in here.bench.ports()))
        assert did(here.bench.ask(numbers["met"], ("read", "all")))


def test_a_desk_at_another_rate_is_found(bench: Benches, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchcon.wire.host.HELLO_TRIES", 6)
    with start(seed=7, boards=["met"]) as desks:
        desks.hands["met"].fault("wrong_baud", rate="38400")
        here = bench(desks.boards[0].port)
        assert here.stands(desks.boards[0].port, "live").rate == 38400


def test_desks_on_the_network(bench: Benches) -> None:
    with start(seed=7, tcp=True) as desks:
        here = bench(*[desk.port for desk in desks.boards])
        numbers = all_live(here, desks)
        assert did(here.bench.set_lamp(numbers["lighting"], _a_lamp("lighting"), 1000))
        free = here.bench.release(desks.boards[0].port)
        free.result(LONG_S)
        assert "no such board" in say(here.bench.set_lamp(numbers["lighting"], "l", 1).result(LONG_S))
        here.bench.reopen(desks.boards[0].port)
        assert here.stands(desks.boards[0].port, "live").source == numbers["lighting"]


def _a_lamp(board: str) -> str:
    return next(lamp.channel.id for lamp in load(panel_path()).lamps if lamp.channel.board == board)
