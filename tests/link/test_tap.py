"""A tap between a board and its program: real pseudo-terminals, real processes, pyserial's own RFC 2217 client."""

from __future__ import annotations

import contextlib
import os
import random
import select
import signal
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st
from link.boards import turning

from benchcon.errors import Trouble
from benchcon.link.lock import lock_path
from benchcon.link.tap import Chunks, Tap
from benchcon.panel.model import Board, Panel
from benchcon.replay.tracks import tracks_of
from benchcon.state_reader import StateReader
from benchcon.tap_session import TapSession
from benchcon.wire import codec
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, LINE_DOWN, LINE_UP, Batch

LONG_S = 20.0


class Far:
    """The board's end: a pseudo-terminal of which the tap opens the other side."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self._slave = slave

    def close(self) -> None:
        for fd in (self.master, self._slave):
            with contextlib.suppress(OSError):
                os.close(fd)


@pytest.fixture
def far() -> Iterator[Far]:
    board = Far()
    yield board
    board.close()


def read(fd: int, count: int, patience_s: float = LONG_S) -> bytes:
    """Read so many bytes, however they come; they may take so long from one to the next."""
    data = bytearray()
    while len(data) < count:
        if not select.select([fd], [], [], patience_s)[0]:
            raise AssertionError(f"only {len(data)} of {count} bytes came: {bytes(data[:80])!r}")
        data += os.read(fd, count - len(data))
    return bytes(data)


def opened(tap: Tap) -> int:
    """Open the tap's pseudo-terminal as a program does, and wait until the tap knows."""
    fd = os.open(tap.name, os.O_RDWR | os.O_NOCTTY)
    before = tap.programs
    until(tap, lambda: tap.programs > before)
    return fd


def until(tap: Tap, true: object) -> None:
    assert callable(true)
    end = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < end, tap.said
        tap.turn(0.05)


def test_every_byte_goes_both_ways_as_it_came(far: Far) -> None:
    # Every value there is, with what a terminal would make something of: CR, LF, ^C, ^S, ^Q, FFh.
    data = bytes(range(256)) * 4
    with Tap(far.port) as tap:
        program = opened(tap)
        os.write(program, data)
        assert read(far.master, len(data)) == data
        os.write(far.master, data)
        assert read(program, len(data)) == data
        os.close(program)


def test_what_goes_by_is_recorded_line_by_line(far: Far) -> None:
    batches: list[Batch] = []
    with Tap(far.port, batches.extend) as tap:
        program = opened(tap)
        request, answer = codec.request(1, ["hello"]), codec.answer(1, ["hello", "01", "02", "0080", "0007", "desk"])
        os.write(program, request + b"\n")
        read(far.master, len(request) + 1)
        os.write(far.master, answer + b"\n")
        read(program, len(answer) + 1)
        until(tap, lambda: any(batch.kind == LINE_UP for batch in batches))
        os.close(program)
    assert [batch.bodies for batch in batches if batch.kind == LINE_DOWN] == [[request]]
    assert [batch.bodies for batch in batches if batch.kind == LINE_UP] == [[answer]]
    stamps = [batch.at_us for batch in batches]
    assert stamps == sorted(stamps)


def test_something_else_is_recorded_as_it_came_with_its_times(far: Far) -> None:
    batches: list[Batch] = []
    up, down = bytes(range(256)) * 5, b"\x01\r\n\x02" * 200
    with Tap(far.port, batches.extend) as tap:
        program = opened(tap)
        os.write(far.master, up)
        assert read(program, len(up)) == up
        os.write(program, down)
        assert read(far.master, len(down)) == down
        os.close(program)
    for kind, sent in ((BYTES_UP, up), (BYTES_DOWN, down)):
        assert b"".join(body for batch in batches if batch.kind == kind for body in batch.bodies) == sent
    assert tap.up.speaks is False


def test_a_rate_that_the_program_sets_is_set_on_the_board(far: Far) -> None:
    with Tap(far.port) as tap:
        with serial.Serial(tap.name, 57600, stopbits=2):
            until(tap, lambda: termios.tcgetattr(far.master)[5] == termios.B57600)
            assert termios.tcgetattr(far.master)[2] & termios.CSTOPB


def test_the_program_may_leave_and_come_again_and_finds_nothing_stale(far: Far) -> None:
    with Tap(far.port) as tap:
        program = opened(tap)
        os.write(far.master, b"unread")
        assert select.select([program], [], [], LONG_S)[0]
        os.close(program)
        until(tap, lambda: any("has closed" in line for line in tap.said))
        os.write(far.master, b"said to nobody")
        time.sleep(0.1)
        program = opened(tap)
        os.write(far.master, b"fresh")
        assert read(program, 5) == b"fresh"
        os.close(program)


