"""Ports of another computer (``rfc2217://``) are ports like any other; the server is pyserial's own (RFC 2217)."""

from __future__ import annotations

import contextlib
import os
import socket
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
import serial.rfc2217
from link.boards import LONG_S, PeerProcess, Watched, did


class Server:
    """pyserial's RFC 2217 server over one serial port, for one client at a time."""

    def __init__(self, port: str) -> None:
        self.serial = serial.Serial(port, timeout=0.02)
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self.listener.getsockname()[1]}"
        self.client: socket.socket | None = None
        self._ended = False
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while not self._ended:
            try:
                self.client, _ = self.listener.accept()
            except OSError:
                return
            lock = threading.Lock()
            client = self.client

            manager = serial.rfc2217.PortManager(_NoSignals(self.serial), _Out(client, lock))  # type: ignore[arg-type]
            reader = threading.Thread(target=self._from_board, args=(manager, client, lock), daemon=True)
            reader.start()
            try:
                while data := client.recv(1024):
                    self.serial.write(b"".join(manager.filter(data)))
            except OSError:
                pass
            client.close()
            reader.join()

    def _from_board(self, manager: serial.rfc2217.PortManager, client: socket.socket, lock: threading.Lock) -> None:
        try:
            while client.fileno() >= 0:
                data = self.serial.read(max(1, self.serial.in_waiting))
                if data:
                    escaped = b"".join(manager.escape(data))
                    with lock:
                        client.sendall(escaped)
        except OSError:
            return

    def hang_up(self) -> None:
        if self.client is not None:
            with contextlib.suppress(OSError):
                self.client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._ended = True
        self.hang_up()
        self.listener.close()


class _Out:
    def __init__(self, client: socket.socket, lock: threading.Lock) -> None:
        self.client, self.lock = client, lock

    def write(self, data: bytes) -> None:
        with self.lock:
            self.client.sendall(data)


class _NoSignals:
    """A pseudo-terminal as a serial port: it has no modem signals to ask for."""

    def __init__(self, port: serial.Serial) -> None:
        self.__dict__["port"] = port

    def __getattr__(self, name: str) -> object:
        return False if name in ("cts", "dsr", "ri", "cd") else getattr(self.__dict__["port"], name)

    def __setattr__(self, name: str, value: object) -> None:
        if name not in ("dtr", "rts"):
            setattr(self.__dict__["port"], name, value)


@pytest.fixture
def board() -> Iterator[PeerProcess]:
    peer = PeerProcess()
    yield peer
    peer.close()


def test_a_board_behind_rfc_2217_is_linked_and_driven(board: PeerProcess) -> None:
    server = Server(board.port)
    watched = Watched(server.url)
    try:
        info = watched.stands(server.url, "live")
        assert info.rate == 115200
        state = watched.state.boards[info.source]
        lamp = next(channel.id for channel in state.channels.values() if channel.kind == "lamp")
        did(watched.bench.set_lamp(info.source, lamp, 1000))
        assert state.channels[lamp].value == 1000
    finally:
        watched.bench.close()
        server.close()


def found_again_after_the_network_hung_up() -> None:
    peer = PeerProcess()
    server = Server(peer.port)
    watched = Watched(server.url)
    try:
        watched.stands(server.url, "live")
        server.hang_up()
        watched.wait(lambda: watched.linked("lost"))
        watched.stands(server.url, "live")
    finally:
        watched.bench.close()
        server.close()
        peer.close()


def test_it_is_found_again_after_the_network_hung_up() -> None:
    """In a process of its own: pyserial's threads end in the midst of what they do, and its code says how."""
    code = "import sys; sys.path.insert(0, sys.argv[1]); from link import test_remote as it; it.{}()"
    code = code.format(found_again_after_the_network_hung_up.__name__)
    words = [sys.executable, "-X", "faulthandler", "-c", code, str(Path(__file__).parents[1])]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


async def test_its_rate_is_set_over_the_network() -> None:
    from benchcon.link.connection import Connection

    master, slave = os.openpty()
    tty.setraw(slave)
    server = Server(os.ttyname(slave))
    connection = await Connection.open(server.url, lambda: 0)
    assert termios.tcgetattr(master)[5] == termios.B115200
    await connection.set_rate(38400)
    end = time.monotonic() + LONG_S
    while termios.tcgetattr(master)[5] != termios.B38400:
        assert time.monotonic() < end
        time.sleep(0.01)
    connection.abort()
    await connection.released.wait()
    server.close()
    os.close(master)
    os.close(slave)
