"""The conversation with whatever is on one open port: what is heard goes into the stream, what is due is sent."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Protocol

from benchcon.link.outcomes import held
from benchcon.link.outputs import BoardOutputs
from benchcon.link.records import link_record
from benchcon.link.share import Share
from benchcon.wire import events as ev
from benchcon.wire.codec import Splitter
from benchcon.wire.host import HostSide, HostStage, Outcome
from benchcon.wire.items import Item
from benchcon.wire.notifications import settings
from benchcon.wire.records import BYTES_UP, LINE_DOWN, LINE_UP, Batch
from benchcon.wire.silence import ALIVE_US, alive_us_from, is_silent

SAMPLE_BYTES = 96
"""How many of the first bytes are kept to be shown, while no good line was heard."""
DISCARDED_US = 1_000_000
"""Discarded bytes are reported at most this often."""
STILL_LOOK_US = 100_000
"""How often to check whether anything may be sent again, while only dark may be."""
_QUESTIONS = frozenset({"hello", "item", "read", "ping"})
_ALLOWED_TO_DUPLICATE = _QUESTIONS | {"dark", "wink", "ident", "name"}

Answer = Callable[[Outcome], None]


class Timer(Protocol):
    """A scheduled call, such as an `asyncio.TimerHandle`."""

    def cancel(self) -> None:
        """Do not call it."""


class Clock(Protocol):
    """As much of an event loop as a `Talk` needs."""

    def time(self) -> float:
        """Return the time in seconds."""

    def call_at(self, when: float, callback: Callable[[], object], /) -> Timer:
        """Call `callback` at `when`, in seconds of `time`."""


class CableToBoard(Protocol):
    """What connects a `Talk` with its board: a `Connection`, or a stand-in for one; see there."""

    rate: int
    heard: Callable[[bytes, int], None]
    drained: Callable[[], None]
    gone: Callable[[str], None]

    @property
    def waiting(self) -> bool:
        """Whether an earlier write still has to go out; nothing may be sent then."""

    @property
    def port(self) -> str:
        """The port's name."""

    def send(self, data: bytes) -> bool:
        """Write whole lines; False if they wait."""

    def rest(self, seconds: float) -> None:
        """Read nothing for this time."""

    async def set_rate(self, rate: int) -> None:
        """Change the rate, in baud, if the port has one."""


class TalkBench(Protocol):
    """What a `Talk` needs of the bench that it belongs to: the link's `Hub`, or a bench in virtual time."""

    share: Share
    ping_every_us: int
    deadman_ms: int | None
    listen_only: bool

    @property
    def loop(self) -> Clock:
        """The loop on which everything is called."""

    @property
    def watched(self) -> bool:
        """Whether a program with a screen is at work on the bench."""

    @property
    def leaving(self) -> bool:
        """Whether the bench is dark for good."""

    @property
    def only_dark(self) -> bool:
        """Whether nothing but dark may be sent now."""

    def now_us(self) -> int:
        """Return the time since the stream began, in microseconds."""

    @property
    def emit(self) -> Callable[[list[Batch]], Sequence[Sequence[ev.Event]]]:
        """A function that puts batches into the stream and returns the events of each."""

    def outputs(self, source: int, ident: str) -> BoardOutputs:
        """Return the outputs of board `source`; once `ident` is known, with what they may draw."""

    def identify(self, talk: Talk, ident: str) -> None:
        """Take the ident that a board gave; the answer is a call of `Talk.is_board` or `Talk.is_duplicate`."""

    def renamed(self, talk: Talk, ident: str) -> None:
        """Note that the board took a new ident."""


