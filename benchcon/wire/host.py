"""The host side of one board, without I/O: tags, window, repeats, bring-up, and `read all` after a gap.

The stages of the bring-up (`TABLE`, from which `tests/wire/test_host_table.py` draws this picture):

| at | sign | becomes | what is done |
|---|---|---|---|
| any | `bring_up` | calling | ask `hello` |
| calling, describing, reading, ready, rereading | a reset | calling | ask `hello` |
| calling, describing, reading, ready, rereading | a reset, too soon after others | calling | ask `hello` in a while |
| calling | `hello` is answered | describing | ask every item |
| calling | `hello` is answered in another version | mute | – |
| calling | `hello` is given up | mute | – |
| describing | all items are answered, refused, or given up twice | reading | keep the items, ask `read all` |
| reading, rereading | the last page | ready | – |
| reading, rereading | a page is given up | the same | ask `read all` |
| reading, rereading | lines are lost while it is read | the same | note it |
| ready, rereading | lines were lost | rereading | ask `read all` |
| reading | lines were lost | the same | ask `read all` |
| reading, ready, rereading | lines were lost, too soon after others | ready | ask `read all` in a while |
| ready | the time to read them has come | rereading | ask `read all` |

`hello` is asked every 250 ms for five seconds, and again after a refused or malformed answer. *Too soon after others*:
more than ten in a row, and more than one a second; it is then done up to a second later.

Requests wait in one queue and leave it in order, but none is sent while an earlier one that it could upset is still
unanswered: a repeat of the earlier one, arriving late, would undo the later. Two settings of one channel are such a
pair, and so are any setting and `dark` or `light`. A newer setting replaces an older one of the same channels that
still waits.

Bytes count as under way from when they are sent until the request is answered, repeated or given up. A copy that was
repeated shortly before the answer came counts for as long as a board may take to answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum, StrEnum
from typing import NamedTuple

from benchcon.wire import events as ev
from benchcon.wire.asking import AGAIN_EVERY_US, DARK_TRIES, Asking, Patience, upsets
from benchcon.wire.codec import retagged
from benchcon.wire.items import Item, item_of
from benchcon.wire.slips import VERSION, explain_hello, explain_line, other_version, resembles_line

BUFFER_UNTIL_KNOWN = 32
DARK_ROOM = 16
"""Bytes of the board's receive buffer always kept free: an empty line and one dark request (**window**)."""
HELLO_TRIES = 20
"""How often `hello` is sent in a bring-up: for five seconds."""
PING_MOST_US = 500_000
"""Longest time without a request to a board whose dead-man is set."""
ANSWER_US = 50_000
"""Time within which a board answers, and so has emptied its buffer of the request (**answer-time**)."""
BUSY_US = 100_000
"""Wait before asking again when a board answered that it is busy."""
PAGES_MOST = 256
"""Most pages of one `read all`: a board has 255 channels at most, and each page holds at least one."""
MOST_QUEUED = 4096
"""Most requests that may wait; beyond that the oldest is given up, and counted."""
HELLO_AGAIN_US = 250_000
"""Wait before asking again when the answer to `hello` was a refusal or malformed."""


class HostStage(StrEnum):
    """How far the host side has come with its board."""

    IDLE = "idle"
    CALLING = "calling"
    DESCRIBING = "describing"
    READING = "reading"
    READY = "ready"
    REREADING = "rereading"
    MUTE = "mute"


class HostSign(StrEnum):
    """What can move the bring-up to another stage."""

    BRING_UP = "`bring_up`"
    RESET = "a reset"
    RESET_AGAIN = "a reset, too soon after others"
    HELLO = "`hello` is answered"
    OTHER_VERSION = "`hello` is answered in another version"
    NO_HELLO = "`hello` is given up"
    ITEMS = "all items are answered, refused, or given up twice"
    LAST_PAGE = "the last page"
    NO_PAGE = "a page is given up"
    GAP = "lines are lost while it is read"
    TORN = "lines were lost"
    TORN_AGAIN = "lines were lost, too soon after others"
    DUE = "the time to read them has come"


