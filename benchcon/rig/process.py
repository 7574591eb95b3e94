"""A simulated board in a process of its own: its port, its control connection, and one loop that waits for both.

The loop sleeps until a byte comes or the board has something to do. With `follow`, the board ends when its standard
input does, because the program that started it has died.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import selectors
import signal
import socket
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import FrameType

from benchcon.errors import Trouble
from benchcon.rig.board import SimBoard
from benchcon.rig.control import Client
from benchcon.rig.ports import FOLDER, PtyPort, SimulatedPort, TcpPort

LOOK_S = 0.02
IDLE_LOOK_S = 0.1
LOOK_LESS_AFTER_S = 5.0
"""How long after it was last open a pseudo-terminal that nobody has open is checked less often."""
MOST_CLIENTS = 32
MOST_WAITING = 64
"""Most unanswered requests of one hand; no more are read until some are answered."""
UNIX_PATH = 100
"""Longest path of a Unix socket that works on every system, in bytes."""


class Process:
    """One board, its port and its hands. Use `run`."""

    def __init__(self, board: SimBoard, *, tcp: bool, folder: Path | None, follow: bool) -> None:
        self.board = board
        self.began_ns = time.monotonic_ns()
        self.selector = selectors.DefaultSelector()
        self.clients: dict[socket.socket, Client] = {}
        self.ending = False
        self._own_folder: Path | None = None
        self._woken, self._wake = socket.socketpair()
        self._woken.setblocking(False)
        self._wake.setblocking(False)
        self.selector.register(self._woken, selectors.EVENT_READ, self._on_wake)
        if tcp:
            self.port: SimulatedPort = TcpPort(board.name)
            self._socket_path: Path | None = None
        else:
            if folder is None:
                folder = self._own_folder = Path(tempfile.mkdtemp(prefix=FOLDER))
            self.port = PtyPort(folder, board.name)
            path = folder / f"{board.name}.hand"
            self._socket_path = path if len(os.fsencode(path)) <= UNIX_PATH else None
        # Only its owner can use a Unix socket. Anybody on this machine can connect to a TCP port, even a web page in a
        # browser, so a hand has to send a word there that only whoever started the board knows.
        self._word = "" if self._socket_path is not None else secrets.token_hex(8)
        self.listener, self.control = self._listen()
        self.selector.register(self.listener, selectors.EVENT_READ, self._on_client)
        self._watched: dict[socket.socket | int, int] = {}
        self._plugs = self.port.plugs
        self._closed_at = time.monotonic()
        board.plugged_in(self.port)
        self._catch_signals()
        if follow:
            threading.Thread(target=self._follow, name="follow", daemon=True).start()

    def run(self) -> None:
        """Print NAME PORT HAND, and work until told to end; nothing is left behind."""
        try:
            # Whoever waits for this line may be gone already.
            with contextlib.suppress(OSError):
                print(self.board.name, self.port.name, self.control, flush=True)
            self.board.start(self.now_us())
            while not self.ending:
                self._turn()
        finally:
            self._clean()

    def now_us(self) -> int:
        """Return the microseconds since the process began."""
        return (time.monotonic_ns() - self.began_ns) // 1000

    def _turn(self) -> None:
        self._watch()
        next_us = self.board.next_us()
        wait_s = None if next_us is None else max((next_us - self.now_us()) / 1e6, 0.0)
        if isinstance(self.port, PtyPort) and not self.port.is_open and self.port.name:
            look_s = LOOK_S if time.monotonic() - self._closed_at < LOOK_LESS_AFTER_S else IDLE_LOOK_S
            wait_s = look_s if wait_s is None else min(wait_s, look_s)
        ready = self.selector.select(wait_s)
        now_us = self.now_us()
        self.board.run(now_us)
        was_open = self.port.is_open
        if not was_open or not self.board.reads:
            # A port that is not read does not report that it was closed.
            self.port.look()
        for key, events in ready:
            if callable(key.data):
                key.data()
            else:
                self._on_port(key.fileobj, events, now_us)
        if self.port.is_open and not was_open:
            self.board.opened(now_us, self.port.rate())
        elif was_open and not self.port.is_open:
            self._closed_at = time.monotonic()
        self._send()

    def _send(self) -> None:
        data = self.board.take()
        if data:
            self.port.write(data)

    def _watch(self) -> None:
        """Make the selector watch what the port wants watched."""
        wanted: dict[socket.socket | int, int] = {}
        # A board that has stopped reading lets its port fill.
        for source in (*self.port.doors(), *(self.port.sources() if self.board.reads else ())):
            wanted[source] = selectors.EVENT_READ
        for source in self.port.stuffed():
            wanted[source] = wanted.get(source, 0) | selectors.EVENT_WRITE
        if self._plugs != self.port.plugs:
            # A new port may have the descriptor of the old one, which the system no longer watches.
            for source in self._watched:
                with contextlib.suppress(KeyError, ValueError, OSError):
                    self.selector.unregister(source)
            self._watched, self._plugs, self._closed_at = {}, self.port.plugs, time.monotonic()
        if wanted == self._watched:
            return
        for source in self._watched.keys() - wanted.keys():
            with contextlib.suppress(KeyError, ValueError, OSError):
                self.selector.unregister(source)
        for source, events in wanted.items():
            if self._watched.get(source) is None:
                self.selector.register(source, events)
            elif self._watched[source] != events:
                self.selector.modify(source, events)
        self._watched = wanted

    def _on_port(self, source: object, events: int, now_us: int) -> None:
        if not isinstance(source, socket.socket | int):
            return
        if events & selectors.EVENT_WRITE:
            self.port.more()
        if events & selectors.EVENT_READ:
            data = self.port.read(source)
            if data:
                self.board.feed(data, now_us, self.port.rate)

    # --- hands ------------------------------------------------------------------------------------------

    def _listen(self) -> tuple[socket.socket, str]:
        if self._socket_path is not None:
            listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            with contextlib.suppress(OSError):
                self._socket_path.unlink()
            listener.bind(str(self._socket_path))
            os.chmod(self._socket_path, 0o600)
            control = f"unix:{self._socket_path}"
        else:
            listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            listener.bind(("127.0.0.1", 0))
            control = f"tcp:127.0.0.1:{listener.getsockname()[1]}:{self._word}"
        listener.listen(8)
        listener.setblocking(False)
        return listener, control

    def _on_client(self) -> None:
        try:
            made, _ = self.listener.accept()
        except OSError:
            return
        if len(self.clients) >= MOST_CLIENTS:
            made.close()
            return
        made.setblocking(False)

        def send(data: bytes) -> None:
            # A hand that does not read its answers is dropped rather than waited for.
            try:
                if made.send(data) < len(data):
                    self._drop(made)
            except OSError:
                self._drop(made)

        self.clients[made] = Client(self.board, send, self._word)
        self.selector.register(made, selectors.EVENT_READ, lambda: self._on_request(made))

    def _on_request(self, made: socket.socket) -> None:
        client = self.clients.get(made)
        if client is None:
            return
        try:
            data = made.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data or client.waiting > MOST_WAITING:
            self._drop(made)
            return
        client.feed(data, self.now_us())
        if client.gone:
            self._drop(made)
        self.board.run(self.now_us())

    def _drop(self, made: socket.socket) -> None:
        client = self.clients.pop(made, None)
        if client is not None:
            client.gone = True
            with contextlib.suppress(KeyError, ValueError):
                self.selector.unregister(made)
            made.close()

    # --- ending -----------------------------------------------------------------------------------------

    def _catch_signals(self) -> None:
        def end(number: int, frame: FrameType | None) -> None:
            self.ending = True
            self._ring()

        for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), end)

    def _follow(self) -> None:
        """End when standard input does, since whoever started this board has died."""
        with contextlib.suppress(OSError, ValueError):
            while os.read(sys.stdin.fileno(), 4096):
                pass
        self.ending = True
        self._ring()

    def _ring(self) -> None:
        with contextlib.suppress(OSError):
            self._wake.send(b"\0")

    def _on_wake(self) -> None:
        with contextlib.suppress(OSError):
            self._woken.recv(4096)

    def _clean(self) -> None:
        for made in list(self.clients):
            self._drop(made)
        self.listener.close()
        self.port.unplug()
        self.selector.close()
        folder = self._socket_path.parent if self._socket_path else self._own_folder
        with contextlib.suppress(OSError):
            if self._socket_path is not None:
                self._socket_path.unlink()
        if folder is not None:
            # The last of several boards in one folder removes the folder.
            with contextlib.suppress(OSError):
                folder.rmdir()


def run(board: SimBoard, *, tcp: bool = False, folder: Path | None = None, follow: bool = False) -> None:
    """Run `board` until SIGTERM or Ctrl-C; with `follow`, until standard input ends. Raises `Trouble`."""
    if not tcp and not hasattr(os, "openpty"):
        raise Trouble("this system has no pseudo-terminals; start the board with --tcp")
    try:
        process = Process(board, tcp=tcp, folder=folder, follow=follow)
    except OSError as error:
        raise Trouble(f"board '{board.name}' cannot be started: {error.strerror or error}") from None
    process.run()
