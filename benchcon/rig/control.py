"""The words of the control connection: one answer to each request, at once or when a part has come to rest.

`protocols/hand.md` says what they mean. Bytes that are not a request are refused, and leave the board as it is.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable, Sequence
from typing import Protocol

from benchcon.rig.faults import Fault, fault_of_words
from benchcon.rig.lamps import Lamps
from benchcon.rig.physics import Physics
from benchcon.text import near, printable
from benchcon.wire.notifications import CAUSES
from benchcon.wire.quote import unquote

VERSION = 1
LONGEST = 1023
"""Most bytes of a request, without its end."""
LONGEST_WAIT_MS = 600_000

Reply = Callable[[str], None]
"""Called with the answer, once for each request."""


class Controllable(Protocol):
    """A board, as far as requests work on it."""

    name: str
    physics: Physics
    lamps: Lamps

    def at(self, at_us: int, action: Callable[[int], None]) -> object:
        """Call `action` at `at_us`."""

    def on_move(self, action: Callable[[int], None]) -> None:
        """Call `action` when the next part has come to rest."""

    def clock_us(self, now_us: int) -> int:
        """Return the board's own clock in µs, not wrapped."""

    def put_fault(self, fault: Fault, now_us: int) -> int:
        """Put in a fault, and return its number. Raises ValueError if it is not possible on this board."""

    def clear_faults(self, number: int | None, now_us: int) -> None:
        """Take out the fault with this number, or all (None). Raises ValueError if there is no such fault."""

    def faults(self) -> dict[int, Fault]:
        """Return number → fault for all faults that are in."""

    def reset(self, at_us: int, cause: str) -> None:
        """Reset the board, with this cause in its boot line."""

    def supply(self, millivolts: int, now_us: int, only: Sequence[str] = ()) -> None:
        """Set the supply of all lamps and displays, or of those in `only`. Raises ValueError if one does not exist."""

    def unplug(self, now_us: int) -> None:
        """Let the port disappear. Raises ValueError if it is unplugged already."""

    def replug(self, name: str, now_us: int) -> None:
        """Let the port appear again, under this name unless it is empty. Raises ValueError if it is plugged in."""

    def port(self) -> str:
        """Return the port that a program opens; empty while it is unplugged."""


def obey(board: Controllable, request: bytes, now_us: int, reply: Reply) -> None:
    """Carry out one request (without its end); `reply` gets the answer. Never raises, whatever a request holds."""
    try:
        if len(request) > LONGEST:
            raise ValueError(f"this line is too long: at most {LONGEST} bytes")
        text = request.decode("ascii")
        if not text.isprintable():
            raise ValueError("this line is not printable")
        words = text.split()
        if not words:
            reply("")
            return
        known = _WORDS.get(words[0])
        if known is None:
            hint = near(words[0], _WORDS, "'") or f"; known: {', '.join(_WORDS)}"
            raise ValueError(f"unknown word '{words[0][:40]}'{hint}")
        least, most, does = known
        if not least <= len(words) - 1 <= most:
            count = str(least) if least == most else f"{least} to {most}"
            raise ValueError(f"'{words[0]}' takes {count} word{'s' * (most != 1)} after it")
        does(board, words[1:], now_us, reply)
    except UnicodeDecodeError:
        reply("no this line is not printable")
    except ValueError as error:
        reply(f"no {printable(str(error))}")


def _number(word: str, what: str = "a whole number") -> int:
    try:
        if len(word) > 12:
            raise ValueError
        return int(word)
    except ValueError:
        raise ValueError(f"'{word[:40]}' is not {what}") from None


def _ok(reply: Reply, *words: str) -> None:
    reply(" ".join(("ok", *words)))


def _at_rest(board: Controllable, rest_us: int, now_us: int, reply: Reply) -> None:
    if rest_us <= now_us:
        _ok(reply)
    else:
        board.at(rest_us, lambda _: _ok(reply))


