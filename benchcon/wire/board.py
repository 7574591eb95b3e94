"""The board side of the protocol, without I/O, for simulated boards.

It implements all of `protocols/line-protocol.md`: every word, every refusal, a bounded ring of notifications with an
exact ``lost``, dead-man, heartbeats, a clock that wraps. The caller says what its inputs do (`change`, `edge`,
`reading`) and is called when its outputs change (`on_outputs`).

What holds the outputs off, and what changes it:

| outputs | `set` | becomes |
|---|---|---|
| free | done | dark, by `dark`, the dead-man's time, `go_dark`, a contact whose item says ``dark=1`` |
| dark | refused with 06 | free, by `light` (nothing is restored; refused while such a contact is made) or a reset |
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from benchcon.wire import codec
from benchcon.wire.items import NAME_MOST, Item, item_words, quoted_name
from benchcon.wire.quote import unquote
from benchcon.wire.records import LINE_DOWN

ALIVE_MS = 1000
MOST_NOTIFICATIONS = 64
"""Most notifications that may wait to be sent."""
ANSWERS_MOST = 64
"""Most answers that may wait; requests beyond that are thrown away, as by a full receive buffer."""
RAW_READING_US = 50_000
"""Least time between two raw readings of one potentiometer."""
ALIVE_LEAST_MS, ALIVE_MOST_MS = 100, 10_000
HAND_RAW_MOST = codec.LINE_MOST - len("<00 raw ") - len(" #XXXX")
"""Most bytes of the arguments of `raw` that an answer can repeat; typed by hand, they could be longer."""

_IDENT = re.compile(r"[a-z][a-z0-9_]{0,15}")
_DIGITS = re.compile("[0-9A-F]+")
_HEX = {width: re.compile(rf"[0-9A-F]{{{width}}}") for width in (1, 2, 4, 8)}
_TEXT = re.compile(r"(?:[\x22\x24\x26-\x3B\x3F\x41-\x7E]|%[0-9A-F]{2})+")

Words = tuple[str, ...]

_WHY = {
    1: "unknown word",
    2: "arguments",
    3: "no such channel",
    4: "this channel cannot do that",
    5: "value out of range",
    6: "dark is on",
    7: "busy",
    8: "left out of this firmware",
    9: "no such item",
}


class BoardSide:
    """One board.

    Every `now_us` is the real time in microseconds and never decreases. The board's own clock starts at a reset and may
    run fast or slow.

    `items` is the whole description in order of index; the ``board`` item always gives the current ident and name.
    `values` holds the inputs' first values by channel id; those not named are 0. `buffer` is the size of the receive
    buffer in bytes that ``hello`` is answered with; it is not enforced here. `left_out` names the requests that this
    firmware refuses with code 08. With `own_light` the board has a light to wink with while dark is on. Raises
    ValueError if an item does not fit in a line.
    """

    def __init__(
        self,
        ident: str,
        name: str,
        items: Sequence[Item],
        *,
        now_us: int = 0,
        values: Mapping[str, int] | None = None,
        buffer: int = 128,
        boot: int = 1,
        cause: str = "power",
        clock_start_us: int = 0,
        clock_ppm: float = 0.0,
        supply_mv: int = 5000,
        left_out: frozenset[str] = frozenset(),
        own_light: bool = False,
    ) -> None:
        self.ident = ident
        self.name = quoted_name(name)
        """As it goes on the wire."""
        self.items = tuple(items)
        for item in self.items:
            check_item(item)
        self.buffer = buffer
        self.boot = boot
        self.clock_start_us = clock_start_us
        """What the clock shows at a reset; not 0 only in tests of its wrap."""
        self.clock_ppm = clock_ppm
        self.supply_mv = supply_mv
        self.worst_loop_us = 0
        self.left_out = left_out
        self.own_light = own_light
        self.busy = 0
        """How many of the next requests are refused with 07; `dark` is never refused."""
        self.on_outputs: Callable[[dict[str, int], int], None] = lambda changed, now_us: None
        """Called with the new values of the outputs that changed, by channel id, and the time."""
        self.on_wink: Callable[[int], None] = lambda now_us: None
        self.on_store: Callable[[str, str], None] = lambda what, text: None
        """Called with ``ident`` or ``name`` and its new text, which is to survive a loss of power."""
        self.channels = {item.id: item for item in self.items if item.is_channel and item.width}
        self.settable = {id_: (item.width, item.most) for id_, item in self.channels.items() if item.is_output}
        """Of every output: how many digits its value has on the wire, and the greatest value."""
        self._dark_contacts = tuple(each.id for each in self.channels.values() if each.detail.get("dark") == "1")
        self.values = {item.id: 0 for item in self.channels.values()} | dict(values or {})
        """Every channel's present value, as on the wire."""
        self._start(now_us, cause)

    # --- what the world does ------------------------------------------------------------------------------------------

    def reset(self, now_us: int, cause: str = "reset") -> None:
        """Restart the board: outputs off, not dark, dead-man and raw off; lines that waited to be sent are lost."""
        self.boot = (self.boot + 1) & 0xFFFF
        self.outputs_off(now_us)
        self._start(now_us, cause)

    def _start(self, now_us: int, cause: str) -> None:
        self._shown_us, self._since_us = self.clock_start_us, now_us
        self._number = 0
        self._answers: deque[tuple[int, Words]] = deque()
        self._notifications: deque[tuple[int, Words]] = deque()
        self._lost = 0
        self.bad_lines = 0
        self.dropped = 0
        self.dark = False
        self.deadman_ms = 0
        self.alive_ms = ALIVE_MS
        self.raw: set[str] = set()
        self._fed_us = now_us
        self._alive_us = now_us
        self._now_us = now_us
        self._reported_us: dict[str, int] = {}
        self._splitter = codec.Splitter("down", by_hand=True)
        self._tell(now_us, ("boot", f"{self.boot:04X}", cause, "01"))
        if self.local_dark:
            self.go_dark("local", now_us)

    def change(self, values: Mapping[str, int], now_us: int) -> None:
        """Set inputs to `values` (by channel id), all in one scan; those that do not change are ignored."""
        words = []
        for channel_id, value in values.items():
            if self.values[channel_id] != value:
                self.values[channel_id] = value
                words.append(f"{channel_id}={value:0{self.channels[channel_id].width}X}")
        line: list[str] = []
        for word in words:
            # !NNNN CCCCCCCC is … #XXXX: 17 and 6 bytes around what changed.
            if line and 17 + sum(len(other) + 1 for other in [*line, word]) + 6 > codec.LINE_MOST:
                self._tell(now_us, ("is", *line))
                line = []
            line.append(word)
        if line:
            self._tell(now_us, ("is", *line))
        if self.local_dark:
            self.go_dark("local", now_us)

    @property
    def local_dark(self) -> bool:
        """Whether a switch on the panel holds the board dark."""
        return any(self.values[id_] for id_ in self._dark_contacts)

    def edge(self, channel_id: str, level: int, now_us: int) -> None:
        """Take an edge of a pin to `level` (of an encoder A·2+B); the board reports it if raw is on for the channel."""
        if channel_id in self.raw:
            self._tell(now_us, ("edge", f"{channel_id}={level:X}"))

    def reading(self, channel_id: str, counts: int, now_us: int) -> None:
        """Take an unfiltered reading of a potentiometer.

        The board reports it if raw is on for that channel, at most twenty times a second.
        """
        if channel_id in self.raw and now_us - self._reported_us.get(channel_id, -RAW_READING_US) >= RAW_READING_US:
            self._reported_us[channel_id] = now_us
            self._tell(now_us, ("raw", f"{channel_id}={counts:04X}"))

    def say(self, words: Words, now_us: int) -> None:
        """Send any other notification: ``skip``, ``ghost``, ``edge`` with several edges, or a word of this board's own.

        Raises ValueError if the words do not make a line of the protocol.
        """
        codec.notification(0, 0, words)
        self._tell(now_us, words)

    def go_dark(self, why: str, now_us: int) -> None:
        """Let the board go dark by itself; `why` is ``deadman`` or ``local``."""
        if not self.dark:
            self.dark = True
            self.outputs_off(now_us)
            self._tell(now_us, ("dark", why))

    # --- time and bytes -----------------------------------------------------------------------------------------------

    def clock_us(self, now_us: int) -> int:
        """Return the board's own clock, not wrapped."""
        return self._shown_us + int((now_us - self._since_us) * (1.0 + self.clock_ppm / 1e6))

    def run_clock(self, ppm: float, now_us: int) -> None:
        """Let the clock run fast by `ppm` from now on (negative: slow); it does not jump."""
        self._shown_us, self._since_us, self.clock_ppm = self.clock_us(now_us), now_us, ppm

    def _world_us(self, board_us: float) -> int:
        """Return how long `board_us` of this board's clock takes in real time, rounded up."""
        return int(board_us / (1.0 + self.clock_ppm / 1e6)) + 1

    def next_us(self) -> int:
        """Return when `tick` next has something to do."""
        due = self._alive_us + self._world_us(self.alive_ms * 1000)
        if self.deadman_ms and not self.dark:
            due = min(due, self._fed_us + self._world_us(self.deadman_ms * 1000))
        return due

    def tick(self, now_us: int) -> None:
        """Do what is due by now: heartbeat, dead-man."""
        self._now_us = now_us
        if self.deadman_ms and not self.dark and now_us >= self._fed_us + self._world_us(self.deadman_ms * 1000):
            self.go_dark("deadman", now_us)
        period_us = self._world_us(self.alive_ms * 1000)
        if now_us >= self._alive_us + period_us:
            self._alive_us += (now_us - self._alive_us) // period_us * period_us
            self._tell(now_us, self._alive_words(now_us))

    def _alive_words(self, now_us: int) -> Words:
        fields = (
            self.boot,
            self.clock_us(now_us) >> 32,
            self.bad_lines,
            self.dropped,
            self.worst_loop_us,
            self.supply_mv,
        )
        flags = self.dark | (self.deadman_ms > 0) << 1
        return ("alive", *(f"{field & 0xFFFF:04X}" for field in fields), f"{flags:02X}")

    def feed(self, data: bytes, now_us: int) -> None:
        """Take bytes from the host."""
        self.tick(now_us)
        for kind, bodies in self._splitter.feed(data):
            if kind != LINE_DOWN:
                self.bad_lines = (self.bad_lines + len(bodies)) & 0xFFFF
                continue
            for body in bodies:
                self._take_line(body, now_us)

    def take(self, most: int | None = None) -> bytes:
        """Return whole lines to send, answers first; no further line is taken once there are `most` bytes."""
        out: list[bytes] = []
        size = 0
        while self._answers or self._notifications:
            if self._answers:
                tag, answer = self._answers.popleft()
                if answer[0] == "ping":
                    answer = (*answer[:2], self.stamp(self._now_us))  # the second stamp: when its first byte is sent
                line = codec.answer(tag, answer)
            else:
                clock_us, words = self._notifications.popleft()
                line = codec.notification(self._number, clock_us, words)
                self._number = (self._number + 1) & 0xFFFF
            out.append(line + b"\n")
            size += len(line) + 1
            if most is not None and size >= most:
                break
        return b"".join(out)

    @property
    def waiting(self) -> int:
        """How many lines wait to be taken."""
        return len(self._answers) + len(self._notifications)

    def _tell(self, now_us: int, words: Words) -> None:
        clock_us = self.clock_us(now_us)
        if len(self._notifications) >= MOST_NOTIFICATIONS:
            self._lost += 1
            self.dropped = (self.dropped + 1) & 0xFFFF
            return
        if self._lost:
            # Said where the lines are missing; a count of more than four digits takes several lines.
            count, self._lost = min(self._lost, 0xFFFF), max(self._lost - 0xFFFF, 0)
            self._notifications.append((clock_us, ("lost", f"{count:04X}")))
        self._notifications.append((clock_us, words))

    @property
    def last_number(self) -> int:
        """Running number of the last notification sent; FFFFh if none since the reset."""
        return (self._number - 1) & 0xFFFF

    def set_heartbeat(self, ms: int, now_us: int) -> None:
        """Send a heartbeat every `ms` milliseconds from now on."""
        self.alive_ms = ms
        self._alive_us = now_us

    # --- requests -----------------------------------------------------------------------------------------------------

    def _take_line(self, body: bytes, now_us: int) -> None:
        if len(self._answers) >= ANSWERS_MOST:
            self.bad_lines = (self.bad_lines + 1) & 0xFFFF
            return
        tag, (word, *arguments) = codec.heard_request(body)
        if tag:
            self._fed_us = now_us
        handler = HANDLERS.get(word)
        if handler is None:
            answer = no(1)
        elif word in self.left_out:
            answer = no(8)
        elif self.busy and word != "dark":
            self.busy -= 1
            answer = no(7)
        else:
            answer = handler(self, arguments, now_us)
        self._answers.append((tag, answer))

    def stamp(self, now_us: int) -> str:
        """Return the clock as it goes on the wire."""
        return f"{self.clock_us(now_us) & 0xFFFFFFFF:08X}"

    def outputs_off(self, now_us: int) -> None:
        """Switch all outputs off, and call `on_outputs` with those that were not."""
        lit = {channel_id: 0 for channel_id in self.settable if self.values[channel_id]}
        self.values.update(lit)
        if lit:
            self.on_outputs(lit, now_us)