class Talk:
    """The conversation on one open port. Lives on the link's loop.

    `changed` is set whenever something has changed that a stage of the port may wait for.
    """

    def __init__(self, hub: TalkBench, connection: CableToBoard, source: int) -> None:
        self.hub = hub
        self.connection = connection
        self.source = source
        self.ident = ""
        self.duplicate = False
        """Whether another board with the same ident is linked; this one may then only be asked, identified, renamed."""
        self.over = ""
        """Why the conversation has ended; empty while it has not."""
        self.changed = asyncio.Event()
        now_us = hub.now_us()
        self.host = HostSide(now_us)
        self.outputs: BoardOutputs = hub.outputs(source, "")
        self.good = 0
        """How many good lines were heard."""
        self.odd = 0
        """How many pieces were heard that are not a good line."""
        self.sample = b""
        """The first bytes heard, up to the first good line."""
        self.last_heard_us = 0
        self.alive_us = ALIVE_US
        """Time between two heartbeats."""
        self.dropped = 0
        """Lines not sent because the board has stopped reading."""
        self.live = False
        """Whether the board is brought up, so that wanted values may be sent."""
        self._splitter = Splitter("up")
        self._discarded = 0
        """How many discarded bytes (`Splitter.discarded`) have been reported in a record."""
        self._discarded_us = now_us
        """When they were last reported."""
        self._asked: dict[int, Answer] = {}
        """Ticket of the host side → what to do with the outcome, for every request of a caller."""
        self._unsent: list[bytes] = []
        self._dark = False
        """Whether the board said that it is dark."""
        self._dark_wanted = False
        """Whether dark was asked for, and the board has neither confirmed nor refused it nor been told to end it."""
        self._last_sent_us = now_us
        self._pinging = False
        self._seen = ("", 0, 0)
        self._restless = ""
        self._timer: Timer | None = None
        self._timer_s = 0.0
        """When `_timer` is due, or was."""
        self._described: list[Item] = []
        self._raw_asked: set[str] = set()
        """Channels whose raw edges or readings this program has asked for, or asked to end."""
        self._gave_up = 0
        """Requests of callers given up since `_report` was last called."""
        connection.heard = self._heard
        connection.drained = self._drained
        connection.gone = self._gone

    # --- who it is -------------------------------------------------------------------------------------------------

    def is_board(self, ident: str, source: int, outputs: BoardOutputs) -> None:
        """Take the board's ident, and the number and outputs that it has from now on."""
        self.ident, self.duplicate = ident, False
        self.is_lent(source, outputs)

    def is_duplicate(self, ident: str) -> None:
        """Note that another board with this ident is linked."""
        self.ident, self.duplicate = ident, True
        self.changed.set()

    def is_lent(self, source: int, outputs: BoardOutputs) -> None:
        """Take another number, and its outputs, for what is heard here from now on.

        What was wanted of the outputs it had until now was wanted of another board: it is dropped.
        """
        if outputs is not self.outputs:
            self._drop_wanted(held("other board"))
        self.source, self.outputs = source, outputs
        self.changed.set()

    def is_silent(self, now_us: int) -> bool:
        """Return whether the board has said nothing for too long."""
        return is_silent(self.last_heard_us, self.alive_us, now_us)

    # --- up --------------------------------------------------------------------------------------------------------

    def _heard(self, data: bytes, at_us: int) -> None:
        if not self.hub.watched:
            self._hear(data, at_us)
            return
        began_s = time.thread_time()
        self._hear(data, at_us)
        rest_s = self.hub.share.rest(time.thread_time() - began_s, self.hub.loop.time())
        if rest_s:
            self.connection.rest(rest_s)

    def _hear(self, data: bytes, at_us: int) -> None:
        runs = self._splitter.feed(data)
        if self._splitter.discarded != self._discarded and at_us - self._discarded_us >= DISCARDED_US:
            self._tell_discarded(at_us)
        if not self.good and len(self.sample) < SAMPLE_BYTES:
            self.sample += data[: SAMPLE_BYTES - len(self.sample)]
            self.changed.set()
        if runs:
            self._take([Batch(at_us, self.source, kind, bodies) for kind, bodies in runs], at_us)

    def _take(self, batches: list[Batch], at_us: int) -> None:
        observed = self.hub.emit(batches)
        happened: list[ev.Event] = []
        for batch, events in zip(batches, observed, strict=True):
            if batch.kind == LINE_UP:
                if not self.good:
                    self.changed.set()
                self.good += len(batch.bodies)
                self.last_heard_us = at_us
            elif batch.kind == BYTES_UP:
                self.odd += len(batch.bodies)
            if type(events) is not ev.AllMoved:
                happened += [event for event in events if type(event) is not ev.Moved]
        if not happened:
            return  # only inputs moved, which neither answers a request nor makes anything due
        outcomes = self.host.heard(happened, at_us)
        for event in happened:
            sort = type(event)
            if sort is ev.Answered:
                self._answered(event, at_us)  # type: ignore[arg-type]
            elif sort is ev.Boot:
                self.live = self._dark = False
                self.alive_us = ALIVE_US
                self.outputs.all_off("reset", at_us)
            elif sort is ev.Notification and event.words[0] == "dark":  # type: ignore[union-attr]
                self._dark = True
                self.outputs.all_off("dark", at_us)
            elif sort is ev.Alive and event.dark != self._dark:  # type: ignore[union-attr]
                self._dark = event.dark  # type: ignore[union-attr]
                if self._dark:  # the notification itself was lost
                    self.outputs.all_off("dark", at_us)
            elif sort is ev.Reading or sort is ev.Edge:
                self._end_raw(event.channel)  # type: ignore[union-attr]
        self._settle(outcomes, at_us)
        self._dark_wanted = self._dark_wanted and not self._dark
        # Not while the program hangs: that would feed the dead-man of a board that has to go dark by itself.
        if self._dark_unanswered and not self.hub.only_dark and any(type(event) is ev.Alive for event in happened):
            self.dark(lambda outcome: None)
        self.pump()

    def _end_raw(self, channel: str) -> None:
        """End raw edges or readings that a program before this one asked for and, as it was killed, did not end."""
        if self.live and channel not in self._raw_asked and any(item.id == channel for item in self.host.items):
            self.ask(("raw", f"{channel}=0"), lambda outcome: None)

    def _answered(self, event: ev.Answered, at_us: int) -> None:
        self.outputs.heard()
        words = event.words
        if words[0] == "hello" and self.host.ident and self.host.ident != self.ident:
            self.hub.identify(self, self.host.ident)
        elif words[0] == "alive":
            self.alive_us = alive_us_from(words, self.alive_us)
        elif words[0] in ("dark", "light"):
            self._dark = words[0] == "dark"
        elif words[0] == "read":
            self._describe(at_us)
            for channel, value in settings(words[4:]):
                self.outputs.stands(channel, value, at_us)

    def _describe(self, at_us: int) -> None:
        if self.host.items is not self._described:
            self._described = self.host.items
            self.outputs.describe(self.host.items, at_us)

    # --- down ------------------------------------------------------------------------------------------------------

    def bring_up(self) -> None:
        """Begin the bring-up again: ask who is there."""
        self.live = False
        self.host.bring_up(self.hub.now_us())
        self.pump()

    def go_mute(self) -> None:
        """Send no wanted values any more."""
        self.live = False

    def go_live(self) -> None:
        """Send wanted values from now on, since the board is known, and set its dead-man."""
        self.live = True
        self._describe(self.hub.now_us())
        if self.hub.deadman_ms is not None:
            self.ask(("deadman", f"{self.hub.deadman_ms:04X}"), lambda outcome: None)
        self.pump()

    def may(self, word: str) -> str:
        """Return why a request with this word may not be sent; empty if it may."""
        if self.over:
            return "lost"
        if self.hub.leaving and word != "dark":
            return "closed"
        if self.hub.listen_only and word not in _QUESTIONS:
            return "listen only"
        if self.duplicate and word not in _ALLOWED_TO_DUPLICATE:
            return "duplicate"
        if word in ("set", "wink") and self._dark_unanswered:
            return "dark unanswered"
        return ""

    def ask(self, words: tuple[str, ...], answer: Answer) -> None:
        """Send a request as it is. For values of outputs use `want`, for dark `dark`.

        Raises ValueError if the words do not make a line of the protocol.
        """
        if why := self.may(words[0]):
            answer(held(why, words))
            return
        if words == ("light",):
            if self._dark or self._dark_wanted:  # what was asked for in the dark would light up if it went after this
                self.outputs.all_off("dark", self.hub.now_us())
                self.host.light_no_more()
            self._dark_wanted = False
        self._ask(words, answer)
        self.pump()

    def _ask(self, words: tuple[str, ...], answer: Answer) -> None:
        if words[0] == "raw":
            self._raw_asked.update(_values(words[1:]))
        self._asked[self.host.ask(words, self.hub.now_us())] = answer

    def request(self, words: tuple[str, ...], answer: Answer) -> None:
        """Send any request, in the way that its word requires."""
        if words[0] == "dark" and len(words) == 1:
            self.dark(answer)
        elif words[0] == "wink" and len(words) == 1:
            self.wink(answer)
        elif words[0] == "ident" and len(words) == 2:
            self.take_ident(words[1], answer)
        elif words[0] == "set" and (values := _values(words[1:])):
            self.want(values, answer)
        else:
            self.ask(words, answer)

    def take_ident(self, ident: str, answer: Answer) -> None:
        """Give the board the ident `ident`."""

        def done(outcome: Outcome) -> None:
            answer(outcome)
            if outcome.done and not self.over:
                self.hub.renamed(self, ident)
                self.bring_up()

        self.ask(("ident", ident), done)

    @property
    def _is_read(self) -> bool:
        """Whether the board has described itself and told its state, so that outputs may be asked for.

        The stream says so a moment before the port is live; what is asked for in between goes then.
        """
        return self.live or self.host.stage in (HostStage.READY, HostStage.REREADING)

    def blink(self, channel: str, on: bool, full: int) -> None:
        """Let an output blink, or end that; `full` is the value of a lamp that was never lit."""
        if not self.may("set") and self._is_read:
            self.outputs.blink(channel, on, full)
            self.pump()

    def want(self, values: dict[str, int], answer: Answer) -> None:
        """Set outputs to these values (channel id → value on the wire) as soon as the limits allow it."""
        if why := self.may("set") or ("" if self._is_read else "not read"):
            answer(held(why, ("set", *values)))
            return
        self.outputs.want(values, answer)
        self.pump()

    def wink(self, answer: Answer) -> None:
        """Have the board identify itself (`wink`)."""
        if why := self.may("wink") or ("" if self._is_read or self.duplicate else "not read"):
            answer(held(why, ("wink",)))
            return
        self.outputs.want_wink(answer)
        self.pump()

    def dark(self, answer: Answer) -> None:
        """Switch all outputs off, before anything else.

        If the board does not answer, it is asked again after each of its heartbeats until it does or dark is ended, and
        nothing on it is lit meanwhile.
        """
        if why := self.may("dark"):
            answer(held(why, ("dark",)))
            return
        now_us = self.hub.now_us()
        self.outputs.all_off("dark", now_us)
        self._dark_wanted = True

        def done(outcome: Outcome) -> None:
            if outcome.done:
                self.outputs.all_off("dark", self.hub.now_us())
            elif outcome.gave_up and self._dark_wanted:
                self.outputs.all_off("dark unanswered", self.hub.now_us())
            self._dark_wanted = self._dark_wanted and outcome.gave_up
            answer(outcome)

        self._asked[self.host.dark(now_us)] = done
        self.pump()

    @property
    def _dark_unanswered(self) -> bool:
        """Whether dark that is still wanted was given up without an answer."""
        return self._dark_wanted and not self.host.dark_waits

    def pump(self) -> None:
        """Send what is due, pass on outcomes, and schedule the next call."""
        if self.over:
            return
        now_us = self.hub.now_us()
        only_dark = self.hub.only_dark
        if (self.live or self.duplicate) and not self.connection.waiting and not only_dark:
            self._ask_what_is_due(now_us)
        data = b"" if only_dark and not self.host.dark_waits else self.host.to_send(now_us)
        if data:
            self._send(data)
        outcomes = self.host.take_outcomes()
        if outcomes or self.outputs.has_reports:
            self._settle(outcomes, now_us)
        self._report(now_us)
        self._call_again(at_once=bool(outcomes))

    def _ask_what_is_due(self, now_us: int) -> None:
        if not self._dark_wanted:
            for values in self.outputs.due(now_us):
                self._ask(self.outputs.words(values), partial(self._was_set, self.outputs, tuple(values)))
            if self.outputs.wink_due(now_us):
                self._ask(("wink",), partial(self._winked, self.outputs))
        every_us = self.hub.ping_every_us
        if every_us and not self._pinging and now_us - self._last_sent_us >= every_us and not self.duplicate:
            self._pinging = True
            self._ask(("ping", f"{now_us & 0xFFFFFFFF:08X}", "00000000"), self._pinged)

    def _send(self, data: bytes) -> None:
        if self.connection.waiting:
            # The board has stopped reading. Nothing piles up: these requests are repeated later, or given up.
            self.dropped += len(_lines(data))
            return
        # Stamped before the write: on a busy computer the board may have read it before the write returns, and a
        # request that seems to be sent after it was received would make clocks wrong.
        began_us = self.hub.now_us()
        if self.connection.send(data):
            self._last_sent_us = self.hub.now_us()
            self._sent(_lines(data), began_us)
        elif not self.over:
            self._unsent = _lines(data)
            self.hub.emit([link_record(self.hub.now_us(), self.source, "stuck")])

    def _sent(self, lines: list[bytes], at_us: int) -> None:
        self.hub.emit([Batch(at_us, self.source, LINE_DOWN, lines)])

    def _drained(self) -> None:
        lines, self._unsent = self._unsent, []
        if lines:
            self._sent(lines, self.hub.now_us())
        now_us = self.hub.now_us()
        self._last_sent_us = now_us
        self.hub.emit([link_record(now_us, self.source, "moving", dropped=self.dropped)])
        self.dropped = 0
        if self._dark_wanted:
            self.dark(lambda outcome: None)
        self.pump()

    # --- what came of it -------------------------------------------------------------------------------------------

    def _settle(self, outcomes: Iterable[Outcome], now_us: int) -> None:
        for outcome in outcomes:
            if outcome.gave_up and outcome.tries:
                self.outputs.heard_nothing()
                self._gave_up += 1
                if self.host.stage != "mute":
                    words = " ".join(outcome.words)
                    self.hub.emit([link_record(now_us, self.source, "timeout", words=words)])
            if (answer := self._asked.pop(outcome.ticket, None)) is not None:
                answer(outcome)
        self._answer_wishes(now_us)

    # Outcomes go to the outputs that asked, which are no longer `self.outputs` if another ident was given meanwhile.

    def _was_set(self, outputs: BoardOutputs, channels: Sequence[str], outcome: Outcome) -> None:
        now_us = self.hub.now_us()
        outputs.answered(channels, outcome, not outcome.refused, not outcome.gave_up, now_us)
        if outcome.is_dark:
            outputs.all_off("dark", now_us)

    def _winked(self, outputs: BoardOutputs, outcome: Outcome) -> None:
        outputs.winked(outcome, not outcome.refused, self.hub.now_us())

    def _pinged(self, outcome: Outcome) -> None:
        self._pinging = False

    def _answer_wishes(self, now_us: int, otherwise: Outcome | None = None) -> None:
        """Pass on the outcomes of wishes that are done; `otherwise` for a wish that has none of its own."""
        if not self.outputs.has_reports:
            return
        # Whoever is answered finds in the stream, and in the state, why.
        self._report_outputs(now_us)
        for done in self.outputs.take_done():
            done.token(done.outcome or otherwise or held(done.held, ("set",)))

    def _report_outputs(self, now_us: int) -> None:
        """Record what the link does with outputs by itself, so that nobody else has to keep track of it."""
        records = [
            link_record(now_us, self.source, "blink", channel=channel, on=int(on))
            for channel, on in self.outputs.take_blinks().items()
        ]
        for back in self.outputs.take_held():
            value = {"value": back.value} if back.value else {}
            records.append(
                link_record(now_us, self.source, "held", channel=back.channel, why=back.why, times=back.times, **value)
            )
        if records:
            self.hub.emit(records)

    def _report(self, now_us: int) -> None:
        """Record what the host side did since the last call: requests given up, repeats, restlessness."""
        stage, repeats, gave_up = self._seen
        host = self.host
        if host.gave_up - gave_up > self._gave_up and host.stage != "mute":
            self.hub.emit([link_record(now_us, self.source, "timeout", words="bring-up")])
        self._gave_up = 0
        if host.stage != stage:
            self.changed.set()
        if host.repeats > repeats and stage == host.stage not in ("calling", "mute"):
            self.hub.emit([link_record(now_us, self.source, "repeat", times=host.repeats - repeats)])
        self._seen = (host.stage, host.repeats, host.gave_up)
        restless = host.restless(now_us)
        if restless != self._restless:
            self._restless = restless
            if restless:
                self.hub.emit([link_record(now_us, self.source, "restless", why=restless)])

    def _call_again(self, at_once: bool) -> None:
        hub = self.hub
        now_us = hub.now_us()
        only_dark = hub.only_dark
        if only_dark and not self.host.dark_waits:
            at_us: int | None = now_us + STILL_LOOK_US
        else:
            at_us = now_us if at_once else self.host.deadline_us()
            if (self.live or self.duplicate) and not self.connection.waiting and not only_dark:
                if not self._dark_wanted:
                    at_us = _earlier(at_us, self.outputs.deadline_us(now_us))
                if hub.ping_every_us and not self._pinging and not self.duplicate:
                    at_us = _earlier(at_us, self._last_sent_us + hub.ping_every_us)
        if at_us is None:
            return
        loop = hub.loop
        now_s = loop.time()
        at_s = now_s + min(max(at_us - now_us, 500), 60_000_000) / 1e6
        if now_s < self._timer_s <= at_s:
            return  # it comes soon enough
        if self._timer is not None:
            self._timer.cancel()
        self._timer, self._timer_s = loop.call_at(at_s, self.pump), at_s

    # --- the end ---------------------------------------------------------------------------------------------------

    def _gone(self, why: str) -> None:
        self.end(why)
        self.changed.set()

    def end(self, why: str) -> None:
        """End the conversation: the port is lost or given up. Whatever was asked is answered as held, ``lost``."""
        if self.over:
            return
        self.over = why
        self.live = False
        now_us = self.hub.now_us()
        if self._timer is not None:
            self._timer.cancel()
        self._rest(now_us)
        if self._unsent:
            self.hub.emit([link_record(now_us, self.source, "unsent", lines=len(self._unsent))])
        outcome = held("lost")
        asked, self._asked = self._asked, {}
        for answer in asked.values():
            answer(outcome)
        self._drop_wanted(outcome)

    def _drop_wanted(self, outcome: Outcome) -> None:
        now_us = self.hub.now_us()
        self.outputs.drop_all(outcome, now_us)
        self._answer_wishes(now_us, outcome)

    def _rest(self, now_us: int) -> None:
        """Record what still waits for its line end, and how many bytes were thrown away."""
        if rest := self._splitter.rest():
            self.odd += 1
            self.hub.emit([Batch(now_us, self.source, BYTES_UP, [rest])])
        self._tell_discarded(now_us)

    def _tell_discarded(self, now_us: int) -> None:
        count, self._discarded = self._splitter.discarded - self._discarded, self._splitter.discarded
        self._discarded_us = now_us
        if count:
            self.hub.emit([link_record(now_us, self.source, "discarded", bytes=count)])

    def fresh_ear(self, sample: bytes = b"") -> None:
        """Forget everything heard so far, because the rate was changed, and give up what was asked at the other one.

        `sample`: what was heard at the new rate when it was tried before.
        """
        now_us = self.hub.now_us()
        self._rest(now_us)
        self.sample = sample
        given_up = self.host.give_up_all()
        self.host = HostSide(now_us)
        self._seen = ("", 0, 0)
        self._settle(given_up, now_us)


def _earlier(one_us: int | None, other_us: int | None) -> int | None:
    """Return the earlier of two moments; None means never."""
    if one_us is None or other_us is None:
        return other_us if one_us is None else one_us
    return one_us if one_us < other_us else other_us


def _lines(data: bytes) -> list[bytes]:
    return [line for line in data.split(b"\n") if line]


def _values(words: Iterable[str]) -> dict[str, int]:
    """Return channel id → value of a ``set``'s arguments; empty if one is malformed, as the board refuses all then."""
    values = {}
    for word in words:
        channel, equals, value = word.partition("=")
        if not equals or len(value) > 16 or not value or not set(value) <= set("0123456789ABCDEF"):
            return {}
        values[channel] = int(value, 16)
    return values
