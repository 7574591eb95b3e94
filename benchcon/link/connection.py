"""One open port: bytes read are stamped right after the read, and bytes written never queue behind a stuck board.

pyserial opens and configures the port, and pyserial-asyncio's transport is built upon. Where a file descriptor can be
watched, one read takes everything that is there, writes go out at once, and giving a port up never waits for it.
Network ports (``socket://host:port``) use asyncio's own transport, and so does the socket that stands for a port of
another computer (``rfc2217://host:port``, `benchcon.link.remote`).
"""

from __future__ import annotations

import asyncio
import os
import sys
import threading
from collections.abc import Callable
from typing import Any

import serial_asyncio

from benchcon.errors import Trouble
from benchcon.link.device import close_device, open_device
from benchcon.link.lock import PortLock
from benchcon.link.off_thread import aside
from benchcon.link.remote import SCHEME, Remote
from benchcon.text import printable
from benchcon.wire.codec import RATE

NEVER = 1200
"""A rate in baud that is never used: opening a port at it starts the boot loader of some boards."""
_READ_BYTES = 65536
_SOCKET_TRIES_S = 5.0


class Connection(asyncio.Protocol):
    """An open port. Everything here runs on the link's loop.

    ``heard(data, at_us)`` is called with what one read gave, ``drained()`` when a write that had to wait has gone out,
    and ``gone(why)`` once, when the port is lost.
    """

    def __init__(self, port: str, now_us: Callable[[], int]) -> None:
        self.port = port
        self.rate = 0
        """In baud; 0 for a port that has no rate."""
        self.heard: Callable[[bytes, int], None] = lambda data, at_us: None
        self.drained: Callable[[], None] = lambda: None
        self.gone: Callable[[str], None] = lambda why: None
        self.released = asyncio.Event()
        """Set when the descriptor is closed and the lock released, so that another program can have the port."""
        self._now_us = now_us
        self._transport: Any = None
        self._remote: Remote | None = None
        self._lock = PortLock(port)
        self._waiting = False
        self._over = False
        self._resting: asyncio.TimerHandle | None = None

    # --- opening ---------------------------------------------------------------------------------------------------

    @classmethod
    async def open(cls, port: str, now_us: Callable[[], int]) -> Connection:
        """Open `port` for this program alone. `now_us` gives the stamps of what is read.

        A device or pseudo-terminal is opened at `RATE` with 8 data bits, no parity, one stop bit, no handshake. Raises
        `Trouble`, which says what is wrong and what to do.
        """
        connection = cls(port, now_us)
        loop = asyncio.get_running_loop()
        try:
            if port.startswith("socket://"):
                await connection._open_socket(loop)
            elif port.startswith(SCHEME):
                await connection._open_remote(loop)
            else:
                await connection._open_serial(loop)
        except BaseException:
            connection._lock.release()
            raise
        return connection

    async def _open_socket(self, loop: asyncio.AbstractEventLoop) -> None:
        host, number = address(self.port)
        self._lock.take()
        try:
            async with asyncio.timeout(_SOCKET_TRIES_S):
                transport, _ = await loop.create_connection(lambda: self, host, number)
        except OSError as error:
            raise unreachable(self.port, error) from None
        transport.set_write_buffer_limits(high=0)

    async def _open_remote(self, loop: asyncio.AbstractEventLoop) -> None:
        address(self.port)
        self._lock.take()
        remote = await aside(lambda: Remote(self.port), Remote.close)
        self._remote = remote
        self.rate = RATE
        try:
            transport, _ = await loop.create_connection(lambda: self, sock=remote.sock)
        except BaseException:
            await aside(remote.close)
            raise
        transport.set_write_buffer_limits(high=0)

    async def _open_serial(self, loop: asyncio.AbstractEventLoop) -> None:
        if "://" in self.port:
            address(self.port)
        self._lock.take()
        # Opening may have to wait for the device, so it must not happen on the loop.
        opened = await aside(lambda: open_device(self.port), close_device)
        self.rate = RATE
        try:
            transport = _Transport(loop, self, opened)
        except BaseException:
            close_device(opened)
            raise
        transport.set_write_buffer_limits(high=0)
        self._transport = transport  # `connection_made` comes only on the loop's next turn

    # --- asyncio's side --------------------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Take the transport (called by asyncio)."""
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Pass on bytes that were read this moment."""
        self.heard(data, self._now_us())

    def pause_writing(self) -> None:
        """Note that the system's buffer is full: the board has stopped reading."""
        self._waiting = True

    def resume_writing(self) -> None:
        """Note that everything that had to wait has gone out."""
        self._waiting = False
        self.drained()

    def connection_lost(self, exc: Exception | None) -> None:
        """Report that the port is lost. A device's descriptor may be closed a moment later, see `released`."""
        transport, self._transport = self._transport, None
        if (remote := self._remote) is not None:
            _close_aside(remote.close, self, asyncio.get_running_loop())
        elif not isinstance(transport, _Transport):
            self._release()
        if not self._over:
            self._over = True
            self.gone(_why_lost(exc))

    # --- our side --------------------------------------------------------------------------------------------------

    @property
    def waiting(self) -> bool:
        """Whether an earlier write still has to go out; nothing may be sent then."""
        return self._waiting

    def send(self, data: bytes) -> bool:
        """Write whole lines. Returns True if they have gone out, False if they wait (`drained` will be called).

        Do not send anything while `waiting`; then at most one write is ever held here.
        """
        if self._transport is None:
            return False
        self._transport.write(data)
        return not self._waiting and not self._transport.is_closing()

    def rest(self, seconds: float) -> None:
        """Read nothing for this time; what is sent meanwhile waits in the system's buffers, and then at the board."""
        if self._transport is None or self._resting is not None:
            return
        self._transport.pause_reading()
        self._resting = asyncio.get_running_loop().call_later(seconds, self._go_on)

    def _go_on(self) -> None:
        self._resting = None
        if self._transport is not None:
            self._transport.resume_reading()

    async def set_rate(self, rate: int) -> None:
        """Change the rate of a device, in baud; a network port has none.

        A rate that the device cannot do leaves `rate` as it was. Raises ValueError for 1200 baud.
        """
        if rate == NEVER:
            raise ValueError("1200 baud starts the boot loader of some boards")
        if self._transport is None:
            return
        device = self._remote.serial if self._remote is not None else self._transport.get_extra_info("serial")
        if device is None or rate == self.rate:
            return
        try:
            await aside(lambda: setattr(device, "baudrate", rate))
            self.rate = rate
        except (OSError, ValueError):
            pass  # the device cannot do this rate, or the port has just been lost, which `gone` reports

    def abort(self) -> None:
        """Give the port up at once, whatever still waits in it. `gone` is not called; wait for `released`."""
        self._over = True
        if self._transport is not None:
            self._transport.abort()

    def _release(self) -> None:
        self._lock.release()
        self.released.set()


