"""The port of a simulated board: a pseudo-terminal with a name that stays the same, or a TCP port.

Nothing here blocks: reads and writes do what they can at once. What is written to a port that nobody has open is lost,
as on a serial line.
"""

from __future__ import annotations

import contextlib
import os
import socket
from pathlib import Path
from typing import Protocol

FOLDER = "benchcon-"
"""Beginning of the names of simulated boards' folders, in the folder for temporary files."""
WAITING = 1 << 16
"""Most bytes that wait for a program that does not read; further ones are lost, and counted."""


_WEB = (b"GET ", b"POST ", b"PUT ", b"HEAD ", b"OPTIONS ", b"DELETE ", b"PATCH ", b"CONNECT ", b"\x16\x03")
"""How a browser's requests begin, plain (RFC 9112) or by TLS (RFC 8446); no line of the protocol does. Any web page can
make a browser connect to a port of this machine."""


class SimulatedPort(Protocol):
    """A serial port that can be unplugged and plugged in again."""

    lost: int
    """How many bytes were lost because nobody read them."""
    is_open: bool
    """Whether a program has it open."""
    plugs: int
    """How often it was plugged in; what was watched before the last time no longer exists."""

    @property
    def name(self) -> str:
        """The port that a program opens; empty while it is unplugged."""

    def doors(self) -> list[socket.socket | int]:
        """Return what to watch for programs that open the port."""

    def sources(self) -> list[socket.socket | int]:
        """Return what to watch for bytes."""

    def stuffed(self) -> list[socket.socket | int]:
        """Return what to watch for room to write."""

    def look(self) -> bool:
        """Check whether the port was opened or closed; return whether it was opened."""

    def read(self, source: socket.socket | int) -> bytes:
        """Return what has come from one of `sources`, or accept a program at one of `doors`."""

    def write(self, data: bytes) -> None:
        """Send bytes, now or when there is room; lose them if nobody has the port open or too many wait."""

    def more(self) -> None:
        """Send bytes that wait."""

    def rate(self) -> int | None:
        """Return the rate in baud at which it was opened; None if it has none."""

    def unplug(self) -> None:
        """Let the port disappear."""

    def plug(self, name: str) -> None:
        """Let the port appear under this name."""


class _Outgoing:
    """The bytes that wait to be sent."""

    def __init__(self) -> None:
        self.lost = 0
        self._waiting = bytearray()

    def _send(self, data: bytes) -> int:
        raise BlockingIOError

    def write(self, data: bytes) -> None:
        if self._waiting or not data:
            self._keep(data)
            self.more()
            return
        sent = self._try(data)
        if sent < len(data):
            self._keep(data[sent:])

    def more(self) -> None:
        """Send bytes that wait."""
        if self._waiting:
            del self._waiting[: self._try(bytes(self._waiting[:4096]))]

    def _keep(self, data: bytes) -> None:
        if len(self._waiting) + len(data) <= WAITING:
            self._waiting += data
        else:
            self.lost += len(data)

    def _try(self, data: bytes) -> int:
        try:
            return self._send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self.lost += len(data)
            return len(data)


class PtyPort(_Outgoing):
    """A pseudo-terminal, reached through a link in a private folder, so that its name stays the same when replugged."""

    def __init__(self, folder: Path, name: str) -> None:
        super().__init__()
        self.folder = folder
        self.is_open = False
        self.plugs = 0
        self._link: Path | None = None
        self._main = -1
        self.plug(name)

    @property
    def name(self) -> str:
        return str(self._link or "")

    def plug(self, name: str) -> None:
        import tty

        self.plugs += 1
        main, device = os.openpty()
        # Raw before the first byte, or what the board sends would come back as an echo.
        tty.setraw(device)
        link = self.folder / name
        made = self.folder / f".{name}.{os.getpid()}"
        os.symlink(os.ttyname(device), made)
        os.replace(made, link)
        os.close(device)
        os.set_blocking(main, False)
        self._main, self._link = main, link

    def unplug(self) -> None:
        if self._link is not None:
            with contextlib.suppress(OSError):
                self._link.unlink()
            os.close(self._main)
        self._main, self._link, self.is_open = -1, None, False
        self._waiting.clear()

    def doors(self) -> list[socket.socket | int]:
        # A pseudo-terminal does not report that it was opened; `look` finds out.
        return []

    def sources(self) -> list[socket.socket | int]:
        return [self._main] if self.is_open else []

    def stuffed(self) -> list[socket.socket | int]:
        return [self._main] if self.is_open and self._waiting else []

    def look(self) -> bool:
        import select

        if self._main < 0:
            return False
        poll = select.poll()
        poll.register(self._main, select.POLLIN)
        is_open = not any(event & select.POLLHUP for _, event in poll.poll(0))
        opened = is_open and not self.is_open
        if not is_open and self.is_open:
            self._waiting.clear()
        self.is_open = is_open
        return opened

    def read(self, source: socket.socket | int) -> bytes:
        try:
            return os.read(self._main, 4096)
        except BlockingIOError:
            return b""
        except OSError:
            self.look()
            return b""

    def write(self, data: bytes) -> None:
        if self.is_open:
            super().write(data)

    def _send(self, data: bytes) -> int:
        return os.write(self._main, data)

    def rate(self) -> int | None:
        import termios

        if self._main < 0:
            return None
        code = termios.tcgetattr(self._main)[5]
        names = [name for name in dir(termios) if name[0] == "B" and name[1:].isdigit()]
        return next((int(name[1:]) for name in names if getattr(termios, name) == code), None)


class TcpPort(_Outgoing):
    """A TCP port on this machine, opened as ``socket://127.0.0.1:PORT`` by one program at a time."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.is_open = False
        self.plugs = 0
        self._number = 0
        self._numbers: dict[str, int] = {}
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._silent = True  # the peer has sent nothing yet
        self.plug(name)

    @property
    def name(self) -> str:
        return f"socket://127.0.0.1:{self._number}" if self._listener else ""

    def plug(self, name: str) -> None:
        self.plugs += 1
        # Each name keeps its port number, which the system chooses the first time.
        number = self._numbers.get(name, 0)
        self._listener = listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name != "nt":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", number))
        listener.listen(4)
        listener.setblocking(False)
        self._number = self._numbers[name] = listener.getsockname()[1]

    def unplug(self) -> None:
        self._hang_up()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def doors(self) -> list[socket.socket | int]:
        return [self._listener] if self._listener is not None else []

    def sources(self) -> list[socket.socket | int]:
        return [self._peer] if self._peer is not None else []

    def stuffed(self) -> list[socket.socket | int]:
        return [self._peer] if self._peer is not None and self._waiting else []

    def look(self) -> bool:
        return False

    def read(self, source: socket.socket | int) -> bytes:
        if source is self._listener and self._listener is not None:
            self._accept(self._listener)
            return b""
        if self._peer is None:
            return b""
        try:
            data = self._peer.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data or (self._silent and data.startswith(_WEB)):
            self._hang_up()
            return b""
        self._silent = False
        return data

    def _accept(self, listener: socket.socket) -> None:
        try:
            peer, _ = listener.accept()
        except OSError:
            return
        if self._peer is not None:
            peer.close()
            return
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peer, self.is_open, self._silent = peer, True, True

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
        self._peer, self.is_open = None, False
        self._waiting.clear()

    def write(self, data: bytes) -> None:
        if self._peer is not None:
            super().write(data)

    def _send(self, data: bytes) -> int:
        if self._peer is None:
            return len(data)
        return self._peer.send(data)

    def rate(self) -> int | None:
        return None