def _hello(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _ok(reply, "hand", str(VERSION), board.name)


def _parts(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    movers = board.physics.wiring.movers.values()
    _ok(reply, *(f"{part.name}={part.kind}:{len(part.codes)}:{','.join(part.channels)}" for part in movers))


def _outputs(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    wiring = board.physics.wiring
    _ok(reply, *(f"{name}={wiring.kinds[id_]}:{id_}" for name, id_ in wiring.outputs.items()))


def _press(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _at_rest(board, board.physics.hold(words[0], True, now_us), now_us, reply)


def _release(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _at_rest(board, board.physics.hold(words[0], False, now_us), now_us, reply)


def _put(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    part, where = words[0], unquote(words[1])
    if where.endswith("%"):
        try:
            percent = float(where[:-1])
        except ValueError:
            raise ValueError(f"'{where[:40]}' is not a share such as 50%") from None
        rest_us = board.physics.percent(part, percent, now_us)
    else:
        rest_us = board.physics.put(part, board.physics.position(part, where), now_us)
    _at_rest(board, rest_us, now_us, reply)


def _turn(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _at_rest(board, board.physics.turn(words[0], _number(words[1]), now_us), now_us, reply)


def _lit(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _ok(reply, *(f"{id_}={level}" for id_, level in board.lamps.lit.items()))


def _seen(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _ok(
        reply,
        *(
            f"{id_}={level}:{colour}:{'flickering' if flickers else 'steady'}"
            for id_, (level, colour, flickers) in board.lamps.seen().items()
        ),
    )


def _shown(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    shown = board.lamps.shown
    if words and words[0] not in shown:
        raise ValueError(f"there is no display '{words[0][:40]}' on this board")
    wanted = words or list(shown)
    _ok(reply, *(f"{id_}={shown[id_].hex().upper()}" for id_ in wanted))


def _flashes(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _ok(reply, *(f"{id_}={count}" for id_, count in board.lamps.flashes().items()))


def _where(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _ok(reply, str(board.physics.moves), *(f"{name}={at}" for name, at in board.physics.where().items()))


def _moved(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    since = _number(words[0])
    wait_ms = _number(words[1]) if len(words) > 1 else 0
    if not 0 <= wait_ms <= LONGEST_WAIT_MS:
        raise ValueError(f"'moved' waits from 0 to {LONGEST_WAIT_MS} ms")
    answered = False

    def tell(when_us: int) -> None:
        nonlocal answered
        if not answered:
            answered = True
            _where(board, [], when_us, reply)

    if board.physics.moves > since or not wait_ms:
        tell(now_us)
        return
    board.on_move(tell)
    board.at(now_us + wait_ms * 1000, tell)


def _time(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _ok(reply, str(now_us), str(board.clock_us(now_us)))


def _fault(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    # A channel may be written with its board in front, as in a file.
    front = f"{board.name}."
    plain = [words[0], *(word if "=" in word else word.removeprefix(front) for word in words[1:])]
    _ok(reply, str(board.put_fault(fault_of_words(plain), now_us)))


def _faults(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    _ok(reply, *" | ".join(" ".join((str(no), *fault.words())) for no, fault in board.faults().items()).split())


def _clear(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    board.clear_faults(_number(words[0]) if words else None, now_us)
    _ok(reply)


def _reset(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    cause = words[0] if words else "reset"
    if cause not in CAUSES:
        raise ValueError(f"'{cause[:40]}' is not a cause of a reset; allowed: {', '.join(CAUSES)}")
    board.reset(now_us, cause)
    _ok(reply)


def _supply(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    millivolts = _number(words[0], "a number of millivolts")
    if not 0 <= millivolts <= 60_000:
        raise ValueError("a supply must be from 0 to 60000 mV")
    board.supply(millivolts, now_us, words[1:])
    _ok(reply)


def _unplug(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    board.unplug(now_us)
    _ok(reply)


def _replug(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    name = words[0] if words else ""
    if name and not (len(name) <= 40 and name.replace("_", "a").replace("-", "a").isalnum()):
        raise ValueError("the name of a port may have letters, digits, - and _, at most 40")
    board.replug(name, now_us)
    _port(board, [], now_us, reply)


def _port(board: Controllable, words: list[str], now_us: int, reply: Reply) -> None:
    port = board.port()
    _ok(reply, *([port] if port else []))


_WORDS: dict[str, tuple[int, int, Callable[[Controllable, list[str], int, Reply], None]]] = {
    # word: least and most words after it, function that carries it out
    "hello": (0, 0, _hello),
    "parts": (0, 0, _parts),
    "outputs": (0, 0, _outputs),
    "press": (1, 1, _press),
    "release": (1, 1, _release),
    "put": (2, 2, _put),
    "turn": (2, 2, _turn),
    "lit": (0, 0, _lit),
    "seen": (0, 0, _seen),
    "shown": (0, 1, _shown),
    "where": (0, 0, _where),
    "moved": (1, 2, _moved),
    "flashes": (0, 0, _flashes),
    "time": (0, 0, _time),
    "port": (0, 0, _port),
    "fault": (1, 100, _fault),
    "faults": (0, 0, _faults),
    "clear": (0, 1, _clear),
    "reset": (0, 1, _reset),
    "unplug": (0, 0, _unplug),
    "replug": (0, 1, _replug),
    "supply": (1, 100, _supply),
}


class Client:
    """One hand: splits its bytes into requests, and sends answers in the order of the requests.

    If `word` is not empty, the first request has to be ``word WORD``; any other is refused, and the client is then
    `gone`: nothing more is taken from it.
    """

    def __init__(self, board: Controllable, send: Callable[[bytes], None], word: str = "") -> None:
        self.board = board
        self.send = send
        self.gone = False
        self._word = word
        self._rest = b""
        self._too_long = False
        self._open: list[list[str]] = []

    @property
    def waiting(self) -> int:
        """How many requests have not been answered yet."""
        return len(self._open)

    def feed(self, data: bytes, now_us: int) -> None:
        """Take what this client has sent."""
        *lines, rest = (self._rest + data).split(b"\n")
        for line in lines:
            if self._too_long:
                self._too_long = False
                line = b"x" * (LONGEST + 1)
            line = line.rstrip(b"\r")
            if self._word and not self.gone:
                self._welcome(line)
            elif line.strip() and not self.gone:
                self._request(line, now_us)
        self._rest = rest
        if len(rest) > LONGEST + 1:
            self._too_long, self._rest = True, b""

    def _welcome(self, line: bytes) -> None:
        if hmac.compare_digest(line, b"word " + self._word.encode()):
            self._word = ""
            self.send(b"ok\n")
        else:
            self.send(b"no this hand begins with the word at the end of its HAND\n")
            self.gone = True

    def _request(self, line: bytes, now_us: int) -> None:
        place: list[str] = []
        self._open.append(place)

        def reply(answer: str) -> None:
            place.append(answer)
            self._flush()

        obey(self.board, line, now_us, reply)

    def _flush(self) -> None:
        out = []
        while self._open and self._open[0]:
            out.append(self._open.pop(0)[0])
        if out and not self.gone:
            self.send("".join(f"{answer}\n" for answer in out).encode("utf-8", "backslashreplace"))