def test_without_a_program_it_does_not_spin(far: Far) -> None:
    # The master's side of a pseudo-terminal that nobody has open reports a hang-up at each look.
    def ticks(pid: int) -> int:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return int(fields[11]) + int(fields[12])

    with Tap(far.port) as tap:
        for opens in (0, 1):
            if opens:
                os.close(opened(tap))
                until(tap, lambda: any("has closed" in line for line in tap.said))
            before = ticks(tap.pid)
            time.sleep(1)
            assert ticks(tap.pid) - before < 0.3 * os.sysconf("SC_CLK_TCK")


def test_the_board_may_go_away_and_come_again(tmp_path: Path) -> None:
    link = tmp_path / "board"
    first, second = Far(), Far()
    link.symlink_to(first.port)
    with Tap(str(link)) as tap:
        program = opened(tap)
        os.write(first.master, b"one")
        assert read(program, 3) == b"one"
        first.close()
        until(tap, lambda: any("is gone" in line for line in tap.said))
        link.unlink()
        link.symlink_to(second.port)
        until(tap, lambda: any(line == f"{link} is back" for line in tap.said))
        end = time.monotonic() + LONG_S
        os.set_blocking(second.master, False)
        while True:  # bytes for a board that is not there are lost: say it again until it is
            os.write(program, b"two")
            if select.select([second.master], [], [], 0.1)[0]:
                break
            assert time.monotonic() < end
        os.write(second.master, b"three")
        assert read(program, 5) == b"three"
        os.close(program)
    second.close()


def test_while_its_board_is_away_a_tap_keeps_nobody_from_the_port(far: Far) -> None:
    """A pseudo-terminal's number is given to the next program that asks: the next board has it at once."""
    with Tap(far.port) as tap:
        with pytest.raises(Trouble, match=f"{far.port} is already open in this program"):
            Tap(far.port)
        assert lock_path(far.port).read_text().split()[0] == str(os.getpid())
        far.close()
        until(tap, lambda: any("is gone" in line for line in tap.said))
        another = Far()
        others = []
        while another.port != far.port:  # the lowest number that is free is given
            others.append(another)
            assert len(others) < 50
            another = Far()
        until(tap, lambda: any("and the tap" in line for line in tap.said))
        assert not lock_path(far.port).exists()
        with Tap(another.port) as new:
            program = opened(new)
            os.write(another.master, b"mine")
            assert read(program, 4) == b"mine"
            os.close(program)
        for each in (another, *others):
            each.close()
    assert not lock_path(far.port).exists()


def test_over_tcp_one_program_at_a_time(far: Far) -> None:
    import socket

    with Tap(far.port, listen=("127.0.0.1", 0)) as tap:
        host, _, number = tap.name.removeprefix("socket://").rpartition(":")
        assert host == "127.0.0.1"
        with socket.create_connection((host, int(number))) as program:
            program.sendall(b"\x00\xff\r\n")
            assert read(far.master, 4) == b"\x00\xff\r\n"
            with socket.create_connection((host, int(number))) as other:
                other.settimeout(LONG_S)
                assert other.recv(1) == b"", "a second program is sent away"
            os.write(far.master, b"\xff\xfe")
            assert read(program.fileno(), 2) == b"\xff\xfe"


def test_with_rfc_2217_pyserials_own_client_sets_the_rate(far: Far) -> None:
    # RFC 2217; pyserial's client is the judge.
    data = bytes(range(256)) * 4  # IAC (FFh) among them
    with Tap(far.port, rfc2217=True) as tap, turning(tap):
        assert tap.name.startswith("rfc2217://127.0.0.1:")
        with serial.serial_for_url(tap.name, baudrate=38400, timeout=LONG_S) as program:
            assert termios.tcgetattr(far.master)[5] == termios.B38400
            program.write(data)
            assert read(far.master, len(data)) == data
            os.write(far.master, data)
            assert program.read(len(data)) == data
            program.baudrate = 57600
            assert termios.tcgetattr(far.master)[5] == termios.B57600