class Do(Enum):
    """What the host side does on a sign."""

    NOTHING = "–"
    CALL = "ask `hello`"
    CALL_LATER = "ask `hello` in a while"
    DESCRIBE = "ask every item"
    READ_FIRST = "keep the items, ask `read all`"
    READ = "ask `read all`"
    READ_LATER = "ask `read all` in a while"
    NOTE = "note it"


def _table() -> dict[tuple[HostStage, HostSign], tuple[HostStage, Do]]:
    # A pair that is not named below changes nothing: the sign cannot come at that stage, or does not matter.
    table = {(stage, sign): (stage, Do.NOTHING) for stage in HostStage for sign in HostSign}
    for stage in HostStage:
        table[stage, HostSign.BRING_UP] = HostStage.CALLING, Do.CALL
        if stage not in (HostStage.IDLE, HostStage.MUTE):
            table[stage, HostSign.RESET] = HostStage.CALLING, Do.CALL
            table[stage, HostSign.RESET_AGAIN] = HostStage.CALLING, Do.CALL_LATER
    table[HostStage.CALLING, HostSign.HELLO] = HostStage.DESCRIBING, Do.DESCRIBE
    table[HostStage.CALLING, HostSign.OTHER_VERSION] = HostStage.MUTE, Do.NOTHING
    table[HostStage.CALLING, HostSign.NO_HELLO] = HostStage.MUTE, Do.NOTHING
    table[HostStage.DESCRIBING, HostSign.ITEMS] = HostStage.READING, Do.READ_FIRST
    for stage in (HostStage.READING, HostStage.REREADING):
        table[stage, HostSign.LAST_PAGE] = HostStage.READY, Do.NOTHING
        table[stage, HostSign.NO_PAGE] = stage, Do.READ
        table[stage, HostSign.GAP] = stage, Do.NOTE
        table[stage, HostSign.TORN] = stage, Do.READ
    table[HostStage.READY, HostSign.TORN] = HostStage.REREADING, Do.READ
    table[HostStage.READY, HostSign.DUE] = HostStage.REREADING, Do.READ
    for stage in (HostStage.READING, HostStage.READY, HostStage.REREADING):
        table[stage, HostSign.TORN_AGAIN] = HostStage.READY, Do.READ_LATER
    return table


TABLE = _table()
"""(stage, sign) → (next stage, what is done)."""


class Outcome(NamedTuple):
    """What became of one request."""

    ticket: int
    words: tuple[str, ...]
    """The request."""
    answer: tuple[str, ...] | None
    """The answer's words, after the tag; None if the request was given up."""
    refused: bool
    tries: int
    gave_up: bool
    took_us: int
    """Host time from when it was first sent to the answer; 0 if it was never sent."""

    @property
    def done(self) -> bool:
        """Whether the board did what was asked."""
        return not self.refused and not self.gave_up

    @property
    def is_dark(self) -> bool:
        """Whether the board refused because it is dark (line protocol, error 06)."""
        return self.refused and self.answer is not None and self.answer[1:2] == ("06",)


