"""A tap's own pings, between the lines of the program that drives the board; only if the user asked for them.

Pings measure the delay in each direction separately; without them a board's clock is known only to within the line's
least delay. But another program drives the board, so:

| what could go wrong | what is done |
|---|---|
| a ping in the middle of a line | it is sent only after a line end, when nothing of the program's waits |
| the dead-man is fed for a program that hangs | if it may be armed, only within `AFTER_US` of the program's request |
| two requests with one tag | the ping has the tag that the program has not used for the longest time |
| its answer confuses the program | it is removed from what the program gets, from its ``<`` to its line end |
| the board's buffer overflows | a ping is sent only when nothing is unanswered; what does not fit beside it waits |
| dark is late because of that | bytes that contain a dark request never wait |
| no answer, or a damaged one | no other ping for two seconds; at worst the program gets one bad line more |

Pure: it takes bytes and the time, and returns bytes.
"""

from __future__ import annotations

from benchcon.wire.codec import LINE_MOST, Splitter, request
from benchcon.wire.records import LINE_DOWN, LINE_UP
from benchcon.wire.slips import hello_slip

EACH_US = 500_000
QUIET_US = 5_000
"""How long the program must have sent nothing before a ping is sent."""
AFTER_US = 250_000
"""While the dead-man may be armed, a ping is sent only within this time after the program's own request."""
HOLD_US = 60_000
"""Longest time that bytes wait for an answer; a board answers within 50 ms (line protocol, section 9)."""
GIVEN_UP_US = 2_000_000
UNANSWERED_US = 1_000_000
SPARE = 16
"""Bytes of the board's receive buffer that are always left for dark (line protocol, section 9)."""
_ENDS = b"\r\n"