class _Transport(serial_asyncio.SerialTransport):  # type: ignore[misc]
    """pyserial-asyncio's transport, made faster where descriptors can be watched; it never waits for a stuck port."""

    _serial: Any
    _protocol: Any
    _loop: Any

    def _read_ready(self) -> None:
        if sys.platform == "win32":
            super()._read_ready()
            return
        try:
            data = os.read(self._serial.fd, _READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._abort(error)
            return
        if data:
            self._protocol.data_received(data)
        else:
            self._abort(None)  # hung up

    def write(self, data: bytes) -> None:
        if sys.platform == "win32":
            super().write(data)
            return
        if self._closing:
            return
        if not self._write_buffer:
            # Now instead of on the loop's next turn: the answer comes that much sooner.
            rest = data[self._put(data) :]
            if not rest or self._closing:
                return
            data = rest
        self._write_buffer.append(data)
        self._ensure_writer()
        self._maybe_pause_protocol()

    def _write_ready(self) -> None:
        if sys.platform == "win32":
            super()._write_ready()
            return
        data = b"".join(self._write_buffer)
        rest = data[self._put(data) :]
        self._write_buffer.clear()
        if self._closing:
            return
        if rest:
            self._write_buffer.append(rest)
        else:
            self._remove_writer()
            self._maybe_resume_protocol()

    def _put(self, data: bytes) -> int:
        try:
            return os.write(self._serial.fd, data)
        except (BlockingIOError, InterruptedError):
            return 0
        except OSError as error:
            self._abort(error)
            return len(data)

    def _abort(self, exc: Exception | None) -> None:
        if not self._closing:
            super()._abort(exc)

    def _call_connection_lost(self, exc: Exception | None) -> None:
        # The inherited method drains and closes right here, but a port whose board stopped reading never drains.
        device, protocol, loop = self._serial, self._protocol, self._loop
        self._write_buffer.clear()
        self._serial = self._protocol = self._loop = None
        protocol.connection_lost(exc)
        _close_aside(lambda: close_device(device), protocol, loop)


def _close_aside(close: Callable[[], None], connection: Connection, loop: asyncio.AbstractEventLoop) -> None:
    """Call `close`, which may block, in a thread of its own; then release the port."""

    def do() -> None:
        close()
        try:
            loop.call_soon_threadsafe(connection._release)
        except RuntimeError:  # the loop has ended meanwhile
            connection._lock.release()

    threading.Thread(target=do, name=f"close {connection.port}", daemon=True).start()


def unreachable(port: str, error: OSError) -> Trouble:
    """Return what to tell the user about a ``socket://`` port whose other end does not answer, or refuses."""
    if isinstance(error, TimeoutError):
        return Trouble(f"{port} does not answer: is something listening there?")
    # asyncio's own text is for programs ("Connect call failed ('127.0.0.1', 1)"); the system's is plainer.
    plain = os.strerror(error.errno) if error.errno and error.errno > 0 else error.strerror
    return Trouble(f"{port} cannot be opened ({printable(plain or str(error))}): is something listening there?")


def address(url: str) -> tuple[str, int]:
    """Return host and port number of ``socket://HOST:PORT`` or ``rfc2217://HOST:PORT``.

    Raises `Trouble` for anything else.
    """
    from urllib.parse import urlsplit

    if not url.startswith(("socket://", SCHEME)):
        raise Trouble(
            f"{printable(url)}: the only URLs that can be ports are socket://HOST:PORT and rfc2217://HOST:PORT"
        )
    try:
        parts = urlsplit(url)
        host, number = parts.hostname, parts.port
    except ValueError:
        host = number = None
    if not host or number is None:
        raise Trouble(f"{printable(url)}: a network port is written socket://HOST:PORT or rfc2217://HOST:PORT")
    return host, number


def _why_lost(exc: Exception | None) -> str:
    if exc is None:
        return "hung up"
    text = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
    return printable(text or type(exc).__name__)[:60]