class HostSide:
    """The host's side of the conversation with one board.

    Write what `to_send` returns, and pass the observer's events of this board to `heard`. `now_us` is the host's clock
    and never decreases. Nothing here waits: `deadline_us` says when to call `to_send` again. `buffer` is the size of
    the board's receive buffer in bytes, until its answer to ``hello`` gives it.
    """

    def __init__(self, now_us: int, buffer: int = BUFFER_UNTIL_KNOWN) -> None:
        self.buffer = buffer
        self.stage = HostStage.IDLE
        self.ident = ""
        self.version = 0
        self.boot: int | None = None
        self.hello_trouble = ""
        """What is wrong with the answer to `hello`, in one line with the likely slip; empty if nothing is."""
        self.items: list[Item] = []
        """The board's description, in order of index; empty until it is known."""
        self.unanswered_bytes = 0
        """Bytes of requests under way, without `dark`: never more than `buffer` less `DARK_ROOM`."""
        self.repeats = 0
        self.gave_up = 0
        self.dropped = 0
        """Requests given up because too many waited."""
        self._now_us = now_us
        self._ticket = 0
        self._tag = 0
        self._queue: list[Asking] = []
        self._waiting: dict[int, Asking] = {}
        self._doubled: list[tuple[int, int]] = []
        """Copies that may still be in a board's buffer though the request was answered: (until when, bytes)."""
        self._out: list[bytes] = []
        self._outcomes: list[Outcome] = []
        self._items: dict[int, Item] = {}
        self._items_left = 0
        self._asked_again: set[str] = set()
        self._item_count = 0
        self.read_trouble = ""
        """Why the state of a board that answers `hello` cannot be read; empty if it can, or may yet."""
        self._bad_page = ""
        """What was wrong with the last damaged answer while its state was read."""
        self._torn = False
        """Whether lines were lost since this `read all` began."""
        self._busy_until_us = 0
        self._pages = 0
        self._endless = False
        """Whether the last `read all` was stopped because its pages did not end."""
        self._bring_up_us: int | None = None
        """When to bring the board up again after a reset too soon after others; None: no such reset waits."""
        self._reread_us: int | None = None
        """When to read the board again after a gap too soon after others; None: no such gap waits."""
        self._bring_ups = Patience()
        self._rereads = Patience()
        self._restless = ("", 0)

    # --- intents ----------------------------------------------------------------------------------------------------

    def ask(self, words: tuple[str, ...], now_us: int, *, urgent: bool = False) -> int:
        """Queue a request, and return its ticket; an `urgent` one goes before those that wait.

        Raises ValueError if the words do not make a line of the protocol.
        """
        return self._queue_up(Asking(self._next_ticket(), words, own=False, tag=self._tag % 0xFF + 1), urgent)

    def dark(self, now_us: int) -> int:
        """Ask for all outputs off, and return the ticket.

        It is sent by the next `to_send`, whatever else is under way, and repeated until it is answered or given up.
        """
        self._now_us = now_us
        asked = Asking(self._next_ticket(), ("dark",), own=False)
        self.light_no_more()
        for under_way in self._waiting.values():
            if under_way.words == ("dark",):
                # One is under way, and there is room for one only. Nothing can have come between: both become one.
                under_way.tickets += asked.tickets
                under_way.tries_most = under_way.tries + DARK_TRIES
                return asked.tickets[0]
        self._send(asked, now_us)
        return asked.tickets[0]

    def light_no_more(self) -> None:
        """Give up every request that would light something: those that wait, and the repeats of those under way."""
        for waiting in [waiting for waiting in self._queue if waiting.words[0] in ("set", "light")]:
            self._queue.remove(waiting)
            self._finish(waiting, None)
        for under_way in self._waiting.values():
            if under_way.words[0] in ("set", "light"):
                under_way.tries = under_way.tries_most

    @property
    def dark_waits(self) -> bool:
        """Whether a `dark` is under way that has not been answered."""
        return any(asked.words == ("dark",) for asked in self._waiting.values())

    def bring_up(self, now_us: int) -> None:
        """Ask the board from the beginning who it is, what it has and what state its channels are in."""
        self._now_us = now_us
        self._move(HostSign.BRING_UP)

    def restless(self, now_us: int) -> str:
        """Return why the board is asked less often than it gives cause to; empty if it is not.

        ``resets``, ``gaps``, or ``pages`` (a `read all` that did not end).
        """
        what, until_us = self._restless
        if now_us < until_us:
            return what
        return "pages" if self._endless else ""

    def _is_restless(self, what: str) -> None:
        self._restless = what, self._now_us + 3 * AGAIN_EVERY_US

    # --- the bring-up -------------------------------------------------------------------------------------------------

    def _move(self, sign: HostSign) -> None:
        """Go to the stage that `TABLE` gives for this sign, and do what it says."""
        self.stage, do = TABLE[self.stage, sign]
        match do:
            case Do.CALL:
                self._forget_all()
                self._own(("hello",), urgent=True)
            case Do.CALL_LATER:
                at_us = self._bring_up_us
                self._forget_all()
                self._bring_up_us = at_us
            case Do.DESCRIBE:
                self._items_left = self._item_count
                for index in range(self._item_count):
                    self._own(("item", f"{index:02X}"))
                if not self._item_count:
                    self._move(HostSign.ITEMS)
            case Do.READ_FIRST | Do.READ:
                if do is Do.READ_FIRST:
                    self.items = [self._items[index] for index in sorted(self._items)]
                self._reread_us = None
                self._torn = False
                self._pages = 0
                self._own(("read", "all"), urgent=True)
            case Do.READ_LATER:
                self._is_restless("gaps")
                self._torn = False
            case Do.NOTE:
                self._torn = True

    def _was_reset(self) -> None:
        if self.stage in (HostStage.IDLE, HostStage.MUTE):
            return
        self.light_no_more()
        if self._bring_up_us is None:
            at_us = self._bring_ups.due_us(self._now_us)
            if at_us <= self._now_us:
                self._move(HostSign.RESET)
                return
            self._bring_up_us = at_us
        self._is_restless("resets")
        self._move(HostSign.RESET_AGAIN)

    def _forget_all(self) -> None:
        """Forget the bring-up's requests, and everything that it found out."""
        self._bring_up_us = self._reread_us = None
        for asked in [asked for asked in self._queue if asked.own]:
            self._queue.remove(asked)
        for tag, asked in list(self._waiting.items()):
            if asked.own:
                self._forget(tag)
        self.items = []
        self._items = {}
        self._asked_again = set()
        self._torn = False
        self.hello_trouble = self.read_trouble = self._bad_page = ""

    # --- the line ---------------------------------------------------------------------------------------------------

    def to_send(self, now_us: int) -> bytes:
        """Return whole lines to write now, as many as the window allows; empty if there are none.

        Call it again after `heard`, and at `deadline_us`.
        """
        self._now_us = now_us
        if self._bring_up_us is not None and now_us >= self._bring_up_us:
            self.bring_up(now_us)
        if self._reread_us is not None and now_us >= self._reread_us:
            self._reread_us = None
            self._move(HostSign.DUE)
        if self._waiting:
            self._repeat(now_us)
        if self._queue and now_us >= self._busy_until_us:
            self._fill(now_us)
        if not self._out:
            return b""
        out, self._out = b"".join(self._out), []
        return out

    def deadline_us(self) -> int | None:
        """Return when to call `to_send` if nothing is heard before; None: there is no need to."""
        times = [asked.last_us + asked.every_us for asked in self._waiting.values()]
        if self._out or self._outcomes:
            times.append(self._now_us)
        if self._queue and self._busy_until_us > self._now_us:
            times.append(self._busy_until_us)
        elif self._queue and self._doubled:
            times += [until_us for until_us, _ in self._doubled]  # when the board's buffer surely has room again
        elif self._queue and not self._waiting:
            times.append(self._now_us)
        if self._bring_up_us is not None:
            times.append(self._bring_up_us)
        if self._reread_us is not None:
            times.append(self._reread_us)
        return min(times, default=None)

    def heard(self, events: Iterable[ev.Event], now_us: int) -> list[Outcome]:
        """Take the observer's events of this board, and return the outcomes of requests, those given up included."""
        self._now_us = now_us
        for event in events:
            sort = type(event)
            if sort is ev.Moved:
                continue
            if sort is ev.Answered:
                self._answered(event, now_us)  # type: ignore[arg-type]
            elif sort is ev.Gap or (isinstance(event, ev.Notification) and event.words[0] == "lost"):
                self._gap()
            elif isinstance(event, ev.Boot):
                self._was_reset()
            elif isinstance(event, ev.Odd):
                if self.stage is HostStage.CALLING:
                    self._odd(event.raw)
                elif self.stage is HostStage.READING and event.raw[:1] == b"<" and resembles_line(event.raw):
                    self._bad_page = explain_line(event.raw)
        return self.take_outcomes() if self._outcomes else []

    def take_outcomes(self) -> list[Outcome]:
        """Return the outcomes since the last call of this or `heard`; `to_send`, too, gives requests up."""
        outcomes, self._outcomes = self._outcomes, []
        return outcomes

    def give_up_all(self) -> list[Outcome]:
        """Give up every request, as nothing is sent or heard any more, and return what `take_outcomes` would."""
        for asked in (*self._queue, *self._waiting.values()):
            self._finish(asked, None)
        self._queue, self._waiting = [], {}
        return self.take_outcomes()

    # --- inside -----------------------------------------------------------------------------------------------------

    def _next_ticket(self) -> int:
        self._ticket += 1
        return self._ticket

    def _own(self, words: tuple[str, ...], urgent: bool = False) -> None:
        asked = Asking(0, words, own=True)
        if words[0] == "hello":
            asked.tries_most = HELLO_TRIES
        self._queue_up(asked, urgent)

    def _queue_up(self, asked: Asking, urgent: bool) -> int:
        if not self._queue:
            self._queue.append(asked)
            return asked.tickets[-1]
        if asked.words[0] == "set":
            self._take_up_older(asked)
        if len(self._queue) >= MOST_QUEUED:
            oldest = next((waiting for waiting in self._queue if not waiting.own), self._queue[0])
            self._queue.remove(oldest)
            self.dropped += 1
            self._finish(oldest, None)
        place = len(self._queue)
        while urgent and place and not upsets(asked, set(self._queue[place - 1].keys)):
            place -= 1
        self._queue.insert(place, asked)
        return asked.tickets[-1]

    def _take_up_older(self, asked: Asking) -> None:
        """Drop settings that wait and that `asked` would undo anyway; their tickets are answered when it is."""
        passed: set[str] = set()
        for older in reversed(list(self._queue)):
            if older.words[0] == "set" and older.keys <= asked.keys and not upsets(older, passed):
                asked.tickets = older.tickets + asked.tickets
                self._queue.remove(older)
            else:
                passed |= older.keys

    def _fill(self, now_us: int) -> None:
        if len(self._queue) == 1 and not self._waiting and not self._doubled:
            self._send(self._queue.pop(), now_us)
            return
        room = self.buffer - DARK_ROOM - self.unanswered_bytes
        if self._doubled:
            self._doubled = [copy for copy in self._doubled if copy[0] > now_us]
            room -= sum(size for _, size in self._doubled)
        busy: set[str] = set()
        for asked in self._waiting.values():
            busy |= asked.keys
        for asked in list(self._queue):
            if len(self._waiting) >= 200:
                return
            if upsets(asked, busy):
                busy |= asked.keys
                continue
            if asked.size > room and (self._waiting or self._doubled):
                return
            # A line longer than the whole window goes alone: the board empties its buffer while it comes in.
            self._queue.remove(asked)
            self._send(asked, now_us)
            room -= asked.size
            busy |= asked.keys

    def _send(self, asked: Asking, now_us: int) -> None:
        for _ in range(0xFF):
            self._tag = self._tag % 0xFF + 1
            if self._tag not in self._waiting:
                break
        pattern = asked.pattern
        asked.line = (pattern if asked.tag == self._tag else retagged(pattern, self._tag)) + b"\n"
        if asked.words[0] == "dark":
            # An empty line first, so that no half line swallows it. It has room of its own.
            asked.line = b"\n" + asked.line
        else:
            self.unanswered_bytes += len(asked.line)
        asked.first_us = asked.last_us = now_us
        asked.tries = 1
        self._waiting[self._tag] = asked
        self._out.append(asked.line)

    def _repeat(self, now_us: int) -> None:
        for tag, asked in list(self._waiting.items()):
            if now_us - asked.last_us < asked.every_us or self._waiting.get(tag) is not asked:
                continue
            if asked.tries >= asked.tries_most:
                self._forget(tag)
                self.gave_up += 1
                self._finish(asked, None)
                if asked.own:
                    self._own_gave_up(asked)
                continue
            # The copy before is no longer in the buffer of a board that keeps the answer time, so it counts once.
            asked.tries += 1
            asked.last_us = now_us
            self.repeats += 1
            self._out.append(asked.line)

    def _forget(self, tag: int) -> Asking | None:
        asked = self._waiting.pop(tag, None)
        if asked is not None and asked.words[0] != "dark":
            self.unanswered_bytes -= len(asked.line)
        return asked

    def _finish(self, asked: Asking, answer: tuple[str, ...] | None) -> None:
        if asked.own:
            return
        refused = answer is not None and answer[0] == "no"
        took_us = self._now_us - asked.first_us if asked.tries else 0
        for ticket in asked.tickets:
            self._outcomes.append(Outcome(ticket, asked.words, answer, refused, asked.tries, answer is None, took_us))

    def _answered(self, event: ev.Answered, now_us: int) -> None:
        asked = self._waiting.get(event.tag)
        if asked is None or event.words[0] not in (asked.words[0], "no"):
            return  # late, after it was given up; or by hand
        busy = event.words[:2] == ("no", "07") and asked.tries < asked.tries_most
        if busy and asked.words[0] == "dark":
            return  # it keeps its place and is repeated soon
        self._forget(event.tag)
        if asked.tries > 1 and asked.words[0] != "dark" and now_us - asked.last_us < ANSWER_US:
            self._doubled.append((asked.last_us + ANSWER_US, len(asked.line)))
        if busy:
            self._busy_until_us = now_us + BUSY_US
            asked.tries_most -= 1
            self._queue.insert(0, asked)
            return
        self._finish(asked, event.words)
        if asked.own:
            self._own_answered(asked, event.words, now_us)
        elif asked.words[0] == "hello":
            self._take_hello(event.words)

    def _odd(self, raw: bytes) -> None:
        # An answer says more than a notification about what is wrong with an answer.
        if resembles_line(raw) and (raw[:1] == b"<" or not self.hello_trouble):
            self.hello_trouble = explain_line(raw)

    def _ask_hello_again(self, asked: Asking, now_us: int) -> None:
        """`hello` was refused or malformed: a board that has just started may do better; not without end."""
        asked.tries_most -= 1
        if asked.tries_most <= 0:
            self._move(HostSign.NO_HELLO)
            return
        self._busy_until_us = now_us + HELLO_AGAIN_US
        self._queue.insert(0, asked)

    def _own_answered(self, asked: Asking, words: tuple[str, ...], now_us: int) -> None:
        word = asked.words[0]
        refused = words[0] == "no"
        if word == "hello":
            if not self._take_hello(words):
                self._ask_hello_again(asked, now_us)
            else:
                self._move(HostSign.HELLO if self.version == VERSION else HostSign.OTHER_VERSION)
        elif word == "item":
            item = None if refused else item_of(words)
            if item is not None:
                self._items[item.index] = item
            self._item_done()
        elif word == "read":
            self._pages += 1
            last = refused or len(words) < 4 or words[3] == "00"
            self._endless = not last and self._pages >= PAGES_MOST
            if self._torn:
                self._read_again()
            elif last or self._endless:
                self.read_trouble = self._bad_page = ""
                self._move(HostSign.LAST_PAGE)
            else:
                self._own(("read", "all", words[3]))

    def _own_gave_up(self, asked: Asking) -> None:
        word = asked.words[0]
        if word == "hello":
            self._move(HostSign.NO_HELLO)
        elif word == "item" and asked.words[1] not in self._asked_again:
            self._asked_again.add(asked.words[1])
            self._own(asked.words)
        elif word == "item":
            self._item_done()
        else:
            self.read_trouble = f"answers 'hello', but not '{' '.join(asked.words)}'"
            self.read_trouble += f": {self._bad_page}" if self._bad_page else ""
            self._move(HostSign.NO_PAGE)

    def _item_done(self) -> None:
        self._items_left -= 1
        if self._items_left <= 0:
            self._move(HostSign.ITEMS)

    def _gap(self) -> None:
        if self.stage is not HostStage.READY:
            self._move(HostSign.GAP)
        elif self._reread_us is None:
            self._read_again()

    def _read_again(self) -> None:
        """Read everything after something was missed, but no more often than the limit, whatever the board does."""
        at_us = self._rereads.due_us(self._now_us)
        if at_us <= self._now_us:
            self._move(HostSign.TORN)
        else:
            self._reread_us = at_us
            self._move(HostSign.TORN_AGAIN)

    def _take_hello(self, words: tuple[str, ...]) -> bool:
        self.hello_trouble = explain_hello(words) or other_version(words)
        if explain_hello(words):
            return False
        version, items, buffer, boot = (int(word, 16) for word in words[1:5])
        self.version, self._item_count, self.boot, self.ident = version, items, boot, words[5]
        self.buffer = max(buffer, BUFFER_UNTIL_KNOWN)
        return True
