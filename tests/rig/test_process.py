"""Simulated boards as real processes on real pseudo-terminals and TCP ports."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from processes import is_gone, processes_of
from rig.panels import TEXT
from rig.talk import PATIENCE_S, Talk
from waiting import until

from benchcon.demo import Demo, panel_path, start
from benchcon.errors import Trouble
from benchcon.rig.hand import Hand


@pytest.fixture(scope="module")
def panel_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("panel") / "desk.toml"
    path.write_text(TEXT, "utf-8")
    return path


@pytest.fixture(scope="module")
def running(panel_file: Path) -> Iterator[Demo]:
    with start(panel=panel_file, seed=1) as demo:
        yield demo


@pytest.fixture
def desk(running: Demo) -> Iterator[Hand]:
    """The one board, healthy and plugged in again afterwards."""
    hand = running.hands["desk"]
    yield hand
    if not hand.port():
        hand.replug()
    hand.clear()
    for part in ("key", "left", "right", "rotary"):
        hand.put(part, 0)


def test_a_switch_is_told_and_a_lamp_is_really_lit(desk: Hand) -> None:
    with Talk(desk.port()) as talk:
        assert talk.ask("hello")[5] == "desk"
        desk.put("left", 1)
        assert talk.notification("is") == ("is", "left=1")
        talk.ask("set", "l1=1F4", "num=7E306D")
        assert desk.lit() == {"l1": 500, "l2": 0, "l3": 0}
        assert desk.shown("num") == bytes.fromhex("7E306D")
        talk.ask("dark")
        assert set(desk.lit().values()) == {0}
        talk.ask("light")


def test_the_port_does_not_echo(desk: Hand) -> None:
    with Talk(desk.port()) as talk:
        talk.port.write(b"nonsense\n")
        talk.ask("hello")
        assert b"nonsense" not in talk.raw


def test_a_board_at_another_rate_speaks_junk_until_the_port_has_its_rate(desk: Hand) -> None:
    desk.fault("wrong_baud", rate=57_600)
    with Talk(desk.port(), 115_200) as talk:
        until(lambda: talk.read() != b"" and len(talk.raw) > 20)
        assert talk.lines == []
    with Talk(desk.port(), 57_600) as talk:
        assert talk.ask("hello")[5] == "desk"


def test_a_pulled_cable_takes_the_port_away_and_it_comes_back_under_any_name(desk: Hand) -> None:
    first = desk.port()
    with Talk(first) as talk:
        talk.ask("hello")
        desk.unplug()
        with pytest.raises(serial.SerialException):
            until(lambda: not talk.read() and False)
    assert desk.port() == ""
    assert not os.path.lexists(first)
    with pytest.raises(Trouble, match="already unplugged"):
        desk.unplug()
    assert desk.replug() == first
    with Talk(first) as talk:
        assert talk.ask("hello")[5] == "desk"
    desk.unplug()
    other = desk.replug("elsewhere")
    assert Path(other).name == "elsewhere"
    assert not os.path.lexists(first)
    with Talk(other) as talk:
        assert talk.ask("hello")[5] == "desk"
    desk.unplug()


def test_opening_the_port_resets_a_board_that_is_wired_so(desk: Hand) -> None:
    desk.fault("opening_resets")
    before_us = desk.time()[1]
    with Talk(desk.port()):  # pyserial empties the buffer as it opens, which may take the boot's own line with it
        until(lambda: desk.time()[1] < before_us)


def test_a_board_that_stops_reading_answers_when_it_reads_again(desk: Hand) -> None:
    with Talk(desk.port()) as talk:
        talk.ask("hello")
        number = desk.fault("stall")
        talk.port.write(b"@@ hello\n")
        talk.notification("alive")
        assert not any(line.kind == "answer" for line in talk.lines)
        desk.clear(number)
        assert talk.ask("hello")[0] == "hello"


def test_a_board_that_nobody_reads_goes_on(desk: Hand) -> None:
    """Its port fills and what does not fit is lost; whoever opens it then has a board that works."""
    number = desk.fault("storm", rate="5kHz")
    port = serial.serial_for_url(desk.port(), 115_200)
    until(lambda: port.in_waiting > 4000)
    assert desk.lit()["l1"] == 0
    port.close()
    desk.clear(number)
    with Talk(desk.port()) as talk:
        assert talk.ask("hello")[5] == "desk"


def test_several_hands_at_one_board(running: Demo, desk: Hand) -> None:
    control = running.boards[0].control
    moves = desk.moved().moves
    found: list[int] = []

    def wait() -> None:
        with Hand(control) as other:
            found.append(other.moved(moves, within_s=PATIENCE_S).positions["left"])

    waiting = threading.Thread(target=wait)
    waiting.start()
    with Hand(control) as third:
        assert third.ask("hello") == ["hand", "1", "desk"]
        third.put("left", 1)
    waiting.join(PATIENCE_S)
    assert found == [1]


def test_a_hand_that_hangs_up_in_mid_request_leaves_the_board_working(running: Demo, desk: Hand) -> None:
    for data in (b"turn knob 1000\nlit", b"\x00\xff" * 3000, b"moved 9999 60000\n"):
        rude = Hand(running.boards[0].control)
        rude.ask("hello")
        assert rude._socket is not None
        rude._socket.sendall(data)
        rude.close()
    assert desk.ask("hello") == ["hand", "1", "desk"]


def test_tcp_ports_for_systems_without_pseudo_terminals(panel_file: Path) -> None:
    with start(panel=panel_file, tcp=True) as demo:
        board = demo.boards[0]
        assert board.port.startswith("socket://127.0.0.1:")
        assert board.control.startswith("tcp:127.0.0.1:")
        with Talk(board.port) as talk:
            assert talk.ask("hello")[5] == "desk"
            talk.ask("set", "l1=3E8")
            assert demo.hands["desk"].lit()["l1"] == 1000
            # One program at a time, as with a serial port.
            second = serial.serial_for_url(board.port, timeout=1)
            with pytest.raises(serial.SerialException):
                second.read(1)
            second.close()
        demo.hands["desk"].unplug()
        with pytest.raises(serial.SerialException):
            serial.serial_for_url(board.port)
        assert demo.hands["desk"].replug() == board.port
        demo.hands["desk"].unplug()
        assert demo.hands["desk"].replug("elsewhere") not in ("", board.port)
        assert demo.hands["desk"].ask("hello") == ["hand", "1", "desk"]


def test_a_web_page_cannot_work_a_desk(panel_file: Path) -> None:
    """Any page in a browser may send a form with any body to a port of this machine (Fetch, "simple requests")."""
    body = b"press b1\r\nset l1=3E8\r\n00 set l1=3E8\r\n"
    with start(panel=panel_file, tcp=True) as demo:
        board, hand = demo.boards[0], demo.hands["desk"]
        before = hand.moved().moves
        host, number, word = board.control.removeprefix("tcp:").split(":")
        for where in (number, board.port.rpartition(":")[2]):
            head = b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: text/plain\r\nContent-Length: %d\r\n\r\n"
            with socket.create_connection((host, int(where)), 10) as page:
                page.sendall(head % len(body) + body)
                answer = b""
                with contextlib.suppress(ConnectionResetError):
                    while more := page.recv(1000):
                        answer += more
            assert b"ok" not in answer
        for wrong in (f"tcp:{host}:{number}", f"tcp:{host}:{number}:{'0' * len(word)}"):
            with pytest.raises(Trouble, match=r"begins with the word|cannot be reached"):
                Hand(wrong).ask("press", "b1")
        assert hand.moved().moves == before
        assert not any(hand.lit().values())
        with Talk(board.port) as talk:
            assert talk.ask("hello")[5] == "desk"


# --- ending -----------------------------------------------------------------------------------------------


def started(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_board_ends_cleanly_when_told(panel_file: Path, number: int) -> None:
    board = started("-m", "benchcon.rig", "--panel", str(panel_file), "--board", "desk")
    assert board.stdout is not None
    name, port, control = board.stdout.readline().split()
    assert name == "desk"
    Hand(control).ask("hello")
    board.send_signal(number)
    out, err = board.communicate(timeout=PATIENCE_S)
    assert (board.returncode, out, err) == (0, "", "")
    assert not Path(port).parent.exists()


def test_boards_end_with_whoever_started_them(panel_file: Path) -> None:
    """Even if it was killed and could clean up nothing."""
    code = (
        "import sys, pathlib, threading; from benchcon.demo import start\n"
        f"demo = start(panel=pathlib.Path({str(panel_file)!r}))\n"
        "print(*demo.pids, demo.boards[0].port, flush=True); threading.Event().wait()"
    )
    parent = started("-c", code)
    assert parent.stdout is not None
    pid, port = parent.stdout.readline().split()
    assert not is_gone(int(pid))
    parent.kill()
    parent.communicate(timeout=PATIENCE_S)
    until(lambda: is_gone(int(pid)))
    until(lambda: not Path(port).parent.exists())


def test_boards_end_with_whoever_wanted_them_when_the_process_that_forked_them_is_gone() -> None:
    code = (
        "import threading; from benchcon.demo import start\n"
        "demo = start()\nprint(*demo.pids, demo.boards[0].port, flush=True); threading.Event().wait()"
    )
    parent = started("-c", code)
    assert parent.stdout is not None
    *pids, port = parent.stdout.readline().split()
    boards = [int(pid) for pid in pids]
    (starter,) = set(processes_of(parent.pid)) - set(boards)
    os.kill(starter, signal.SIGKILL)
    until(lambda: is_gone(starter))
    with Talk(port) as talk:
        assert talk.ask("hello")[5] == "lighting"
    assert not any(map(is_gone, boards))
    parent.kill()
    parent.communicate(timeout=PATIENCE_S)
    until(lambda: all(map(is_gone, boards)))
    until(lambda: not Path(port).parent.exists())


def test_boards_whose_process_can_not_be_made_are_said_in_one_line_and_nothing_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stops all of them (here a file that has gone meanwhile) is reported as the first one's trouble."""
    gone = tmp_path / "desk.toml"
    gone.write_text(panel_path().read_text("utf-8"), "utf-8")
    swapped = [sys.executable, "-c", SWAPPED, str(gone)]
    monkeypatch.setattr("benchcon.rig.boards.own_module", lambda _: swapped)
    before = processes_of(os.getpid())
    with pytest.raises(Trouble, match=r"simulated board 'lighting' did not start: .*desk\.toml cannot be read"):
        start(panel=gone)
    assert set(processes_of(os.getpid())) <= set(before)


SWAPPED = "import os, sys; os.remove(sys.argv.pop(1)); from benchcon.rig.__main__ import main; sys.exit(main())"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--panel", "nowhere.toml", "--board", "desk"], "nowhere.toml cannot be read"),
        (["--panel", "{panel}", "--board", "dask"], "has no board 'dask'; its boards: desk"),
        (["--panel", "{panel}", "--board", "desk", "--faults", "{faults}"], "faults.toml:2: there is no kind"),
    ],
)
def test_a_board_that_cannot_start_says_why(panel_file: Path, tmp_path: Path, words: list[str], says: str) -> None:
    faults = tmp_path / "faults.toml"
    faults.write_text('[[faults]]\nkind = "stuk"\n', "utf-8")
    board = started("-m", "benchcon.rig", *(word.format(panel=panel_file, faults=faults) for word in words))
    out, err = board.communicate(timeout=PATIENCE_S)
    assert (board.returncode, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
