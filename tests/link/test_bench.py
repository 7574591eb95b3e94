"""The bench on real pseudo-terminals, with boards in other processes."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from link.boards import LONG_S, QUICK, PeerProcess, Watched, did
from waiting import until

from benchcon.errors import Trouble
from benchcon.link import Bench, known_ports, say
from benchcon.wire import events as ev
from benchcon.wire.codec import notification
from benchcon.wire.events import Alive
from benchcon.wire.records import Batch

Boards = Callable[..., PeerProcess]
Benches = Callable[..., Watched]


def test_a_board_is_brought_up_and_driven(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    info = here.stands(desk.port, "live")
    assert (info.ident, info.rate) == ("lighting", 115200)
    assert did(here.bench.set_lamp(info.source, "l1", 500)).answer is not None
    assert did(here.bench.set_display(info.source, "d1", bytes([0x7E, 0x30])))
    assert desk.say("values")["l1"] == 500
    assert desk.say("values")["d1"] == 0x7E30
    desk.say("change sw1 1")
    here.wait(lambda: any(isinstance(event, ev.Moved) for event in here.events))
    state = here.state.board_named("lighting")
    assert state is not None
    assert state.channels["l1"].value == 500
    assert state.channels["sw1"].value == 1
    stamps = [batch.at_us for batch in here.batches]
    assert stamps == sorted(stamps)
    assert here.threads == {here.bench._thread.ident}  # type: ignore[union-attr]
    assert threading.get_ident() not in here.threads


@pytest.mark.slow
def test_early_firmware_is_told_the_words_of_today(board: Boards, bench: Benches) -> None:
    desk = board(former=True)
    here = bench(desk.port)
    here.stands(desk.port, "live")
    said = "describes 'd1' as 'digits', which the protocol calls 'display' now"
    here.wait(lambda: any(info.port == desk.port and info.text.startswith(said) for info in here.bench.ports()))


def test_a_slow_boot_loader_is_waited_for_and_that_is_said(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting", loader_s=1.5)
    here = bench(desk.port)
    assert "a few seconds" in here.stands(desk.port, "asking").text
    here.stands(desk.port, "live")
    assert desk.say("heard").count(" hello ") > 3  # asked again and again, past the boot loader


def test_nothing_is_said_before_listening(board: Boards, bench: Benches) -> None:
    from benchcon.link import Pace

    desk = board()
    here = bench(desk.port, pace=Pace(listen_s=0.3))
    here.stands(desk.port, "live")
    opened = next(batch.at_us for batch in here.batches if batch.bodies[0].startswith(b"opened"))
    first = next(batch.at_us for batch in here.batches if batch.kind == ">")
    assert first - opened >= 300_000


def test_a_board_that_comes_back_on_another_port_keeps_its_number(board: Boards, bench: Benches) -> None:
    first, second = board(ident="lighting"), board(ident="met")
    here = bench(first.port, second.port)
    one = here.stands(first.port, "live").source
    two = here.stands(second.port, "live").source
    first.say("unplug")
    second.say("unplug")
    here.wait(lambda: sum(text.startswith("lost ") for _, text in here.links()) == 2)
    # Each comes back at a place that the user named, and not the one it had.
    places = {first.say("plug"), second.say("plug")}
    for port in places:
        here.bench.add_port(port)

    def both(infos: list[object]) -> bool:
        return {(i.ident, i.source) for i in here.bench.ports() if i.stage == "live"} == {  # type: ignore[attr-defined]
            ("lighting", one),
            ("met", two),
        }

    assert here.bench.wait(both, LONG_S), here.bench.ports()
    assert did(here.bench.set_lamp(one, "l1", 300))
    assert first.say("values")["l1"] == 300
    assert (
        sorted(source for source, state in here.state.boards.items() if state.link == "linked") == [one, two] == [1, 2]
    )


def test_a_port_that_vanishes_in_mid_line_tears_nothing_else(board: Boards, bench: Benches) -> None:
    desk, other = board(ident="lighting"), board(ident="met")
    here = bench(desk.port, other.port)
    source = here.stands(desk.port, "live").source
    still = here.stands(other.port, "live").source
    desk.say("raw " + (notification(0x99, 1, ("is", "sw1=1")) + b"\n!0100 00").hex())
    here.wait(lambda: any(isinstance(event, ev.Moved) for event in here.events))
    desk.say("unplug")
    here.wait(lambda: here.linked("lost port"))
    odd = [body for batch in here.batches if (batch.kind, batch.source) == ("(", source) for body in batch.bodies]
    assert any(body.startswith(b"!0100 00") for body in odd)  # kept as what it is: a torn line
    assert did(here.bench.set_lamp(still, "l1", 100))
    outcome = here.bench.set_lamp(source, "l1", 100).result(LONG_S)
    assert "no such board" in say(outcome)


def test_a_stalled_board_holds_up_nobody_and_its_port_can_be_given_up(board: Boards, bench: Benches) -> None:
    desk, other = board(ident="lighting"), board(ident="met")
    here = bench(desk.port, other.port)
    stuck = here.stands(desk.port, "live").source
    still = here.stands(other.port, "live").source
    desk.say("stall 1")
    asked = [here.bench.set_lamp(stuck, "l1", 100 + n) for n in range(50)]
    for n in range(20):
        assert did(here.bench.set_lamp(still, "l1", 200 + n))
    assert asked[0].result(LONG_S).gave_up
    # The screen asks for dark, and is told the truth about each board.
    result = here.bench.dark().result(LONG_S)
    assert result.confirmed == (still,)
    assert result.unconfirmed == (stuck,)
    assert not result.sure
    here.bench.release(desk.port).result(LONG_S)
    assert here.stands(desk.port, "released").text
    # Another program has the port now.
    import serial

    with serial.Serial(desk.port, exclusive=True):
        pass
    desk.say("stall 0")
    here.bench.reopen(desk.port)
    here.stands(desk.port, "live")
    here.bench.light().result(LONG_S)
    assert did(here.bench.set_lamp(stuck, "l1", 1))


@pytest.mark.slow
def test_a_port_whose_buffer_is_full_is_given_up_as_well(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting", buffer=60000)
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    desk.say("stall 1")
    # More than a pseudo-terminal holds: the write itself is stuck, and nothing piles up behind it.
    for _ in range(3000):
        here.bench.ask(source, ("read", "sw1", "e1", "l1", "l2", "d1"))
    here.wait(lambda: here.linked("stuck"))
    assert not here.bench.dark().result(LONG_S).sure
    here.bench.release(desk.port).result(LONG_S)
    here.stands(desk.port, "released")
    desk.say("stall 0")
    here.bench.reopen(desk.port)
    here.stands(desk.port, "live")


@pytest.mark.slow
def test_a_full_buffer_that_is_read_again_goes_on_and_dark_is_not_forgotten(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting", buffer=60000)
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    assert did(here.bench.set_lamp(source, "l1", 1000))
    desk.say("stall 1")
    for _ in range(3000):
        here.bench.ask(source, ("read", "sw1", "e1", "l1", "l2", "d1"))
    here.wait(lambda: here.linked("stuck"))
    assert not here.bench.dark().result(LONG_S).sure
    desk.say("stall 0")
    here.wait(lambda: here.linked("moving"))
    desk.until("values", lambda values: values["l1"] == 0)
    desk.until("state", lambda state: state["dark"])


def test_dark_goes_through_a_full_window(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting", buffer=48)
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    assert did(here.bench.set_many(source, {"l1": 1000, "l2": 1000}))
    waiting = [here.bench.ask(source, ("read", "all")) for _ in range(200)]
    result = here.bench.dark().result(LONG_S)
    assert result.sure
    assert result.confirmed == (source,)
    values = desk.say("values")
    assert (values["l1"], values["l2"]) == (0, 0)
    assert not all(each.done() for each in waiting)  # dark did not wait for what was asked before
    refused = here.bench.set_lamp(source, "l1", 1000).result(LONG_S)
    assert "dark" in say(refused)
    assert here.bench.light().result(LONG_S).confirmed == (source,)
    assert did(here.bench.set_lamp(source, "l1", 1000))


def test_dark_that_was_lost_on_the_way_holds_and_arrives_as_soon_as_the_line_is_good(
    board: Boards, bench: Benches
) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    assert did(here.bench.set_lamp(source, "l1", 1000))
    desk.say("swallow dark")
    dark = here.bench.dark()
    here.wait(lambda: any(b"dark" in body for batch in here.batches if batch.kind == ">" for body in batch.bodies))
    soon = here.bench.set_lamp(source, "l2", 1000)
    assert not dark.result(LONG_S).sure
    here.wait(lambda: here.linked("timeout words=dark"))
    later = here.bench.set_lamp(source, "l2", 1000)
    assert "dark" in say(soon.result(LONG_S))
    assert "dark was asked for" in say(later.result(LONG_S))
    desk.say("swallow")
    desk.until("state", lambda state: state["dark"])  # nobody has asked again
    assert all(channel != "l2" or not value for _, channel, value in desk.say("shown"))
    here.bench.light().result(LONG_S)
    assert did(here.bench.set_lamp(source, "l2", 1000))


def test_the_end_of_dark_ends_also_one_that_the_board_never_answered(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    desk.say("swallow dark")
    dark = here.bench.dark()
    here.wait(lambda: any(b"dark" in body for batch in here.batches if batch.kind == ">" for body in batch.bodies))
    asked = here.bench.set_lamp(source, "l2", 1000)
    assert not dark.result(LONG_S).sure
    assert here.bench.light().result(LONG_S).confirmed in ((source,), ())  # it waits for the repeats of dark
    here.wait(lambda: here.linked("timeout words=dark"))
    assert did(here.bench.set_lamp(source, "l1", 1000))
    assert "dark" in say(asked.result(LONG_S))
    assert all(channel != "l2" or not value for _, channel, value in desk.say("shown"))
    desk.say("swallow")
    alive = sum(isinstance(event, Alive) for event in here.events)
    here.wait(lambda: sum(isinstance(event, Alive) for event in here.events) > alive + 1)
    assert not desk.say("state")["dark"]


def test_what_was_asked_in_the_dark_does_not_light_up_when_dark_ends(board: Boards, bench: Benches) -> None:
    """The board's answer is late, so that the request would be repeated, after dark has ended."""
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    assert here.bench.dark().result(LONG_S).sure
    desk.say("swallow set")
    asked = here.bench.set_lamp(source, "l1", 1000)
    here.wait(lambda: any(b"set l1" in body for batch in here.batches if batch.kind == ">" for body in batch.bodies))
    desk.say("swallow")
    assert here.bench.light().result(LONG_S).confirmed == (source,)
    assert say(asked.result(LONG_S))
    assert did(here.bench.set_lamp(source, "l2", 1000))
    assert all(channel != "l1" or not value for _, channel, value in desk.say("shown"))