def test_a_rate_set_over_rfc_2217_is_told_and_set_again_on_a_board_that_comes_back(tmp_path: Path) -> None:
    link = tmp_path / "board"
    first, second = Far(), Far()
    link.symlink_to(first.port)
    batches: list[Batch] = []
    with Tap(str(link), batches.extend, rfc2217=True) as tap, turning(tap):
        with serial.serial_for_url(tap.name, baudrate=57600, stopbits=2, timeout=LONG_S):
            assert termios.tcgetattr(first.master)[5] == termios.B57600
            first.close()
            link.unlink()
            link.symlink_to(second.port)
            end = time.monotonic() + LONG_S
            while f"{link} is back" not in tap.said:
                assert time.monotonic() < end, tap.said
                time.sleep(0.02)
            while (found := termios.tcgetattr(second.master))[5] != termios.B57600 or not found[2] & termios.CSTOPB:
                assert time.monotonic() < end, found
                time.sleep(0.02)
    told = [body.decode() for batch in batches for body in batch.bodies]
    assert tap.said.count("the program has set 57600 baud") == 1
    assert f"rate port={link} rate=57600" in told
    assert told[-1 - [line.startswith("opened") for line in reversed(told)].index(True)].startswith(
        f"opened port={link} rate=57600 "
    )
    second.close()


def test_a_side_that_does_not_read_loses_nothing(far: Far) -> None:
    data = random.Random(1).randbytes(1 << 20)
    with Tap(far.port) as tap:
        program = opened(tap)
        os.set_blocking(far.master, True)
        writer = threading.Thread(target=lambda: _write_all(far.master, data))
        writer.start()
        time.sleep(0.3)  # it does not read, for as long as it takes to fill everything in between
        assert read(program, len(data)) == data
        writer.join(LONG_S)
        os.close(program)


@given(st.lists(st.binary(min_size=1, max_size=300), max_size=12))
def test_bytes_that_are_no_lines_are_kept_to_the_last_one_however_they_come(chunks: list[bytes]) -> None:
    whole = Chunks("up", 1)
    batches = [batch for number, data in enumerate(chunks) for batch in whole.feed(data, number)]
    batches += whole.rest()
    assert b"".join(body for batch in batches for body in batch.bodies) == b"".join(chunks)
    assert all(len(body) <= 80 for batch in batches for body in batch.bodies)


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20), st.integers(1, 40))
def test_lines_are_lines_however_their_bytes_come(numbers: list[int], size: int) -> None:
    lines = [codec.notification(number, number, ["is", "sw1=1"]) for number in numbers]
    data = b"".join(line + b"\n" for line in lines)
    whole = Chunks("up", 1)
    batches = [batch for at in range(0, len(data), size) for batch in whole.feed(data[at : at + size], at)]
    assert [body for batch in batches if batch.kind == LINE_UP for body in batch.bodies] == lines


@pytest.mark.slow
def test_much_goes_through_both_ways_at_once(far: Far) -> None:
    data = random.Random(2).randbytes(24 << 20)
    with Tap(far.port, lambda batches: None) as tap:
        program = opened(tap)
        got: dict[str, bytes] = {}
        threads = [
            threading.Thread(target=_write_all, args=(far.master, data)),
            threading.Thread(target=_write_all, args=(program, data)),
            threading.Thread(target=lambda: got.__setitem__("up", read(program, len(data)))),
            threading.Thread(target=lambda: got.__setitem__("down", read(far.master, len(data)))),
        ]
        with turning(tap):
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join(120)
        assert got["up"] == data
        assert got["down"] == data
        os.close(program)


def _write_all(fd: int, data: bytes) -> None:
    at = 0
    while at < len(data):
        at += os.write(fd, data[at : at + 4096])


def test_the_command_names_its_port_first_and_ends_with_0(far: Far, tmp_path: Path) -> None:
    path = tmp_path / "tapped.capture"
    process = subprocess.Popen(
        [sys.executable, "-m", "benchcon", "tap", far.port, "-o", str(path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    name = process.stdout.readline().strip()
    assert name.startswith("/dev/")
    program = os.open(name, os.O_RDWR | os.O_NOCTTY)
    lines = [
        codec.notification(0, 1000, ["boot", "0007", "power", "01"]),
        *(codec.notification(n, 1000 + n, ["is", f"sw1={n % 2}"]) for n in range(1, 9)),
    ]
    end = time.monotonic() + LONG_S
    while not select.select([program], [], [], 0.1)[0]:  # until the tap has seen that a program is there
        os.write(far.master, b"\n")
        assert time.monotonic() < end
    for line in lines:
        os.write(far.master, line + b"\n")
    text = b""
    while text.count(b"\n!") < len(lines):
        text += b"\n" * (not text) + os.read(program, 4096)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=LONG_S)
    assert process.returncode == 0, err
    assert out == ""
    assert "Traceback" not in err
    os.close(program)
    (track,) = (one for one in tracks_of(path).tracks.values() if one.channel == "sw1")
    assert len(track.values) == 8
    with StateReader(path) as reader:
        assert any(b"by=tap" in body for batch in reader for body in batch.bodies)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["/dev/none"], "is not there: is it plugged in?"),
        (["{port}", "--listen", "0.0.0.0:0"], "--listen needs --tcp or --rfc2217"),
        (["{port}", "--tcp", "--listen", "here"], "is not an address"),
        (["{port}", "--panel", "x.toml"], "name one with -o"),
        (["{port}", "-o", __file__], "exists already; choose another name, or use --force, which gives the old file a"),
        (["socket://127.0.0.1:9", "--tcp"], "cannot be opened"),
    ],
)
def test_what_cannot_be_done_is_one_line(far: Far, words: list[str], said: str) -> None:
    command = [word.replace("{port}", far.port) for word in words]
    done = subprocess.run([sys.executable, "-m", "benchcon", "tap", *command], capture_output=True, text=True)
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_letting_others_in_is_warned_about(far: Far) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchcon", "tap", far.port, "--tcp", "--listen", "0.0.0.0:0", "--seconds", "0.5"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0
    assert done.stdout.startswith("socket://0.0.0.0:")
    assert "warning: anyone who can reach 0.0.0.0 can drive this board" in done.stderr


