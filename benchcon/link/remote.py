"""A serial port of another computer, by RFC 2217: pyserial speaks the protocol, the link's loop sees a socket.

pyserial's object has no descriptor to watch, so one thread per direction passes bytes between it and a socket pair.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import Any

import serial

from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.wire.codec import RATE

SCHEME = "rfc2217://"
READ_S = 0.2
WRITE_BYTES = 4096


class Remote:
    """An open port. Opening it blocks on the network, so do not do that on the loop. Raises `Trouble`."""

    def __init__(self, url: str) -> None:
        try:
            self.serial: Any = serial.serial_for_url(url, baudrate=RATE, timeout=READ_S)
        except (OSError, ValueError) as error:
            cause = error.__context__ if isinstance(error.__context__, OSError) else error
            why = printable(getattr(cause, "strerror", None) or str(cause))[:80]
            raise Trouble(f"{printable(url)} cannot be opened ({why}): does an RFC 2217 server listen there?") from None
        self.sock, self._ours = socket.socketpair()
        self.sock.setblocking(False)
        self._threads = [
            threading.Thread(target=target, name=f"{what} {url}", daemon=True)
            for what, target in (("from", self._from_board), ("to", self._to_board))
        ]
        for thread in self._threads:
            thread.start()

    def _from_board(self) -> None:
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):
            while True:
                # Wait for one byte, and then take all that is there with it.
                data = self.serial.read(1)
                if data:
                    self._ours.sendall(data + self.serial.read(self.serial.in_waiting))
        # What pyserial raises when the connection ends depends on what it is doing; whatever it was, it has ended.
        with contextlib.suppress(OSError):
            self._ours.shutdown(socket.SHUT_RDWR)

    def _to_board(self) -> None:
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):
            while data := self._ours.recv(WRITE_BYTES):
                self.serial.write(data)
        with contextlib.suppress(OSError):
            self._ours.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Close the port; may block on the network for a moment."""
        with contextlib.suppress(OSError):
            self._ours.shutdown(socket.SHUT_RDWR)
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):
            self.serial.close()
        for thread in self._threads:
            thread.join(2)
        self._ours.close()