# --- what it answers: sections 4 and 8 of the document --------------------------------------------------------------


def no(code: int) -> Words:
    """Return a refusal, with the document's words for its code."""
    return ("no", f"{code:02X}", *_WHY[code].split(" "))


def check_item(item: Item) -> None:
    """Raise ValueError, which names the item, if the item does not fit in a line."""
    try:
        codec.answer(0, ("item", f"{item.index:02X}", *item_words(item)))
    except ValueError as error:
        raise ValueError(f"item {item.index:02X} ({item.kind} {item.id}): {error}") from None


def _hex(word: str, width: int) -> int | None:
    return int(word, 16) if _HEX[width].fullmatch(word) else None


def _hello(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    return ("hello", "01", f"{len(board.items):02X}", f"{board.buffer:04X}", f"{board.boot:04X}", board.ident)


def _item(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    index = _hex(arguments[0], 2) if len(arguments) == 1 else None
    if index is None:
        return no(2)
    if index >= len(board.items):
        return no(9)
    item = board.items[index]
    if item.kind == "board":
        item = item._replace(detail={**item.detail, "ident": board.ident, "name": unquote(board.name)})
    return ("item", f"{index:02X}", *item_words(item))


def _read(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    start = 0
    if not arguments:
        return no(2)
    if arguments[0] == "all":
        given = _hex(arguments[1], 2) if len(arguments) == 2 else 0 if len(arguments) == 1 else None
        if given is None:
            return no(2)
        if given and given >= len(board.items):
            return no(9)
        start = given
        chosen = [item for item in board.channels.values() if item.index >= start]
    else:
        if any(channel_id not in board.channels for channel_id in arguments):
            return no(3)
        chosen = [board.channels[channel_id] for channel_id in arguments]
    number = board.last_number
    words, going_on = [], 0
    # <TT read NNNN CCCCCCCC II … #XXXX: 25 and 6 bytes around the values.
    room = codec.LINE_MOST - 25 - 6
    for item in chosen:
        word = f"{item.id}={board.values[item.id]:0{item.width}X}"
        if len(word) + 1 > room:
            if arguments[0] != "all":
                return no(2)
            going_on = item.index
            break
        room -= len(word) + 1
        words.append(word)
    clock = board.clock_us(now_us) & 0xFFFFFFFF
    return ("read", f"{number:04X}", f"{clock:08X}", f"{going_on:02X}", *words)


def _set(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if not arguments:
        return no(2)
    wanted: dict[str, int] = {}
    for argument in arguments:
        channel_id, mark, word = argument.partition("=")
        if not mark or not channel_id:
            return no(2)
        if channel_id not in board.settable:
            return no(4 if channel_id in board.channels else 3)
        width, most = board.settable[channel_id]
        if len(word) != width or not _DIGITS.fullmatch(word):
            return no(2)
        value = int(word, 16)
        if value > most:
            return no(5)
        wanted[channel_id] = value
    if board.dark:
        return no(6)
    changed = {channel_id: value for channel_id, value in wanted.items() if board.values[channel_id] != value}
    board.values.update(changed)
    if changed:
        board.on_outputs(changed, now_us)
    return ("set", board.stamp(now_us))


def _dark(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    board.dark = True
    board.outputs_off(now_us)
    return ("dark", board.stamp(now_us))


def _light(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    if board.local_dark:
        return no(6)
    board.dark = False
    return ("light", board.stamp(now_us))


def _deadman(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    ms = _hex(arguments[0], 4) if len(arguments) == 1 else None
    if ms is None:
        return no(2)
    board.deadman_ms = ms
    return ("deadman", arguments[0])


def _ping(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if len(arguments) != 2 or any(_hex(argument, 8) is None for argument in arguments):
        return no(2)
    return ("ping", board.stamp(now_us), board.stamp(now_us))


def _alive(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    ms = _hex(arguments[0], 4) if len(arguments) == 1 else None
    if ms is None:
        return no(2)
    if not ALIVE_LEAST_MS <= ms <= ALIVE_MOST_MS:
        return no(5)
    board.set_heartbeat(ms, now_us)
    return ("alive", arguments[0])


def _raw(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    wanted: dict[str, bool] = {}
    if not arguments or len(" ".join(arguments)) > HAND_RAW_MOST:
        return no(2)
    for argument in arguments:
        channel_id, mark, word = argument.partition("=")
        if not mark or not channel_id or word not in ("0", "1"):
            return no(2)
        item = board.channels.get(channel_id)
        if item is None:
            return no(3)
        if item.kind != "pot" and item.detail.get("raw") not in ("1", "2"):
            return no(4)
        wanted[channel_id] = word == "1"
    for channel_id, on in wanted.items():
        (board.raw.add if on else board.raw.discard)(channel_id)
    return ("raw", *arguments)


def _ident(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if len(arguments) != 1 or not _IDENT.fullmatch(arguments[0]):
        return no(2)
    board.ident = arguments[0]
    board.on_store("ident", board.ident)
    return ("ident", board.ident)


def _name(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if len(arguments) != 1 or not _TEXT.fullmatch(arguments[0]):
        return no(2)
    if len(arguments[0]) > NAME_MOST:
        return no(5)
    board.name = arguments[0]
    board.on_store("name", board.name)
    return ("name", board.name)


def _wink(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    if board.dark and not board.own_light:
        return no(6)
    board.on_wink(now_us)
    return ("wink",)


HANDLERS: dict[str, Callable[[BoardSide, list[str], int], Words]] = {
    "hello": _hello,
    "item": _item,
    "read": _read,
    "set": _set,
    "dark": _dark,
    "light": _light,
    "deadman": _deadman,
    "ping": _ping,
    "alive": _alive,
    "raw": _raw,
    "ident": _ident,
    "name": _name,
    "wink": _wink,
}
"""Word of a request → function that carries it out and returns the words of the answer."""
