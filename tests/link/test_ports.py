"""Finding, locking, remembering and opening ports: real pseudo-terminals, real second processes."""

from __future__ import annotations

import asyncio
import grp
import json
import multiprocessing
import os
import pty
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.link import known_ports
from benchcon.link.connection import Connection
from benchcon.link.device import open_device
from benchcon.link.discovery import find_ports, hardware_at, remembered_ports, where_again
from benchcon.link.lock import PortLock, holder, lock_path


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: (the board's end, the port's path)."""
    ours, theirs = pty.openpty()
    port = os.ttyname(theirs)
    yield ours, port
    os.close(ours)
    os.close(theirs)


HOLD = """
import asyncio, sys
from benchcon.link.connection import Connection
async def hold():
    connection = await Connection.open(sys.argv[1], lambda: 0)
    print("held", flush=True)
    await asyncio.Event().wait()
asyncio.run(hold())
"""


def hold(port: str) -> subprocess.Popen[str]:
    """Open `port` in another process, and come back when it is open."""
    process = subprocess.Popen([sys.executable, "-c", HOLD, port], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


async def test_a_second_program_is_refused_and_told_who_has_the_port(terminal: tuple[int, str]) -> None:
    _, port = terminal
    process = hold(port)
    try:
        with pytest.raises(Trouble, match=rf"{port} is in use .*process {process.pid}.*close it there"):
            await Connection.open(port, lambda: 0)
        assert str(process.pid) in holder(port)
        # After SIGKILL nothing has to be cleaned away by hand.
        process.send_signal(signal.SIGKILL)
        process.wait()
        connection = await Connection.open(port, lambda: 0)
        connection.abort()
        await asyncio.wait_for(connection.released.wait(), 10)
        assert holder(port) == ""
        assert not lock_path(port).exists()
    finally:
        process.kill()
        process.wait()


def test_a_program_that_only_locks_the_device_is_respected(terminal: tuple[int, str]) -> None:
    import serial

    _, port = terminal
    with serial.Serial(port, exclusive=True), pytest.raises(Trouble, match="in use by another program"):
        open_device(port)


def test_another_programs_lock_file_counts_while_that_program_lives(terminal: tuple[int, str]) -> None:
    # Format: process id in ten characters (Filesystem Hierarchy Standard 3.0, section 5.9).
    _, port = terminal
    other = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    lock_path(port).write_text(f"{other.pid:>10}\n")
    with pytest.raises(Trouble, match=f"process {other.pid}"):
        PortLock(port).take()
    other.kill()
    other.communicate()
    lock = PortLock(port)
    lock.take()
    assert lock_path(port).read_text().split()[0] == str(os.getpid())
    lock.release()


def test_the_lock_follows_links(terminal: tuple[int, str], tmp_path: Path) -> None:
    _, port = terminal
    link = tmp_path / "by-id"
    link.symlink_to(port)
    lock = PortLock(port)
    lock.take()
    with pytest.raises(Trouble, match="already open in this program"):
        PortLock(str(link)).take()
    lock.release()


def _open_as_nobody(port: str, said: multiprocessing.Queue[str]) -> None:
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
    try:
        open_device(port)
        said.put("opened")
    except Trouble as trouble:
        said.put(str(trouble))


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user to be refused")
def test_permission_denied_names_the_group_to_join(terminal: tuple[int, str]) -> None:
    _, port = terminal
    group = grp.getgrgid(20)
    os.chown(port, 0, group.gr_gid)
    os.chmod(port, 0o660)
    with pytest.raises(Trouble):
        open_device("/nowhere")  # everything needed is imported before the right to read it is gone
    context = multiprocessing.get_context("fork")
    said: multiprocessing.Queue[str] = context.Queue()
    child = context.Process(target=_open_as_nobody, args=(port, said))
    child.start()
    text = said.get(timeout=20)
    child.join()
    assert f"{port} may not be opened" in text
    assert f"group '{group.gr_name}'" in text
    assert f"usermod -aG {group.gr_name}" in text


@pytest.mark.parametrize(
    ("port", "why"),
    [
        ("/dev/not-there", "is not there: is it plugged in"),
        ("/dev/null", "is not a serial port"),
        ("/", "is not a serial port"),
        ("loop://", "socket://HOST:PORT and rfc2217://HOST:PORT"),
        ("rfc2217://host", "is written socket://HOST:PORT or rfc2217://HOST:PORT"),
        ("rfc2217://127.0.0.1:1", "does an RFC 2217 server listen there"),
        ("socket://host", "is written socket://HOST:PORT"),
        ("socket://127.0.0.1:1", "is something listening there"),
    ],
)
async def test_what_is_no_port_is_said_in_one_line(port: str, why: str) -> None:
    with pytest.raises(Trouble, match=why) as raised:
        await Connection.open(port, lambda: 0)
    assert "\n" not in str(raised.value)


async def test_bytes_pass_both_ways_and_the_stamp_is_of_the_read(terminal: tuple[int, str]) -> None:
    ours, port = terminal
    ticks = iter(range(1000))
    connection = await Connection.open(port, lambda: next(ticks))
    heard: asyncio.Queue[tuple[bytes, int]] = asyncio.Queue()
    connection.heard = lambda data, at_us: heard.put_nowait((data, at_us))
    os.write(ours, b"one\n")
    assert await asyncio.wait_for(heard.get(), 10) == (b"one\n", 0)
    os.write(ours, b"\x00\xff")
    assert await asyncio.wait_for(heard.get(), 10) == (b"\x00\xff", 1)
    assert connection.send(b"two\n")
    assert os.read(ours, 100) == b"two\n"  # raw: nothing is echoed, no line end is turned into another
    connection.abort()
    await asyncio.wait_for(connection.released.wait(), 10)


async def test_a_stuck_port_is_given_up_at_once_and_can_be_had_again(terminal: tuple[int, str]) -> None:
    ours, port = terminal
    connection = await Connection.open(port, lambda: 0)
    sent = 0
    while connection.send(b"x" * 63 + b"\n"):
        sent += 64
    assert connection.waiting
    assert sent < 1_000_000
    connection.abort()
    await asyncio.wait_for(connection.released.wait(), 10)
    again = await Connection.open(port, lambda: 0)
    os.set_blocking(ours, False)
    again.abort()
    await asyncio.wait_for(again.released.wait(), 10)


async def test_what_waited_goes_out_when_the_board_reads_again(terminal: tuple[int, str]) -> None:
    ours, port = terminal
    connection = await Connection.open(port, lambda: 0)
    drained = asyncio.Event()
    connection.drained = drained.set
    sent = 0
    line = b"x" * 70 + b"\n"
    while True:
        sent += len(line)
        if not connection.send(line):
            break
    got = 0
    while got < sent:
        got += len(await asyncio.to_thread(os.read, ours, 4096))
    await asyncio.wait_for(drained.wait(), 10)
    assert got == sent
    assert not connection.waiting
    connection.abort()
    await asyncio.wait_for(connection.released.wait(), 10)


async def test_a_port_that_vanishes_says_so_once() -> None:
    ours, theirs = pty.openpty()
    port = os.ttyname(theirs)
    connection = await Connection.open(port, lambda: 0)
    os.close(theirs)
    gone: asyncio.Queue[str] = asyncio.Queue()
    connection.gone = gone.put_nowait
    os.close(ours)
    assert await asyncio.wait_for(gone.get(), 10)
    await asyncio.wait_for(connection.released.wait(), 10)
    assert gone.empty()


async def test_a_network_port() -> None:
    async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(100):
            writer.write(data)
        writer.close()

    server = await asyncio.start_server(echo, "127.0.0.1", 0)
    port = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    connection = await Connection.open(port, lambda: 0)
    heard: asyncio.Queue[bytes] = asyncio.Queue()
    connection.heard = lambda data, at_us: heard.put_nowait(data)
    assert connection.send(b"hello\n")
    assert await asyncio.wait_for(heard.get(), 10) == b"hello\n"
    with pytest.raises(Trouble, match="already open in this program"):
        await Connection.open(port, lambda: 0)
    connection.abort()
    await asyncio.wait_for(connection.released.wait(), 10)
    server.close()


async def test_never_1200_baud(terminal: tuple[int, str]) -> None:
    _, port = terminal
    connection = await Connection.open(port, lambda: 0)
    with pytest.raises(ValueError, match="boot loader"):
        await connection.set_rate(1200)
    await connection.set_rate(57600)
    assert connection.rate == 57600
    connection.abort()
    await asyncio.wait_for(connection.released.wait(), 10)


def test_ports_are_remembered_and_forgotten(tmp_path: Path) -> None:
    assert known_ports.remembered() == []
    assert known_ports.remember("/dev/ttyS0", "lighting")
    assert known_ports.remember("/dev/ttyUSB7", "met", "2341:0043:85")
    assert known_ports.remember("/dev/ttyUSB9", "met", "2341:0043:85")  # the same device on another port
    assert [(entry.port, entry.ident) for entry in known_ports.remembered()] == [
        ("/dev/ttyS0", "lighting"),
        ("/dev/ttyUSB9", "met"),
    ]
    # What is remembered is that device, not whatever is plugged in there next.
    assert known_ports.find("/dev/ttyUSB3", "2341:0043:85", known_ports.remembered())
    assert not known_ports.find("/dev/ttyUSB9", "1A86:7523:1", known_ports.remembered())
    assert known_ports.forget("met")
    assert not known_ports.forget("met")
    assert [entry.port for entry in known_ports.remembered()] == ["/dev/ttyS0"]
    assert not list(tmp_path.glob("home/.ports-*"))


def test_a_usb_device_is_found_again_wherever_it_is_plugged_in(monkeypatch: pytest.MonkeyPatch) -> None:
    # There is no USB device on a test machine: what the system says of its ports is stood in for.
    from serial.tools import list_ports
    from serial.tools.list_ports_common import ListPortInfo

    def plugged(device: str, serial_number: str | None) -> ListPortInfo:
        info = ListPortInfo(device)
        info.vid, info.pid, info.serial_number = 0x2341, 0x0043, serial_number
        return info

    ports = [plugged("/dev/ttyACM0", "85"), plugged("/dev/ttyACM3", "99"), plugged("/dev/ttyUSB0", None)]
    monkeypatch.setattr(list_ports, "comports", lambda: ports)
    assert hardware_at("/dev/ttyACM3") == "2341:0043:99"
    assert hardware_at("/dev/ttyUSB0") == ""
    assert where_again("met", "2341:0043:99") == ["/dev/ttyACM3"]
    assert where_again("met", "") == []
    assert remembered_ports() == []
    known_ports.remember("/dev/ttyACM7", "met", "2341:0043:85")
    assert where_again("met", "") == ["/dev/ttyACM0"]
    assert remembered_ports() == ["/dev/ttyACM0"]
    assert [found.port for found in find_ports() if found.remembered] == ["/dev/ttyACM0"]


def test_a_terminals_number_is_never_remembered(terminal: tuple[int, str]) -> None:
    _, port = terminal
    assert not known_ports.remember(port, "lighting")
    assert not known_ports.remember("socket://127.0.0.1:4000", "lighting")
    assert known_ports.remembered() == []
    assert remembered_ports() == []


@pytest.mark.parametrize("text", ["", "{", "[]", '{"form": 2, "ports": []}', '{"form": 1, "ports": [{}]}', "\x00\xff"])
def test_a_damaged_file_is_named_and_left_alone(own_home: Path, text: str) -> None:
    path = own_home / "ports.json"
    path.write_text(text)
    with pytest.raises(Trouble, match=r"ports\.json: damaged"):
        known_ports.remembered()
    with pytest.raises(Trouble, match=r"ports\.json: damaged"):
        known_ports.remember("/dev/ttyS0", "lighting")
    assert path.read_text() == text
    find_ports()


def test_two_programs_agreeing_at_once_lose_nothing() -> None:
    threads = [threading.Thread(target=known_ports.remember, args=(f"/dev/ttyS{n}", "b")) for n in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {entry.port for entry in known_ports.remembered()} == {f"/dev/ttyS{n}" for n in range(20)}


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(*[st.text(max_size=12)] * 4), max_size=5))
def test_what_is_remembered_survives_any_text(entries: list[tuple[str, str, str, str]]) -> None:
    entries_kept = [known_ports.KnownPort(*entry) for entry in entries]
    text = json.dumps({"form": 1, "ports": [entry._asdict() for entry in entries_kept]})
    path = known_ports.home() / "ports.json"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text)
    assert known_ports.remembered() == entries_kept


@pytest.mark.slow
def test_a_pipe_named_like_a_lock_file_holds_nobody_up(terminal: tuple[int, str]) -> None:
    _, port = terminal
    os.mkfifo(lock_path(port), 0o444)
    lock = PortLock(port)
    worker = threading.Thread(target=lock.take, daemon=True)
    worker.start()
    worker.join(10)
    assert not worker.is_alive()
    lock.release()
    assert lock_path(port).exists(), "it is not ours to take away"
    done = subprocess.run([sys.executable, "-m", "benchcon", "ports", port], timeout=60, capture_output=True, text=True)
    assert "Traceback" not in done.stderr


def test_a_link_left_behind_that_leads_to_somebodys_terminal_is_not_opened(tmp_path: Path) -> None:
    """A simulated board was killed, its link stayed, and the number went to the next shell."""
    shell, ours = pty.fork()
    if not shell:
        os.execvp("cat", ["cat"])
    try:
        link = tmp_path / "desk"
        while Path(f"/proc/{shell}/comm").read_text() != "cat\n":
            time.sleep(0.01)
        number = os.readlink(f"/proc/{shell}/fd/0")
        link.symlink_to(number)
        for port in (str(link), number):
            with pytest.raises(Trouble, match=rf"is the terminal of .*process {shell}, not a board"):
                open_device(port)
        done = subprocess.run(
            [
                sys.executable,
                "-m",
                "benchcon",
                "record",
                "--seconds",
                "3",
                "-o",
                str(tmp_path / "x.capture"),
                str(link),
            ],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 2
        assert "not a board" in done.stderr
        # Everything that opens a device itself keeps off, not the link alone.
        done = subprocess.run(
            [sys.executable, "-m", "benchcon", "conform", str(link)], capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 2
        assert "not a board" in done.stderr
        os.set_blocking(ours, False)
        with pytest.raises(BlockingIOError):
            os.read(ours, 100)  # what is written to the shell's terminal would be shown
    finally:
        os.kill(shell, signal.SIGKILL)
        os.waitpid(shell, 0)
        os.close(ours)
