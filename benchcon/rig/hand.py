"""A client for the control connection of a simulated board (`protocols/hand.md`)."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Mapping
from types import TracebackType
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.wire.quote import quote, unquote

ANSWER_S = 5.0
"""How long an answer may take, in addition to the time of a movement."""
LONGEST = 1 << 16
"""Most bytes of an answer."""


_TCP = re.compile(r"tcp:(?P<host>.+?):(?P<port>[0-9]{1,5})(?::(?P<word>[0-9a-f]{8,64}))?")


class Look(NamedTuple):
    """What a lamp looks like."""

    level_permille: int
    """Lightness, 0 to 1000."""
    colour: str
    """The colour of the lamp that is really fitted; empty: not known."""
    flickering: bool
    """Whether it goes out for moments although it is driven."""


class PartPositions(NamedTuple):
    """The positions of all parts that a hand moves."""

    moves: int
    """How many moves there were since the board was started."""
    positions: dict[str, int]
    """Name of a part → position; of a potentiometer: the reading of a healthy one; of an encoder: detents to the right.
    """


class Hand:
    """A program's hand on the parts of one simulated board.

    All methods block. A hand may be used from several threads (requests take turns), and several hands may work one
    board. Every method raises `Trouble` if the board refuses, for example because there is no such part, or does not
    answer in time. The connection is made at the first request, and again after it was lost.
    """

    def __init__(self, control: str, timeout_s: float = ANSWER_S) -> None:
        """Take a board's HAND word as `control`: ``tcp:127.0.0.1:40123:WORD`` or ``unix:/path``.

        `timeout_s`: see `ANSWER_S`. Raises `Trouble` if `control` is not of that form.
        """
        self.control = control
        self.timeout_s = timeout_s
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._rest = b""
        self._where = _TCP.fullmatch(control)
        if not (control.startswith("unix:") and control != "unix:") and not (
            self._where and int(self._where["port"]) < 65536
        ):
            raise Trouble(f"'{printable(control)}' is not a HAND; one looks like tcp:127.0.0.1:40123 or unix:/path")

    def __enter__(self) -> Hand:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    # --- moving -----------------------------------------------------------------------------------------

    def press(self, part: str) -> None:
        """Press the button `part` (its name or its channel), or move a switch so that this contact is made."""
        self.ask("press", part)

    def release(self, part: str) -> None:
        """Release the button `part`, or move a switch so that this contact is open."""
        self.ask("release", part)

    def put(self, part: str, position: int) -> None:
        """Move a switch to `position` (0 is the first), or a potentiometer to where a healthy one reads `position`.

        Returns when it is there.
        """
        self.ask("put", part, str(position))

    def put_percent(self, part: str, percent: float) -> None:
        """Turn a potentiometer to this percentage of its travel: 0 is fully left, 100 fully right."""
        self.ask("put", part, f"{percent:g}%")

    def turn(self, part: str, detents: int) -> None:
        """Turn an encoder by so many detents, to the right if above 0. Returns when it has come to rest."""
        self.ask("turn", part, str(detents), allow_s=abs(detents) * 0.05)

    # --- looking ----------------------------------------------------------------------------------------

    def lit(self) -> dict[str, int]:
        """Return channel id → lightness of each lamp as it is really lit, in permille."""
        return {id_: _number(text) for id_, text in self._pairs("lit").items()}

    def shown(self, display: str) -> bytes:
        """Return the segments that a display really shows, leftmost digit first: 80h point, 40h A … 01h G."""
        return _segments(self._pairs("shown", display).get(display, ""))

    def shown_all(self) -> dict[str, bytes]:
        """Return channel id → segments of all displays; see `shown`."""
        return {id_: _segments(text) for id_, text in self._pairs("shown").items()}

    def seen(self) -> dict[str, Look]:
        """Return channel id → what the lamp looks like."""
        looks = {}
        for id_, text in self._pairs("seen").items():
            level, _, rest = text.partition(":")
            colour, _, how = rest.partition(":")
            looks[id_] = Look(_number(level), colour, how == "flickering")
        return looks

    def flashes(self) -> dict[str, int]:
        """Return, for each lamp and display, the greatest number of flashes in any one second so far.

        A flash is counted as WCAG 2 success criterion 2.3.1 defines a general flash, on what was really lit.
        """
        return {id_: _number(text) for id_, text in self._pairs("flashes").items()}

    def where(self) -> dict[str, int]:
        """Return name of a part → its position; see `PartPositions.positions`."""
        return self.moved().positions

    def moved(self, since: int | None = None, within_s: float = 60.0) -> PartPositions:
        """Return the positions of all parts; with `since`, wait until there were more moves than that.

        Returns the present positions if nothing moves for `within_s`.
        """
        words = ("where",) if since is None else ("moved", str(since), str(int(within_s * 1000)))
        first, *rest = self.ask(*words, allow_s=within_s)
        return PartPositions(_number(first), {key: _number(text) for key, text in _pairs(rest).items()})

    def parts(self) -> dict[str, tuple[str, ...]]:
        """Return name of a part → (kind, number of positions (0: none), channels…)."""
        found = {}
        for name, text in self._pairs("parts").items():
            kind, positions, channels = [*text.split(":"), "", ""][:3]
            found[name] = (kind, positions, *filter(None, channels.split(",")))
        return found

    def time(self) -> tuple[int, int]:
        """Return the true time since the board was started, and the board's own clock since its reset, both in µs."""
        words = self.ask("time")
        return _number(words[0]), _number(words[1])

    # --- faults and power -------------------------------------------------------------------------------

    def fault(self, kind: str, *channels: str, **settings: object) -> int:
        """Put in a fault, and return its number. Settings as in a faults file: ``by="5 ms"``, ``edges=["300 us"]``."""
        words = [f"{key.rstrip('_')}={_setting(value)}" for key, value in settings.items()]
        return _number(self.ask("fault", kind, *channels, *words)[0])

    def faults(self) -> dict[int, tuple[str, ...]]:
        """Return number → words of all faults that are in."""
        found: dict[int, tuple[str, ...]] = {}
        for part in " ".join(self.ask("faults")).split(" | "):
            number, *words = part.split()[:100] or ("",)
            if number:
                found[_number(number)] = tuple(words)
        return found

    def clear(self, number: int | None = None) -> None:
        """Take out one fault, or all (None)."""
        self.ask("clear", *(() if number is None else (str(number),)))

    def reset(self, cause: str = "reset") -> None:
        """Reset the board; `cause` is what its boot line says."""
        self.ask("reset", cause)

    def unplug(self) -> None:
        """Pull the board's cable: the port disappears, and the board has no power."""
        self.ask("unplug")

    def replug(self, name: str = "") -> str:
        """Plug the cable in again, under `name` unless that is empty; return the port."""
        return " ".join(self.ask("replug", *((quote(name),) if name else ())))

    def supply(self, millivolts: int, *channels: str) -> None:
        """Set the supply of all lamps and displays of the board, or of these channels; below 3000 mV nothing is lit."""
        self.ask("supply", str(millivolts), *channels)

    def port(self) -> str:
        """Return the port that a program opens; empty while it is unplugged."""
        return " ".join(self.ask("port"))

    # --- words ------------------------------------------------------------------------------------------

    def ask(self, *words: str, allow_s: float = 0.0) -> list[str]:
        """Send one request, and return the words of its answer after ``ok``; `allow_s`: extra time for the answer.

        Raises `Trouble` if it is refused or not answered in time.
        """
        line = " ".join(words)
        if "\n" in line or "\r" in line:
            raise Trouble("a request to a hand must be one line")
        with self._lock:
            answer = self._exchange(line, self.timeout_s + allow_s)
        verdict, *rest = answer.split() or [""]
        if verdict == "ok":
            return rest
        if verdict == "no":
            raise Trouble(f"{printable(' '.join(rest))} ({printable(unquote(line)[:60])})")
        raise self._silent(f"sent '{printable(answer[:60])}', which is not an answer")

    def close(self) -> None:
        """Close the connection; the next request opens it again."""
        with self._lock:
            self._drop()

    def _exchange(self, line: str, timeout_s: float) -> str:
        try:
            if self._socket is None:
                self._socket = self._connect()
                self._socket.settimeout(timeout_s)
                if self._where and self._where["word"]:
                    self._send_line(self._socket, f"word {self._where['word']}")
            self._socket.settimeout(timeout_s)
            answer = self._send_line(self._socket, line)
        except TimeoutError:
            # An answer that comes later would be taken for the next request's, so connect again.
            self._drop()
            raise self._silent(f"does not answer within {timeout_s:g} s") from None
        except OSError as error:
            self._drop()
            raise self._silent(f"cannot be reached ({printable(error.strerror or str(error))})") from None
        return answer

    def _send_line(self, to: socket.socket, line: str) -> str:
        to.sendall(line.encode("ascii", "replace") + b"\n")
        while b"\n" not in self._rest:
            got = to.recv(4096)
            if not got or len(self._rest) > LONGEST:
                raise ConnectionResetError("the connection was closed")
            self._rest += got
        answer, _, self._rest = self._rest.partition(b"\n")
        return answer.decode("utf-8", "backslashreplace").rstrip("\r")

    def _connect(self) -> socket.socket:
        if self._where:
            host, port = self._where["host"].strip("[]"), int(self._where["port"])
            made = socket.create_connection((host, port), self.timeout_s)
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return made
        if not hasattr(socket, "AF_UNIX"):
            raise OSError("this system has no Unix sockets; start the board with --tcp")
        made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            made.settimeout(self.timeout_s)
            made.connect(self.control.removeprefix("unix:"))
        except BaseException:
            made.close()
            raise
        return made

    def _drop(self) -> None:
        self._rest = b""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _silent(self, what: str) -> Trouble:
        return Trouble(f"the simulated board at {printable(self.control)} {what}; is it still running?")

    def _pairs(self, *words: str) -> dict[str, str]:
        return _pairs(self.ask(*words))


def _pairs(words: list[str]) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for word in words:
        key, equals, text = word.partition("=")
        if equals:
            pairs[key] = unquote(text)
    return pairs


def _number(text: str) -> int:
    try:
        return int(text[:20])
    except ValueError:
        raise Trouble(f"the simulated board answered '{printable(text[:40])}' instead of a number") from None


def _segments(text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise Trouble(f"the simulated board answered '{printable(text[:40])}' instead of segments") from None


def _setting(value: object) -> str:
    if isinstance(value, list | tuple):
        return ",".join(_setting(each) for each in value)
    if isinstance(value, Mapping):
        raise Trouble("a setting of a fault is a number, text or a list")
    return quote(str(value))