def test_several_boards_go_into_one_capture_in_one_order(tmp_path: Path) -> None:
    boards = [Far(), Far()]
    path = tmp_path / "both.capture"
    process = subprocess.Popen(
        [sys.executable, "-m", "benchcon", "tap", *(board.port for board in boards), "-o", str(path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    programs = [os.open(process.stdout.readline().strip(), os.O_RDWR | os.O_NOCTTY) for _ in boards]
    line = codec.request(1, ["hello"]) + b"\n"
    for program in programs:  # a program that writes before its port is looked at loses nothing
        os.write(program, line)
    for board in boards:
        assert read(board.master, len(line)) == line
    for number in range(20):
        for board, program in zip(boards, programs, strict=True):
            told_line = codec.notification(number, number, ["is", f"sw1={number % 2}"]) + b"\n"
            os.write(board.master, told_line)
            assert read(program, len(told_line)) == told_line
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=LONG_S)
    assert process.returncode == 0, err
    with StateReader(path) as reader:
        batches = [batch for batch in reader if batch.kind == LINE_UP]
        assert reader.problems == []
    assert {batch.source for batch in batches} == {1, 2}
    told = [(body.split()[0], batch.source) for batch in batches for body in batch.bodies]
    # As they were said: first the one board, then the other, each number.
    assert told == sorted(told)
    for fd in programs:
        os.close(fd)
    for board in boards:
        board.close()


@pytest.mark.parametrize("record", [True, False])
def test_which_board_is_behind_which_port_is_said_once_it_is_known(tmp_path: Path, record: bool) -> None:
    """Two names of pseudo-terminals say nothing of which desk is where."""
    boards = {"lighting": Far(), "met": Far()}
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "benchcon", "tap", *(board.port for board in boards.values())),
            *(("-o", str(tmp_path / "both.capture")) if record else ()),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    names = [process.stdout.readline().strip() for _ in boards]
    programs = [os.open(name, os.O_RDWR | os.O_NOCTTY) for name in names]
    hello = codec.request(1, ["hello"]) + b"\n"
    for program, (ident, board) in zip(programs, boards.items(), strict=True):
        os.write(program, hello)
        assert read(board.master, len(hello)) == hello
        answer = codec.answer(1, ["hello", "01", "03", "0040", "0001", ident]) + b"\n"
        os.write(board.master, answer)
        assert read(program, len(answer)) == answer
    wanted = {
        f"benchcon: {name} is for {board.port}: {ident}"
        for name, (ident, board) in zip(names, boards.items(), strict=True)
    }
    said: list[str] = []
    while not wanted <= set(said):
        line = process.stderr.readline()
        assert line, said
        said.append(line.strip())
    process.send_signal(signal.SIGINT)
    assert [line for line in (*said, *process.communicate(timeout=LONG_S)[1].splitlines()) if "is for" in line] == (
        sorted(wanted, key=said.index)
    )
    for fd in programs:
        os.close(fd)
    for board in boards.values():
        board.close()


def test_the_board_that_answered_there_before_is_named_at_once(far: Far) -> None:
    panel = Panel(boards=(Board("met"),))
    session = TapSession([far.port], panel, keep=False)
    session.start()
    session.close()  # and takes what the relay has still to report
    assert list(session.said).count(f"{session.taps[0].name} is for {far.port}: met, as far as is known") == 1