def test_leaving_darkens_and_says_so(board: Boards) -> None:
    desk = board(ident="lighting")
    here = Watched(desk.port)
    source = here.stands(desk.port, "live").source
    assert did(here.bench.set_lamp(source, "l1", 1000))
    assert here.bench.close() is True
    assert desk.say("values")["l1"] == 0
    assert desk.say("state")["dark"]
    assert here.bench.set_lamp(source, "l1", 1000).result(LONG_S).answer == ("held", "closed")
    # The port is free for others at once.
    import serial

    with serial.Serial(desk.port, exclusive=True):
        pass


def test_leaving_a_stalled_board_is_bounded_and_owned_up_to(board: Boards) -> None:
    desk = board(ident="lighting")
    here = Watched(desk.port)
    here.stands(desk.port, "live")
    desk.say("stall 1")
    assert here.bench.close() is False


CRASH = """
import sys
from benchcon.link import Bench
bench = Bench([sys.argv[1]])
bench.start()
assert bench.wait(lambda ports: any(p.stage == "live" for p in ports), 30)
bench.set_lamp(1, "l1", 1000).result(30)
print("lit", flush=True)
if sys.argv[2] == "crash":
    raise RuntimeError("a fault somewhere else")
input()
"""


@pytest.mark.parametrize("end", ["crash", "kill"])
def test_a_crash_darkens_and_after_sigkill_the_dead_man_does(board: Boards, end: str) -> None:
    desk = board(ident="lighting")
    program = subprocess.Popen(
        [sys.executable, "-c", CRASH, desk.port, end],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert program.stdout is not None
    assert program.stdout.readline() == "lit\n"
    if end == "kill":
        assert desk.say("values")["l1"] == 1000
        assert desk.say("state")["deadman_ms"] == 2000
        program.send_signal(signal.SIGKILL)
    program.communicate()
    desk.until("state", lambda state: state["dark"])
    assert desk.say("values")["l1"] == 0


def test_edges_that_a_program_before_this_one_asked_for_are_ended(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    one = bench(desk.port)
    assert did(one.bench.raw(one.stands(desk.port, "live").source, "sw1", True))
    assert one.bench.close() is True  # dark, and nothing but dark, is what a program sends in its last moment
    assert desk.say("state")["raw"] == ["sw1"]
    two = bench(desk.port)
    source = two.stands(desk.port, "live").source
    desk.say("edge sw1 1")
    desk.until("state", lambda state: state["raw"] == [])
    assert did(two.bench.raw(source, "sw1", True))  # what this program itself asks for stays
    desk.say("edge sw1 0")
    two.wait(lambda: sum(isinstance(event, ev.Edge) for event in two.events) == 2)
    assert desk.say("state")["raw"] == ["sw1"]


def test_the_dead_man_is_fed_when_nothing_else_is_said(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port, deadman_ms=400)
    source = here.stands(desk.port, "live").source
    assert did(here.bench.set_lamp(source, "l1", 1000))
    begun = here.bench.now_us()
    here.wait(lambda: here.bench.now_us() - begun > 1_500_000 and here.batches)
    assert desk.say("values")["l1"] == 1000
    state = desk.say("state")
    assert (state["dark"], state["deadman_ms"]) == (False, 400)


def test_a_bench_that_only_listens_asks_and_sets_nothing(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port, listen_only=True)
    source = here.stands(desk.port, "live").source
    assert "only listens" in say(here.bench.set_lamp(source, "l1", 1000).result(LONG_S))
    assert "only listens" in say(here.bench.ask(source, ("deadman", "07D0")).result(LONG_S))
    assert here.bench.close() is True
    heard = desk.say("heard")
    assert {line.split()[1] for line in heard.splitlines() if line} == {"hello", "item", "read"}


def test_two_boards_with_one_ident_are_told_apart(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    one = here.stands(desk.port, "live").source
    twin = board(ident="lighting")
    here.bench.add_port(twin.port)
    info = here.stands(twin.port, "duplicate")
    assert "another board with the ident 'lighting' is linked" in info.text
    assert desk.port in info.text
    assert here.linked("refused why=duplicate ident=lighting")
    assert info.source != one
    assert "same ident" in say(here.bench.set_lamp(info.source, "l1", 1000).result(LONG_S))
    assert did(here.bench.wink(info.source))
    assert did(here.bench.ident(info.source, "lighting_2"))
    again = here.stands(twin.port, "live")
    assert (again.ident, again.source) == ("lighting_2", info.source)
    assert did(here.bench.name(info.source, "The other one"))
    assert twin.say("state")["name"] == "The%20other%20one"
    assert desk.say("state")["name"] != "The%20other%20one"


def test_a_link_to_a_terminal_that_is_anothers_by_now_is_not_opened(
    board: Boards, bench: Benches, tmp_path: Path
) -> None:
    desk, place = board(ident="lighting"), tmp_path / "lighting"
    place.symlink_to(desk.port)
    here = bench(str(place))
    here.stands(str(place), "live")
    desk.process.kill()
    here.wait(lambda: here.linked("lost port"))
    # The next program that asks gets the number that has become free: here, us.
    taken: list[int] = []
    try:
        while not taken or (os.ttyname(taken[-1]) != desk.port and len(taken) < 400):
            taken += os.openpty()
        tty.setraw(taken[-1])
        here.wait(lambda: any(text.startswith("refused ") for _, text in here.links()))
        # Three more tries at the least: then still nobody has written to it.
        assert not here.bench.wait(lambda ports: any(port.stage not in ("waiting", "opening") for port in ports), 0.6)
        os.set_blocking(taken[-2], False)
        with pytest.raises(BlockingIOError):
            os.read(taken[-2], 100)
        assert "is gone: the program that made it has ended" in here.bench.ports()[0].text
        # Whoever puts a board there again makes the link again.
        again = board(ident="lighting")
        place.unlink()
        place.symlink_to(again.port)
        here.stands(str(place), "live")
    finally:
        for each in taken:
            os.close(each)


@pytest.mark.parametrize("twin", [True, False])
def test_a_board_that_is_plugged_in_where_another_was_does_not_take_its_name(
    board: Boards, bench: Benches, tmp_path: Path, twin: bool
) -> None:
    """The state took the newcomer's answer to `hello` for the board that the number means, and had two of one name."""
    first, second, place = board(ident="lighting"), board(ident="met"), tmp_path / "place"
    place.symlink_to(first.port)
    here = bench(str(place))
    one = here.stands(str(place), "live").source
    if twin:  # the newcomer has the ident of a board that is linked elsewhere
        here.bench.add_port(second.port)
        here.stands(second.port, "live")
    first.process.kill()
    here.wait(lambda: here.linked("lost port"))
    newcomer = board(ident="met")
    place.unlink()
    place.symlink_to(newcomer.port)
    info = here.stands(str(place), "duplicate" if twin else "live")
    assert info.source != one
    here.wait(lambda: info.source in here.state.boards and bool(here.state.boards[info.source].ident))
    idents = {source: state.ident for source, state in here.state.boards.items()}
    assert idents.pop(one) == "lighting"
    assert set(idents.values()) == {"met"}
    assert (here.state.boards[one].link, here.state.boards[one].link_detail) == ("lost", "another board is there")
    assert here.state.boards[info.source].duplicate is twin
    assert here.state.board_named("lighting") is here.state.boards[one]


def test_a_twin_takes_over_when_the_first_is_unplugged(board: Boards, bench: Benches) -> None:
    desk, twin = board(ident="lighting"), board(ident="lighting")
    here = bench(desk.port)
    one = here.stands(desk.port, "live").source
    here.bench.add_port(twin.port)
    here.stands(twin.port, "duplicate")
    desk.say("unplug")
    assert here.stands(twin.port, "live").source == one


def test_a_board_that_is_reset_while_its_port_is_being_remembered_can_be_lit_afterwards(
    board: Boards, bench: Benches, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()

    def slow_disk(port: str) -> str:
        go_on.wait(LONG_S)
        return ""

    monkeypatch.setattr("benchcon.link.known_ports.can_be_remembered", lambda port: True)
    monkeypatch.setattr("benchcon.link.port.hardware_at", slow_disk)
    desk = board(ident="lighting")
    here = bench(desk.port, keep=False)
    source = here.stands(desk.port, "live").source
    did(here.bench.set_lamp(source, "l1", 1000))
    desk.say("reset")
    here.wait(lambda: any(type(event) is ev.Boot for event in here.events))
    here.wait(lambda: here.state.boards[source].known)
    go_on.set()
    here.wait(lambda: [text.split()[0] for _, text in here.links()].count("asking") == 2)
    here.stands(desk.port, "live")
    did(here.bench.set_lamp(source, "l1", 1000))  # it stayed dark: "the board is still being read"


def test_a_twin_that_is_found_out_before_it_is_asked_stays_refused(board: Boards, bench: Benches) -> None:
    first, second = board(ident="lighting"), board(ident="lighting")
    here = bench(first.port, pace=QUICK._replace(listen_s=0.5))
    here.stands(first.port, "live")
    here.bench.add_port(second.port)
    source = here.stands(second.port, "listening").source
    did(here.bench.ask(source, ("hello",)))  # the answer says whose ident it has
    here.stands(second.port, "duplicate")
    twin = here.state.boards[here.stands(second.port, "duplicate").source]
    heard_us = twin.last_heard_us
    here.wait(lambda: twin.last_heard_us != heard_us)  # its next heartbeat does not make it a board that is linked
    assert twin.liveness(here.bench.now_us()) == "refused"


def test_a_port_that_is_released_and_reopened_at_once_is_free_for_a_moment(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    here.stands(desk.port, "live")
    free = here.bench.release(desk.port)
    here.bench.reopen(desk.port)
    free.result(LONG_S)  # it never came
    here.stands(desk.port, "live")
    words = [text.split()[0] for _, text in here.links()]
    at = words.index("released")
    assert words[at : at + 3] == ["released", "taken", "opened"]


def test_a_rename_keeps_the_number(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    one = here.stands(desk.port, "live").source
    assert did(here.bench.ident(one, "approach"))
    assert here.bench.wait(
        lambda infos: [(info.ident, info.source, info.stage) for info in infos] == [("approach", one, "live")],
        LONG_S,
    ), here.bench.ports()
    assert did(here.bench.name(one, "Approach lights"))
    with pytest.raises(Trouble, match="not an ident"):
        here.bench.ident(one, "Approach 1")


def test_a_foreign_protocol_is_shown_and_stops_nobody(
    board: Boards, bench: Benches, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchcon.wire.host.HELLO_TRIES", 3)
    monkeypatch.setattr("benchcon.link.foreign.RATES", (115200, 9600, 57600))
    desk = board(ident="lighting")
    odd = board(foreign="T=21.5C \x1b[31mH=40%\r\n")
    here = bench(odd.port, desk.port)
    here.stands(desk.port, "live")
    # The test board's greeting comes when it is reset; its heartbeat later.
    odd.say("reset")
    info = here.stands(odd.port, "foreign")
    assert "T=21.5C \\x1B[31mH=40%" in info.text
    assert "another firmware" in info.text
    assert "\x1b" not in info.text
    assert here.linked("foreign port=")
    assert did(here.bench.set_lamp(here.stands(desk.port, "live").source, "l1", 5))


def test_a_silent_port_is_said_to_be_silent(bench: Benches, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchcon.wire.host.HELLO_TRIES", 3)
    ours, theirs = pty.openpty()
    here = bench(os.ttyname(theirs))
    info = here.stands(os.ttyname(theirs), "mute")
    assert "no answer" in info.text
    os.close(ours)
    os.close(theirs)


def test_lost_notifications_are_repaired(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    asked = desk.say("heard").count(" read all ")
    desk.say("change sw1 1")
    here.wait(lambda: here.state.boards[source].channels["sw1"].value == 1)
    # A line that is far ahead: everything between was lost. What the board has by then comes with `read all`.
    desk.say("raw " + (notification(0x99, 1, ("is", "sw1=0")) + b"\n").hex())
    here.wait(lambda: any(isinstance(event, ev.Gap) for event in here.events))
    here.wait(lambda: here.state.boards[source].channels["sw1"].value == 1)
    assert desk.say("heard").count(" read all ") > asked


def test_garbage_and_endless_lines_are_counted_and_harmless(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    for n in range(20):
        desk.say("raw " + bytes((n * 37 + k * 11) % 256 for k in range(400)).hex())
        desk.say("raw " + (b"x" * 1000).hex())
    desk.say("raw " + b"\n".hex())
    desk.say("change sw1 1")
    here.wait(lambda: any(isinstance(event, ev.Moved) for event in here.events))
    assert did(here.bench.set_lamp(source, "l1", 5))
    assert here.state.observer.counters(source).bad > 0
    # Every byte is accounted for: what is in records, and what was thrown away of endless lines.
    here.wait(lambda: bool(here.linked("discarded bytes=")))
    desk.say("change sw1 0")
    assert here.state.boards[source].discarded > 10_000
    assert all(len(body) <= 80 for batch in here.batches if batch.kind == "(" for body in batch.bodies)


@pytest.mark.slow
def test_a_board_resetting_in_a_loop_is_shown_and_comes_back_when_it_stops(board: Boards, bench: Benches) -> None:
    desk, other = board(ident="lighting"), board(ident="met")
    here = bench(desk.port, other.port)
    source = here.stands(desk.port, "live").source
    assert did(here.bench.set_lamp(source, "l1", 1000))
    for _ in range(30):
        desk.say("reset")
    here.wait(lambda: sum(isinstance(event, ev.Boot) and event.source == source for event in here.events) >= 3)
    assert here.stands(desk.port, "live").source == source
    desk.until("state", lambda state: state["deadman_ms"] == 2000)  # a reset had switched it off
    assert here.state.boards[source].channels["l1"].value == 0
    assert did(here.bench.set_lamp(source, "l1", 5))


def test_only_ports_that_were_named_are_opened(board: Boards, bench: Benches) -> None:
    desk, other = board(ident="lighting"), board(ident="met")
    here = bench(desk.port)
    here.stands(desk.port, "live")
    desk.say("unplug")
    here.wait(lambda: here.linked("lost port"))
    here.bench.wait(lambda infos: all(info.stage == "waiting" for info in infos), LONG_S)
    assert other.say("heard") == ""
    assert [info.port for info in here.bench.ports()] == [desk.port]


def test_a_lost_board_is_looked_for_where_it_once_was_and_nowhere_else(
    board: Boards, bench: Benches, tmp_path: Path, own_home: Path
) -> None:
    # Links with lasting names stand for ports that can be remembered (a pseudo-terminal cannot).
    desk, other = board(ident="lighting"), board(ident="met")
    new_place, elsewhere = tmp_path / "new-place", tmp_path / "elsewhere"
    elsewhere.symlink_to(other.port)
    entries = [
        {"port": str(new_place), "hardware": "", "ident": "lighting", "when": ""},
        {"port": str(elsewhere), "hardware": "", "ident": "met", "when": ""},
    ]
    (own_home / "ports.json").write_text(json.dumps({"form": 1, "ports": entries}))
    here = bench(desk.port)
    one = here.stands(desk.port, "live").source
    desk.say("unplug")
    here.wait(lambda: here.linked("lost port"))
    new_place.symlink_to(desk.say("plug"))
    assert here.stands(str(new_place), "live").source == one
    assert other.say("heard") == ""


def test_a_port_is_remembered_only_where_it_can_be(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    bench(desk.port).stands(desk.port, "live")
    assert known_ports.remembered() == []


def test_two_programs_cannot_have_one_board(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    here.stands(desk.port, "live")
    script = (
        "import sys; from benchcon.link import Bench; b = Bench([sys.argv[1]]); b.start();"
        "b.wait(lambda ports: any(p.text for p in ports), 30); print(b.ports()[0].text)"
    )
    said = subprocess.run([sys.executable, "-c", script, desk.port], capture_output=True, text=True, timeout=60)
    assert f"{desk.port} is in use" in said.stdout
    assert f"process {os.getpid()}" in said.stdout
    assert did(here.bench.set_lamp(1, "l1", 5))


def test_a_busy_main_thread_delays_no_stamp(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    came = threading.Event()

    def on_link(batches: object) -> None:
        came.set()

    here.bench.subscribe(on_link)  # type: ignore[arg-type]
    future = here.bench.set_lamp(source, "l1", 5)
    end = time.monotonic() + LONG_S
    while not (came.is_set() and future.done()):  # this thread never gives way of its own accord
        assert time.monotonic() < end
    assert did(future)


def test_a_subscriber_that_fails_is_dismissed_and_the_others_go_on(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench()

    def failing(batches: object) -> None:
        raise RuntimeError("a fault \x1b[31m")

    here.bench.subscribe(failing)  # type: ignore[arg-type]
    here.bench.add_port(desk.port)
    source = here.stands(desk.port, "live").source
    assert any(text.startswith("dismissed") and "\x1b" not in text for _, text in here.links())
    assert did(here.bench.set_lamp(source, "l1", 5))


def test_notes_stand_in_the_stream(bench: Benches) -> None:
    here = bench()
    here.bench.note("mark", "here it flickered\x1b")
    here.wait(lambda: any(isinstance(event, ev.Note) for event in here.events))
    note = next(event for event in here.events if isinstance(event, ev.Note))
    assert (note.kind, note.text) == ("mark", "here it flickered\\x1B")


def test_key_repeat_does_not_make_a_lamp_flash_and_that_is_told(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    futures = [here.bench.set_lamp(source, "l2", 1000 * (n % 2)) for n in range(1, 60)]
    for future in futures:
        did(future)
    assert desk.say("values")["l2"] == 1000
    rises = [at_us for at_us, channel, value in desk.say("shown") if channel == "l2" and value]
    assert all(fourth - first > 1_000_000 for first, fourth in zip(rises, rises[3:], strict=False))
    for n in range(14):
        did(here.bench.set_lamp(source, "l2", 1000 * (n % 2)))
    rises = [at_us for at_us, channel, value in desk.say("shown") if channel == "l2" and value]
    assert all(fourth - first > 1_000_000 for first, fourth in zip(rises, rises[3:], strict=False))


def test_a_request_typed_as_words_keeps_to_the_limits_too(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    for n in range(5):
        did(here.bench.ask(source, ("set", f"l2={1000 * ((n + 1) % 2):03X}")))
    assert here.bench.ask(source, ("set", "nope=000")).result(LONG_S).answer[1] == "03"  # type: ignore[index]
    assert here.bench.ask(source, ("set", "l2=XYZ")).result(LONG_S).refused
    here.bench.set_lamp(source, "l2", 0)
    here.bench.set_lamp(source, "l2", 1000)
    here.wait(lambda: here.linked("held channel=l2 why=flash"))
    assert here.bench.held_back["flash"] >= 1
    with pytest.raises(Trouble, match="cannot be sent"):
        here.bench.ask(source, ("set", "x" * 100))
    with pytest.raises(Trouble, match="levels go from 0 to 1000"):
        here.bench.set_lamp(source, "l1", 1001)


NO_LEVELS = [float("nan"), 0.5, 500.0, True, False, "500", None, -1, 1001, 1 << 99_999, "\x1b[2J", object()]


@pytest.mark.parametrize("level", NO_LEVELS, ids=range(len(NO_LEVELS)))
def test_a_level_of_the_wrong_sort_is_told_where_it_is_given(level: Any) -> None:
    """`set_lamp(1, "l1", float("nan"))` raised a TypeError from deep inside."""
    told = r"^l1: a level of .*; levels (are whole numbers|go) from 0 to 1000$"
    with Bench() as bench:
        for give in (bench.set_lamp, lambda *given: bench.set_many(given[0], {given[1]: given[2]})):
            with pytest.raises(Trouble, match=told) as trouble:
                give(1, "l1", level)
            assert str(trouble.value).isprintable()
        if not isinstance(level, int):
            with pytest.raises(Trouble, match=r"^d1: segments of .*; they are bytes, one for each digit$"):
                bench.set_display(1, "d1", level)
        with pytest.raises(Trouble, match="is not a channel"):
            bench.set_lamp(1, level, 0)
        assert bench.set_lamp(1, "l1", 0).result(LONG_S).answer == ("held", "no link")


@pytest.mark.parametrize("given", [None, 3, b"desk", float("nan")])
def test_what_should_be_text_and_is_not_is_told_where_it_is_given(given: Any) -> None:
    with Bench() as bench:
        for wrong, said in (
            (lambda: bench.ident(1, given), "is not an ident"),
            (lambda: bench.name(1, given), "a name is text"),
            (lambda: bench.ask(1, ("set", given)), "a word of a request is text"),
            (lambda: bench.blink(1, given, True), "is not a channel"),
            (lambda: bench.raw(1, given, True), "is not a channel"),
            (lambda: bench.ask(1, given), "a request is a tuple of words"),
            (lambda: bench.set_many(1, given), "a mapping of channels to values"),
            (lambda: bench.values(given), "a mapping of names to texts"),
            (lambda: bench.note("mark", given), "a note is text"),
            (lambda: bench.note(given, "here"), "is not a kind of note"),
            (lambda: bench.add_port(given), "a port is text"),
            (lambda: bench.release(given), "a port is text"),
            (lambda: bench.reopen(given), "a port is text"),
        ):
            with pytest.raises(Trouble, match=said):
                wrong()


def test_one_port_given_instead_of_a_list_is_not_taken_for_ports_of_one_letter() -> None:
    with pytest.raises(Trouble, match=r"^ports is a list of ports, not '/dev/ttyUSB0': write \['/dev/ttyUSB0'\]$"):
        Bench("/dev/ttyUSB0")


def test_values_may_have_any_names(bench: Benches) -> None:
    """A value called ``word`` was lost: it collided with an argument."""
    here = bench()
    here.bench.values({"word": "one", "source": "two", "at_us": "three"})
    here.wait(lambda: here.linked("values word=one source=two at_us=three"))


def test_nobody_who_asks_while_the_bench_closes_waits_for_ever(board: Boards) -> None:
    desk = board(ident="lighting")
    here = Watched(desk.port)
    source = here.stands(desk.port, "live").source
    asked: list[Any] = []
    over = threading.Event()

    def ask() -> None:
        while not over.is_set():
            asked.extend((here.bench.set_lamp(source, "l1", 0), here.bench.dark(), here.bench.wink(source)))
            asked[-2].cancel()  # the link sets it all the same, and does not stumble over that
            over.wait(0.001)

    threads = [threading.Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    here.wait(lambda: len(asked) > 50)
    here.bench.close()
    over.set()
    for thread in threads:
        thread.join(LONG_S)
    assert all(future.result(LONG_S) is not None for future in asked)
    assert not here.linked("fault")


def test_the_budget_of_the_panel_holds(board: Boards, bench: Benches) -> None:
    from benchcon.panel import model

    panel = model.Panel(
        boards=(model.Board("desk", ident="lighting", budget_ma=25.0),),
        lamps=(
            model.Lamp("a", "A", model.Channel("desk", "l1"), current_ma=20.0),
            model.Lamp("b", "B", model.Channel("desk", "l2"), current_ma=20.0),
        ),
    )
    desk = board(ident="lighting")
    here = bench(desk.port, panel=panel)
    source = here.stands(desk.port, "live").source
    did(here.bench.set_lamp(source, "l1", 1000))
    came: list[tuple[str, bool]] = []

    def ask() -> None:  # on the link's thread, where nothing comes between the answer and the look
        future = here.bench.set_lamp(source, "l2", 1000)
        future.add_done_callback(lambda done: came.append((say(done.result()), here.linked("held channel=l2 why="))))

    here.bench._hub.loop.call_soon_threadsafe(ask)
    until(lambda: came)
    ((said, in_stream),) = came
    assert "current budget" in said
    assert in_stream, "whoever is answered finds the reason in the stream"
    assert desk.say("values")["l2"] == 0
    assert here.linked("held channel=l2 why=current")
    did(here.bench.set_lamp(source, "l1", 0))
    desk.until("values", lambda values: values["l2"] == 1000)  # it was wanted, and now there is room


def test_blinking_is_slow_enough_and_ends_dark(board: Boards, bench: Benches) -> None:
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    here.bench.blink(source, "l1", True)
    desk.until("shown", lambda shown: sum(1 for _, channel, value in shown if channel == "l1" and value) >= 3)
    here.bench.blink(source, "l1", False)
    desk.until("values", lambda values: values["l1"] == 0)
    rises = [at_us for at_us, channel, value in desk.say("shown") if channel == "l1" and value]
    assert rises[2] - rises[1] > 500_000


def test_a_refused_port_is_told_and_tried_again(board: Boards, bench: Benches, tmp_path: Path) -> None:
    place = tmp_path / "place"
    here = bench(str(place))
    assert "is not there" in here.stands(str(place), "waiting").text
    desk = board(ident="lighting")
    place.symlink_to(desk.port)
    here.stands(str(place), "live")


def test_what_makes_no_sense_is_refused_at_once() -> None:
    with pytest.raises(Trouble, match="between 100 and 65535"):
        Bench(deadman_ms=50)
    bench = Bench()
    bench.start()
    with pytest.raises(Trouble, match="started already"):
        bench.start()
    assert bench.close() is True
    assert bench.close() is True


def test_a_board_whose_state_cannot_be_read_is_told_why(board: Boards, bench: Benches) -> None:
    """Line protocol, section 1: a line is at most 80 bytes long."""
    desk = board(ident="lighting", slip="long page")
    here = bench(desk.port)
    assert here.bench.wait(lambda ports: any("more than 80 bytes" in port.text for port in ports), LONG_S)
    (info,) = here.bench.ports()
    assert info.text.startswith("board 'lighting' answers 'hello', but not 'read all'")
    desk.say("mend")
    assert here.stands(desk.port, "live").text == ""


@pytest.mark.parametrize("slip", ["no space", "memory", "width", "refused"])
def test_a_refused_or_malformed_hello_is_asked_again_until_it_is_right(
    slip: str, board: Boards, bench: Benches
) -> None:
    desk = board(ident="lighting", slip=slip)
    watched = bench(desk.port)
    desk.until("heard", lambda heard: heard.count(" hello") >= 3)
    desk.say("mend")
    assert watched.stands(desk.port, "live").ident == "lighting"


def test_a_board_that_the_stream_says_is_read_can_be_lit(board: Boards, bench: Benches) -> None:
    """Whoever waits for that acts at once, a moment before the link has gone on from the board's last answer."""
    here = bench()
    asked: list[Any] = []

    def act(batches: list[Batch]) -> None:
        state = here.state.board_named("lighting")
        if state is not None and state.known and not asked:
            asked.append(here.bench.set_lamp(state.source, "l1", 1000))

    here.bench.subscribe(act)
    desk = board(ident="lighting")
    here.bench.add_port(desk.port)
    here.wait(lambda: asked)
    did(asked[0])
    assert desk.say("values")["l1"] == 1000


def test_a_lamp_that_is_set_after_the_end_of_dark_is_set_after_it(board: Boards, bench: Benches) -> None:
    """Both are asked for before the link has come to either."""
    desk = board(ident="lighting")
    here = bench(desk.port)
    source = here.stands(desk.port, "live").source
    assert here.bench.dark().result(LONG_S).confirmed == (source,)
    asked: list[Any] = []
    here.bench._hub.loop.call_soon_threadsafe(
        lambda: asked.extend((here.bench.light(), here.bench.set_lamp(source, "l1", 1000)))
    )
    until(lambda: asked)
    assert asked[0].result(LONG_S).confirmed == (source,)
    did(asked[1])
    assert desk.say("values")["l1"] == 1000
