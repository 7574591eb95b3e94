"""The relay of a tap: a process of its own that passes bytes between a board and the program that drives it.

It does nothing else, so that nothing else can make it late: every byte is passed on unchanged, both ways, and a copy
with its stamp goes down a pipe to the recorder. `benchcon.link.tap` starts it as ``python -m benchcon.link.relay
JSON``, and it ends when its standard input does. Its standard output is a series of frames: `FRAME`, then the bytes.

| what happens | what is done |
|---|---|
| the program closes its side | what the board sends is dropped; DTR falls, as it does when a port is closed |
| the program opens it again | DTR rises, as it does when a port is opened (which resets many boards) |
| the program sets a rate, stop bits (over RFC 2217 also size and parity) | they are set on the board's port |
| pings were asked for | see `benchcon.link.tap_pings`; otherwise nothing is ever sent that the program did not send |
| the board's port goes away | the program's side stays; the port is unlocked, and opened again when it is back |
| one side does not read | the other is not read either, so that nothing piles up and nothing is lost |
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import select
import signal
import socket
import struct
import sys
import termios
import time
import tty
from collections import deque
from typing import Any

from benchcon.errors import Trouble
from benchcon.link.lock import PortLock
from benchcon.link.tap_pings import Pings
from benchcon.text import printable

FRAME = struct.Struct("<QcI")
"""Stamp (CLOCK_MONOTONIC, microseconds), kind, length."""
UP, DOWN, SAYS = b"<", b">", b"~"
"""Kinds of frame: bytes from the board, bytes to it, a line of JSON ``[WORD, TEXT]``."""
MOST_WAITING = 64 << 10
"""Most bytes that may wait for a side that does not take them."""
MOST_UNRECORDED = 64 << 20
"""Most bytes that may wait for the recorder; beyond that, bytes are passed on but not recorded."""
LOOK_S = 0.02
WRITE_MS = 3
WRITE_BYTES = 64 << 10
"""Frames are written to the pipe after `WRITE_MS` with nothing to pass on, or when `WRITE_BYTES` have collected."""
OPEN_AGAIN_S = 0.5
NOW_S = 0.1
"""How often the recorder hears that nothing has happened; with several taps, the others' records wait for that."""
_CFLAGS = termios.CSTOPB
"""What can be passed on: a pseudo-terminal keeps rate and stop bits, but not size and parity (Linux, ``pty.c``)."""


def now_us() -> int:
    """Return CLOCK_MONOTONIC in microseconds."""
    return time.monotonic_ns() // 1000