class Pings:
    """The pings of one tap. All bytes pass through it (`down`, `up`), and `tick` returns those that waited."""

    def __init__(self) -> None:
        self._lines_down, self._lines_up = Splitter("down", by_hand=True), Splitter("up")
        self._down_ended = False
        """Whether the last byte from the program was a line end."""
        self._back = bytearray()
        """Bytes from the program that wait for the answer to a ping."""
        self._passed = 0
        """Bytes sent to the board since the ping that is under way, itself included."""
        self._down_us = self._asked_us = self._pinged_us = 0
        self._waiting: dict[int, int] = {}
        """Tag of an unanswered request → when it was sent."""
        self._used_us: dict[int, int] = {}
        """Tag → when the program last used it."""
        self._buffer = 0
        """Size of the board's receive buffer, from its `hello`; while it is not known (0) no ping is sent."""
        self._armed = True
        """Whether the dead-man may be armed."""
        self._answer = b""
        """How the answer to the ping under way begins; empty if none is."""
        self._up_ended = True
        self._begun = bytearray()
        """What may be the beginning of that answer; it waits until that is certain."""
        self._begun_us = 0
        self._taken = 0
        """Bytes of the answer removed so far; 0 if none is being removed."""
        self._line_feed = False

    def down(self, data: bytes, now_us: int) -> bytes:
        """Take what the program sends; return the bytes that go to the board now."""
        self._down_us = now_us
        for kind, bodies in self._lines_down.feed(data):
            if kind != LINE_DOWN:
                continue
            for body in bodies:
                if body[:1] == b">":
                    tag = int(body[1:3], 16)
                    self._asked_us = self._waiting[tag] = self._used_us[tag] = now_us
                    self._armed = self._armed or b" deadman " in body
        self._down_ended = data[-1:] in (b"\r", b"\n")
        if not self._held_back(now_us):
            return data
        self._back += data
        return self._freed(now_us)

    def up(self, data: bytes, now_us: int) -> bytes:
        """Take what the board sends; return the bytes that go to the program now."""
        for kind, bodies in self._lines_up.feed(data):
            if kind == LINE_UP:
                for body in bodies:
                    self._learn(body)
        if not (self._answer or self._taken or self._line_feed):
            if data:
                self._up_ended = data[-1] in _ENDS
            return data
        out = bytearray()
        for at in range(len(data)):
            self._sift(data[at : at + 1], out, now_us)
        return bytes(out)

    def tick(self, now_us: int) -> tuple[bytes, bytes]:
        """Return the bytes that have waited long enough: those for the program, those for the board."""
        kept = b""
        if self._answer and now_us - self._pinged_us > GIVEN_UP_US:
            self._answer = b""
        if self._begun and now_us - self._begun_us > HOLD_US:
            kept = bytes(self._begun)
            self._begun.clear()
            self._up_ended = False
        return kept, self._freed(now_us)

    def due(self, now_us: int, stamp_us: int) -> bytes:
        """Return the ping to be sent now, with its line end and `stamp_us` in it; empty if none is due."""
        for tag in [tag for tag, at_us in self._waiting.items() if now_us - at_us > UNANSWERED_US]:
            del self._waiting[tag]
        if (
            not self._buffer
            or not self._down_ended
            or self._waiting
            or self._back
            or self._answer
            or self._taken
            or now_us - self._pinged_us < EACH_US
            or now_us - self._down_us < QUIET_US
            or (self._armed and now_us - self._asked_us > AFTER_US)
        ):
            return b""
        tag = min(range(0xFF, 0, -1), key=lambda tag: self._used_us.get(tag, -1))
        line = request(tag, ["ping", f"{stamp_us & 0xFFFFFFFF:08X}", "00000000"]) + b"\n"
        self._answer = b"<%02X ping " % tag
        self._pinged_us, self._passed = now_us, len(line)
        return line

    def left(self) -> None:
        """Forget the program's requests, since it has closed its port."""
        self._waiting.clear()
        self._back.clear()
        self._down_ended = False

    # --- inside -------------------------------------------------------------------------------------------------------

    def _held_back(self, now_us: int) -> bool:
        return bool(self._back) or (bool(self._answer or self._taken) and now_us - self._pinged_us < HOLD_US)

    def _freed(self, now_us: int) -> bytes:
        """Return those bytes of the program that need not wait any longer."""
        back = self._back
        if not back:
            return b""
        under_way = bool(self._answer or self._taken) and now_us - self._pinged_us < HOLD_US
        room = len(back) if not under_way or b" dark" in back else self._buffer - SPARE - self._passed
        data = bytes(back[: max(room, 0)])
        del back[: len(data)]
        self._passed += len(data)
        return data

    def _learn(self, body: bytes) -> None:
        words = body.decode().split(" ")
        if body[:1] == b"<":
            self._waiting.pop(int(body[1:3], 16), None)
            answer = words[1:-1]
            if answer[0] == "hello" and not hello_slip(tuple(answer)):
                self._buffer = int(answer[3], 16)
            elif answer[0] == "deadman" and len(answer) == 2:
                self._armed = answer[1] != "0000"
        elif words[2] == "boot":
            self._armed = False
            self._waiting.clear()
        elif words[2] == "alive" and len(words) == 11:
            self._armed = bool(int(words[9], 16) & 2)

    def _sift(self, byte: bytes, out: bytearray, now_us: int) -> None:
        if self._line_feed:
            self._line_feed = False
            if byte == b"\n":
                return
        if self._taken:
            self._taken += 1
            if byte in (b"\r", b"\n") or self._taken > LINE_MOST:
                self._taken, self._up_ended = 0, byte in (b"\r", b"\n")
                self._line_feed = byte == b"\r"
            return
        if self._answer and (self._begun or self._up_ended):
            if self._answer.startswith(self._begun + byte):
                self._begun_us = self._begun_us if self._begun else now_us
                self._begun += byte
                if len(self._begun) == len(self._answer):
                    self._taken = len(self._answer)
                    self._answer = b""
                    self._begun.clear()
                return
            out += self._begun
            self._begun.clear()
        out += byte
        self._up_ended = byte in (b"\r", b"\n")