class Pty:
    """The program's side as a pseudo-terminal."""

    def __init__(self, rate: int) -> None:
        self.fd, slave = os.openpty()
        tty.setraw(slave)
        settings = termios.tcgetattr(slave)
        settings[4] = settings[5] = getattr(termios, f"B{rate}", termios.B115200)
        settings[2] |= termios.HUPCL
        termios.tcsetattr(slave, termios.TCSANOW, settings)
        self.name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.fd, False)
        self.there = False
        self._look = select.poll()
        self._look.register(self.fd, select.POLLIN)

    def look(self) -> None:
        """Check whether a program has it open; what one program left unread is thrown away."""
        hung_up = any(event & select.POLLHUP and not event & select.POLLIN for _, event in self._look.poll(0))
        if self.there and hung_up:
            with contextlib.suppress(OSError, termios.error):
                slave = os.open(self.name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
                termios.tcflush(slave, termios.TCIOFLUSH)
                os.close(slave)
        self.there = not hung_up

    def read(self) -> bytes:
        try:
            return os.read(self.fd, MOST_WAITING)
        except BlockingIOError:
            return b""
        except OSError:
            self.look()
            return b""

    def write(self, data: bytes) -> int:
        try:
            return os.write(self.fd, data)
        except BlockingIOError:
            return 0

    def settings(self) -> tuple[int, int, bool] | None:
        """Return speed and stop bits as the program set them (termios), and whether closing drops DTR; or None."""
        try:
            found = termios.tcgetattr(self.fd)
        except termios.error:
            return None
        return found[5], found[2] & _CFLAGS, bool(found[2] & termios.HUPCL)


class TcpProgram:
    """The program's side as a TCP port; one program at a time."""

    def __init__(self, host: str, port: int, scheme: str) -> None:
        self.server = socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
        self.server.setblocking(False)
        shown, number = self.server.getsockname()[:2]
        self.name = f"{scheme}://{f'[{shown}]' if ':' in shown else shown}:{number}"
        self.client: socket.socket | None = None

    @property
    def fd(self) -> int:
        return self.client.fileno() if self.client is not None else -1

    @property
    def there(self) -> bool:
        return self.client is not None

    def look(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            come, _ = self.server.accept()
            if self.client is not None:
                come.close()  # with a second program, each would get half of the answers
                return
            come.setblocking(False)
            come.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.client = come
            self.greet()

    def greet(self) -> None:
        """Note that a program has connected."""

    def leave(self) -> None:
        if self.client is not None:
            self.client.close()
        self.client = None

    def read(self) -> bytes:
        if self.client is None:
            return b""
        try:
            data = self.client.recv(MOST_WAITING)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self.leave()
        return data

    def write(self, data: bytes) -> int:
        if self.client is None:
            return len(data)
        try:
            return self.client.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self.leave()
            return len(data)

    def settings(self) -> tuple[int, int, bool] | None:
        return None


class Rfc2217(TcpProgram):
    """The same with RFC 2217, which passes rate and line signals too. pyserial's server does the protocol."""

    def __init__(self, host: str, port: int, relay: Relay) -> None:
        super().__init__(host, port, "rfc2217")
        self._relay = relay
        self._manager: Any = None
        self._out = bytearray()

    def greet(self) -> None:
        import serial.rfc2217

        into: Any = _Into(self._out)
        lenient: Any = _Lenient(self._relay)
        self._manager = serial.rfc2217.PortManager(lenient, into)

    def look(self) -> None:
        super().look()
        if self._manager is not None:
            self._manager.check_modem_lines()
        self.flush()

    def leave(self) -> None:
        super().leave()
        self._manager = None
        self._out.clear()

    def flush(self) -> None:
        if self._out:
            del self._out[: super().write(bytes(self._out))]

    def read(self) -> bytes:
        data = super().read()
        if self._manager is None or not data:
            return b""
        plain = b"".join(self._manager.filter(data))
        self.flush()
        return plain

    def write(self, data: bytes) -> int:
        if self._manager is None:
            return len(data)
        self.flush()
        if len(self._out) > MOST_WAITING:
            return 0
        self._out += b"".join(self._manager.escape(data))
        self.flush()
        return len(data)


class _Lenient:
    """The board's port as pyserial's server sees it: a signal that it lacks, or a port that is gone, reads as off.

    The server does not expect errors there: one in the middle of a client's bytes would lose the rest of them.
    """

    def __init__(self, relay: Relay) -> None:
        self.__dict__["relay"] = relay

    def __getattr__(self, name: str) -> Any:
        device = self.__dict__["relay"].device
        try:
            found = getattr(device, name)
        except (OSError, AttributeError):
            return (lambda *_: None) if name.startswith(("reset_", "send_")) else False
        return found

    def __setattr__(self, name: str, value: Any) -> None:
        self.__dict__["relay"].asked(name, value)


class _Into:
    """Where pyserial writes its part of the negotiation."""

    def __init__(self, out: bytearray) -> None:
        self._out = out

    def write(self, data: bytes) -> None:
        self._out += data


class Relay:
    """Both sides, and the pipe."""

    def __init__(self, order: dict[str, Any]) -> None:
        self.port: str = order["port"]
        self.record: bool = order["record"]
        self.rate: int = order["rate"]
        self.device: Any = None
        """pyserial's object, or a socket."""
        self.device_fd = -1
        self._frames: deque[bytes] = deque()
        self._waiting_bytes = 0
        self._missed = 0
        self._open_at_s = 0.0
        # This process has the port, and so the lock; but the lock names the tap, which a user can end.
        self._pid: int = order["pid"]
        self._lock = PortLock(self.port, self._pid)
        self._mark = self._hung_up = ("", 0)  # see `pseudo_mark`
        self._last_why = ""
        self._settings: tuple[int, int, bool] | None = None
        self._asked: dict[str, Any] = {}
        """What the program has set over the network (RFC 2217), under pyserial's names."""
        self._was_there = False
        self._now_at_s = 0.0
        self._pings: Pings | None = None
        self._ping: bool = order.get("ping", False)
        self._zero_us: int = order.get("zero_us", 0)
        self.open()
        if order["rfc2217"] and self.port.startswith("socket://"):
            raise Trouble("--rfc2217 passes rates and signals on, and a network port has none: leave it out")
        host, number = order.get("listen") or ("", 0)
        self.far: Pty | TcpProgram
        try:
            if order["rfc2217"]:
                self.far = Rfc2217(host, number, self)
            elif host:
                self.far = TcpProgram(host, number, "socket")
            else:
                self.far = Pty(self.rate)
        except OSError:
            self.close()
            raise
        self._raise_dtr(False)

    # --- the board's port -------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Lock and open the board's port. Raises `Trouble`."""
        from benchcon.link.pseudo_terminals import pseudo_mark

        self._mark = pseudo_mark(self.port)
        if self._mark[0] and self._mark == self._hung_up:
            what = "start it again" if self._mark[1] else "start it again, and the tap"
            raise Trouble(f"{printable(self.port)} is gone: the program that made it has ended; {what}")
        # A new lock each time: a link may lead elsewhere now.
        self._lock = PortLock(self.port, self._pid)
        self._lock.take()
        try:
            self._open()
        except BaseException:
            self._lock.release()
            raise
        self.device_fd = self.device.fileno()
        if self._ping:
            self._pings = Pings()  # afresh: it may be another board
        self.say("opened", str(self.rate))
        if not isinstance(self.device, socket.socket):
            self._ask_again()

    def _open(self) -> None:
        if self.port.startswith("socket://"):
            from benchcon.link.connection import address, unreachable

            try:
                self.device = socket.create_connection(address(self.port), timeout=5)
            except OSError as error:
                raise unreachable(self.port, error) from None
            self.device.setblocking(False)
            self.device.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        else:
            from benchcon.link.device import open_device

            self.device = open_device(self.port)
            with contextlib.suppress(OSError, ValueError):
                self.device.baudrate = self.rate
            os.set_blocking(self.device.fileno(), False)

    def lost(self, why: str) -> None:
        with contextlib.suppress(OSError):
            self.device.close()
        self.device, self.device_fd = None, -1
        # While the port is gone it is not locked: its name may be given to another board.
        self._lock.release()
        self._hung_up = self._mark
        self._last_why = ""
        self._settings = None
        self._open_at_s = time.monotonic() + OPEN_AGAIN_S
        self.say("lost", why)

    def close(self) -> None:
        """Give the board's port up."""
        if self.device is not None:
            with contextlib.suppress(OSError):
                self.device.close()
        self._lock.release()

    def _try_again(self) -> None:
        self._open_at_s = time.monotonic() + OPEN_AGAIN_S
        try:
            self.open()
        except Trouble as trouble:
            if str(trouble) != self._last_why:
                self._last_why = str(trouble)
                self.say("waiting", self._last_why)

    def _raise_dtr(self, up: bool) -> None:
        if not isinstance(self.device, socket.socket) and self.device is not None and isinstance(self.far, Pty):
            with contextlib.suppress(OSError, ValueError):
                self.device.dtr = up

    def _pass_settings(self) -> None:
        """Set on the board's port what the program set on its own."""
        if isinstance(self.device, socket.socket) or self.device is None or not self.far.there:
            return
        wanted = self.far.settings()
        if wanted is None or wanted == self._settings:
            return
        self._settings = wanted
        speed, flags, _ = wanted
        try:
            found = termios.tcgetattr(self.device_fd)
            if (found[5], found[2] & _CFLAGS) == (speed, flags):
                return
            found[4] = found[5] = speed
            found[2] = found[2] & ~_CFLAGS | flags
            termios.tcsetattr(self.device_fd, termios.TCSANOW, found)
        except termios.error as error:
            self.say("unset", str(error))
            return
        rate = next((name[1:] for name in dir(termios) if name[:1] == "B" and getattr(termios, name) == speed), "?")
        self.say("set", rate)

    def asked(self, name: str, value: Any) -> None:
        """Set what the program asks for over the network, now and whenever the port is opened again."""
        self._asked[name] = value
        if self.device is not None:
            # An error about a value that cannot be set is ignored: the server answers with the value that is set.
            with contextlib.suppress(OSError, termios.error):
                setattr(self.device, name, value)
            self._tell_rate()

    def _ask_again(self) -> None:
        for name, value in self._asked.items():
            with contextlib.suppress(OSError, ValueError, termios.error):
                setattr(self.device, name, value)
        self._tell_rate()

    def _tell_rate(self) -> None:
        if "baudrate" in self._asked and self.device.baudrate != self.rate:
            self.rate = self.device.baudrate
            self.say("set", str(self.rate))

    # --- telling ----------------------------------------------------------------------------------------------------

    def tell(self, kind: bytes, data: bytes, at_us: int) -> None:
        """Queue a frame for the recorder; bytes beyond `MOST_UNRECORDED` are only counted."""
        if self._waiting_bytes > MOST_UNRECORDED and kind != SAYS:
            self._missed += len(data)
            return
        if self._missed and kind != SAYS:
            missed, self._missed = self._missed, 0
            self.say("missed", str(missed))
        frame = FRAME.pack(at_us, kind, len(data)) + data
        self._frames.append(frame)
        self._waiting_bytes += len(frame)

    def say(self, word: str, text: str = "") -> None:
        self.tell(SAYS, json.dumps([word, text]).encode(), now_us())

    def _write_frames(self) -> None:
        while self._frames:
            frame = self._frames[0]
            try:
                count = os.write(1, frame)
            except BlockingIOError:
                return
            self._waiting_bytes -= count
            if count < len(frame):
                self._frames[0] = frame[count:]
                return
            self._frames.popleft()

    # --- passing on -------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Pass bytes on until standard input ends."""
        self.say("ready", self.far.name)
        up, down = bytearray(), bytearray()
        next_look_s = 0.0
        while True:
            far_fd = self.far.fd if self.far.there else -1
            poll = select.poll()
            poll.register(0, select.POLLIN)
            if self.device_fd >= 0:
                wants = (select.POLLIN if len(up) < MOST_WAITING else 0) | (select.POLLOUT if down else 0)
                poll.register(self.device_fd, wants)
            if far_fd >= 0:
                wants = (select.POLLIN if len(down) < MOST_WAITING else 0) | (select.POLLOUT if up else 0)
                poll.register(far_fd, wants)
            if isinstance(self.far, TcpProgram):
                poll.register(self.far.server.fileno(), select.POLLIN)
            again = True
            # The same poll object is used again and again: most turns do not change what is waited for.
            while again and time.monotonic() < next_look_s:
                events = dict(poll.poll(WRITE_MS if self._frames else LOOK_S * 1000))
                if 0 in events:
                    return
                if events:
                    again = self._turn(events, far_fd, up, down)
                # The recorder is woken when there is nothing to pass on, so that it delays no bytes.
                if self._frames and (not events or self._waiting_bytes > WRITE_BYTES):
                    self._write_frames()
            if time.monotonic() >= next_look_s:
                next_look_s = time.monotonic() + LOOK_S
                self._look(up, down)
                self._write_frames()

    def _turn(self, events: dict[int, int], far_fd: int, up: bytearray, down: bytearray) -> bool:
        """Pass on what has come; return whether to wait for the same things next."""
        waited = bool(up), bool(down)
        if self.device_fd in events and self.device_fd >= 0 and events[self.device_fd] & ~select.POLLOUT:
            data = self._from_board()
            at_us = now_us()
            if data:
                shown = data
                if self._pings is not None:
                    shown = self._pings.up(data, at_us)
                    down += self._pings.tick(at_us)[1]
                if self.far.there:
                    up += shown
                    self._flush_up(up)
                if self.record:
                    self.tell(UP, data, at_us)
        if far_fd >= 0 and far_fd in events and events[far_fd] & ~select.POLLOUT:
            data = self.far.read()
            if data:
                self._pass_settings()
                # Stamped before it is passed on: the board may have it as soon as it is written.
                at_us = now_us()
                down += data if self._pings is None else self._pings.down(data, at_us)
                self._flush_down(down)
                if self.record:
                    self.tell(DOWN, data, at_us)
            elif not self.far.there or events[far_fd] & (select.POLLHUP | select.POLLERR):
                self.far.look()
                return False
        if up:
            self._flush_up(up)
        if down:
            self._flush_down(down)
        if isinstance(self.far, TcpProgram) and self.far.server.fileno() in events:
            return False
        full = len(up) >= MOST_WAITING or len(down) >= MOST_WAITING
        same = (bool(up), bool(down)) == waited and not full
        return same and self.device_fd >= 0 and self.far.there == (far_fd >= 0)

    def _from_board(self) -> bytes:
        try:
            data: bytes = os.read(self.device_fd, MOST_WAITING)
        except BlockingIOError:
            return b""
        except OSError as error:
            self.lost("hung up" if error.errno == errno.EIO else str(error.strerror))
            return b""
        if not data:
            self.lost("hung up")
        return data

    def _flush_up(self, up: bytearray) -> None:
        if up:
            del up[: self.far.write(bytes(up))]

    def _flush_down(self, down: bytearray) -> None:
        if down and self.device_fd >= 0:
            try:
                del down[: os.write(self.device_fd, down)]
            except BlockingIOError:
                return
            except OSError as error:
                self.lost("hung up" if error.errno == errno.EIO else str(error.strerror))

    def _look(self, up: bytearray, down: bytearray) -> None:
        self.far.look()
        if self.far.there != self._was_there:
            self._was_there = self.far.there
            if not self.far.there:
                up.clear()
                if self._pings is not None:
                    self._pings.left()
            self.say("came" if self.far.there else "left")
            if self.far.there or self._settings is None or self._settings[2]:
                self._raise_dtr(self.far.there)
        if self.device is None:
            down.clear()  # a port that is gone takes no bytes: they are lost, as they would be without a tap
            if time.monotonic() >= self._open_at_s:
                self._try_again()
        self._pass_settings()
        if self._pings is not None and self.far.there and self.device is not None:
            self._send_ping(self._pings, up, down)
        if self.record and not self._frames and time.monotonic() >= self._now_at_s:
            self._now_at_s = time.monotonic() + NOW_S
            self.say("now")

    def _send_ping(self, pings: Pings, up: bytearray, down: bytearray) -> None:
        """Pass on what has waited long enough, and send a ping if one is due and nothing is on its way."""
        at_us = now_us()
        more_up, more_down = pings.tick(at_us)
        up += more_up
        down += more_down
        if not down and (ping := pings.due(at_us, at_us - self._zero_us)):
            down += ping
            if self.record:
                self.tell(DOWN, ping, at_us)
        self._flush_up(up)
        self._flush_down(down)


def main() -> None:
    """Run the relay; its orders are JSON in the first argument."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    os.set_blocking(1, False)
    try:
        relay = Relay(json.loads(sys.argv[1]))
    except (Trouble, OSError) as trouble:
        text = (
            str(trouble)
            if isinstance(trouble, Trouble)
            else f"cannot listen at that address: {trouble.strerror or trouble}"
        )
        body = json.dumps(["refused", text]).encode()
        os.write(1, FRAME.pack(now_us(), SAYS, len(body)) + body)
        return
    try:
        relay.run()
        os.set_blocking(1, True)
        with contextlib.suppress(OSError):
            relay._write_frames()
    finally:
        relay.close()


if __name__ == "__main__":
    main()
