"""One port of the bench: opening it, listening, asking who is there, keeping it open, finding it again when it is lost.

| stage | what happens |
|---|---|
| released | nothing: the user released the port, until `reopen` |
| opening | the port is opened for this program alone; if that fails, waiting |
| waiting | nothing, for 0.25 s, doubling up to 4 s; then opening |
| listening | nothing is sent for 300 ms, since opening a port resets many boards |
| asking | `hello` every 250 ms for five seconds, past boot loaders; then the rest of the bring-up |
| live | whatever is wanted is sent; the dead-man is fed |
| duplicate | another board has its ident: this one is only identified (wink) or renamed |
| mute | one `hello` every 4 s |
| trying | the usual rates are tried, one after the other |
| foreign | as mute; what was heard is shown |

What leads from one stage to another while the port is open (`TABLE`, from which `tests/link/test_port_table.py` draws
this picture). A lost port is waiting; one that the user released is released.

| at | ended by | becomes |
|---|---|---|
| listening | the time is over | asking |
| asking | the board has described itself completely | live |
| asking | its ident is another board's | duplicate |
| asking | no answer, or none that makes sense | mute |
| asking | bytes are heard, but no line | trying |
| asking | the same, and the rates have been tried | foreign |
| live | the board was reset, or its ident is another's now | asking |
| duplicate | the other is gone, or this one has a new ident | asking |
| mute | a line, an answer, or the first bytes | asking |
| trying | a good line at this rate | asking |
| trying | bytes are heard, but no line | foreign |
| foreign | a line, an answer, or the first bytes | asking |
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple, Protocol

from benchcon.errors import Trouble
from benchcon.link import foreign, known_ports
from benchcon.link.connection import Connection
from benchcon.link.conversation import Talk, TalkBench
from benchcon.link.discovery import hardware_at
from benchcon.link.off_thread import aside
from benchcon.link.pseudo_terminals import is_pseudo_terminal, pseudo_mark
from benchcon.link.records import link_record
from benchcon.text import printable
from benchcon.wire.items import former_kinds
from benchcon.wire.records import BENCH
from benchcon.wire.slips import hello_slip

_RESTLESS = {
    "resets": "the board keeps restarting: check its supply; it is asked who it is only once a second",
    "gaps": "lines from the board keep getting lost: check the cable; it is read again only once a second",
    "pages": "the board's answer to 'read all' has no end: its firmware is wrong, and its inputs are not known",
}
"""What to tell the user for each reason that `HostSide.restless` returns."""


class PortStage(StrEnum):
    """The stages of a port; see the table above."""

    RELEASED = "released"
    OPENING = "opening"
    WAITING = "waiting"
    LISTENING = "listening"
    ASKING = "asking"
    LIVE = "live"
    DUPLICATE = "duplicate"
    MUTE = "mute"
    TRYING = "trying"
    FOREIGN = "foreign"


class PortSign(StrEnum):
    """What ends a stage of an open port."""

    TIME = "the time is over"
    KNOWN = "the board has described itself completely"
    TAKEN = "its ident is another board's"
    NO_ANSWER = "no answer, or none that makes sense"
    NO_LINE = "bytes are heard, but no line"
    FOREIGN_AGAIN = "the same, and the rates have been tried"
    RESET = "the board was reset, or its ident is another's now"
    ALONE = "the other is gone, or this one has a new ident"
    A_WORD = "a line, an answer, or the first bytes"
    A_LINE = "a good line at this rate"


TABLE = {
    (PortStage.LISTENING, PortSign.TIME): PortStage.ASKING,
    (PortStage.ASKING, PortSign.KNOWN): PortStage.LIVE,
    (PortStage.ASKING, PortSign.TAKEN): PortStage.DUPLICATE,
    (PortStage.ASKING, PortSign.NO_ANSWER): PortStage.MUTE,
    (PortStage.ASKING, PortSign.NO_LINE): PortStage.TRYING,
    (PortStage.ASKING, PortSign.FOREIGN_AGAIN): PortStage.FOREIGN,
    (PortStage.LIVE, PortSign.RESET): PortStage.ASKING,
    (PortStage.DUPLICATE, PortSign.ALONE): PortStage.ASKING,
    (PortStage.MUTE, PortSign.A_WORD): PortStage.ASKING,
    (PortStage.TRYING, PortSign.A_LINE): PortStage.ASKING,
    (PortStage.TRYING, PortSign.NO_LINE): PortStage.FOREIGN,
    (PortStage.FOREIGN, PortSign.A_WORD): PortStage.ASKING,
}
"""(stage of an open port, what ended it) → next stage."""


_UNDECIDED = (PortStage.OPENING, PortStage.LISTENING, PortStage.ASKING, PortStage.TRYING)


class Pace(NamedTuple):
    """How long the stages take, in seconds; tests of rare stages make them shorter."""

    listen_s: float = 0.3
    first_wait_s: float = 0.25
    most_wait_s: float = 4.0
    ask_again_s: float = 4.0
    rate_listen_s: float = 1.2
    """How long to listen at each rate tried: longer than the second between two heartbeats."""
    rate_ask_s: float = 0.6
    dark_s: float = 0.5


class PortInfo(NamedTuple):
    """What a screen shows about a port."""

    port: str
    stage: str
    """One of the stages above, or ``silent``: live, but nothing was heard for three heartbeats."""
    text: str
    """What is wrong and what to do, as one printable line; empty if nothing is."""
    source: int
    """The board's number, 0 while there is none."""
    ident: str
    rate: int
    """In baud; 0 for a port that has no rate."""

    @property
    def decided(self) -> bool:
        """Whether it is known what is there: False while the port is being opened, and who is there being asked."""
        return self.stage not in _UNDECIDED

    @property
    def failed(self) -> bool:
        """Whether no board can be used there until somebody does something about it."""
        return self.decided and self.stage not in (PortStage.LIVE, "silent")


class PortBench(TalkBench, Protocol):
    """What a port needs of the bench that it belongs to: the link's `Hub`."""

    pace: Pace
    keep: bool
    stage_changed: Callable[[], None]

    def source_for(self, port: Port) -> int:
        """Return the number that a port which was just opened has until its board says who it is."""

    def port_of(self, ident: str) -> Port | None:
        """Return the port on which the board with this ident is linked, or None."""

    def look_for(self, port: Port) -> None:
        """Look for the lost board of this port on other ports."""

    def drop(self, port: Port) -> None:
        """Forget a port that was only tried in search of a lost board."""


class Port:
    """One port, from `run` until it is cancelled. Lives on the link's loop."""

    def __init__(self, hub: PortBench, name: str, named: bool) -> None:
        self.hub = hub
        self.name = name
        self.named = named
        """Whether the user named this port; if not, it is a remembered one that is tried in search of a lost board."""
        self.talk: Talk | None = None
        self.connection: Connection | None = None
        """The last connection, which may be closed."""
        self.source = 0
        self.ident = ""
        self.hardware = ""
        self.released = False
        self._again = False
        """Whether a port that is still being released is to be opened again as soon as it is free."""
        self._hung_up = ("", 0)
        """The mark of a pseudo-terminal that was lost here: it never comes back, but its number may be used again."""
        self._stage_and_text: tuple[PortStage, str] = (PortStage.OPENING, "")
        """In one tuple, so that another thread never reads the stage of one moment with the text of another."""
        self._change = asyncio.Event()
        self._is_free = True
        """Whether another program can have the port."""
        self._when_free: list[Callable[[], None]] = []
        """Called as soon as it can."""
        self._reported = ""
        self._foreign_text = ""
        """What was found out about something here that does not speak the line protocol."""

    def info(self) -> PortInfo:
        """Return what a screen shows about the port. Callable from any thread."""
        talk = self.talk
        stage: str
        (stage, text), rate = self._stage_and_text, 0
        if talk is not None:
            rate = talk.connection.rate
            text = text or _RESTLESS.get(talk.host.restless(self.hub.now_us()), "")
            if stage == "asking" and talk.host.read_trouble:
                text = f"board '{printable(talk.ident)}' {talk.host.read_trouble}"
            if stage == "live" and talk.is_silent(self.hub.now_us()):
                stage, text = "silent", "nothing heard for three heartbeats: states are not known"
                if talk.connection.waiting:
                    text = "the board has stopped reading: release the port and reopen it, or reset the board"
        return PortInfo(printable(self.name), stage, text, self.source, printable(self.ident), rate)

    def release(self, free: Callable[[], None]) -> None:
        """Release the port, making its board dark first if it answers soon.

        `free` is called when another program can have the port, even if it was to be reopened meanwhile.
        """
        self.released, self._again = True, False
        self._when_free.append(free)
        if self._is_free:
            self._now_free()
        self._wake()

    def _now_free(self) -> None:
        self._is_free = True
        waiting, self._when_free = self._when_free, []
        for free in waiting:
            free()

    def is_heard_as(self, source: int) -> None:
        """Set the number that what is heard here has in the stream; 0: its board turned out to be on another port."""
        self.source = source
        if not source:
            self.ident = ""

    def reopen(self, named: bool = True) -> None:
        """Open the port again, whatever may be there now; `named`: the user named it."""
        self.named = self.named or named
        self._hung_up = ("", 0)
        self._again = self.released and not self._is_free  # whoever waits for a free port gets it first
        if not self._again:
            self._take_back()
            self._wake()

    def _take_back(self) -> None:
        if self.released:
            self.released = self._again = False
            self.hub.emit([link_record(self.hub.now_us(), self.source, "taken", port=self.name)])

    # --- the stages ------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Open the port, and keep it open, until this is cancelled."""
        try:
            await self._keep_open()
        finally:
            self._now_free()

    async def _keep_open(self) -> None:
        pace = self.hub.pace
        wait_s = pace.first_wait_s
        while True:
            if self.released:
                self._stands(PortStage.RELEASED, "released; reopen it when the other program is done")
                self._now_free()
                if self._again:
                    self._take_back()
                else:
                    await self._pause(None)
                continue
            self._stands(PortStage.OPENING, "")
            self._is_free = False
            try:
                mark = pseudo_mark(self.name)
                if mark[0] and mark == self._hung_up:
                    raise Trouble(f"{printable(self.name)} is gone: the program that made it has ended; start it again")
                connection = await Connection.open(self.name, self.hub.now_us)
            except Trouble as trouble:
                self._now_free()
                self._refused(str(trouble))
                if not self.named and not self.released:
                    return self.hub.drop(self)
                await self._pause(wait_s)
                wait_s = min(wait_s * 2, pace.most_wait_s)
                continue
            self._reported = ""
            if await self._serve(connection, mark):
                wait_s = pace.first_wait_s
            if not self.released:
                if not self.named:
                    return self.hub.drop(self)
                await self._pause(wait_s)
                wait_s = min(wait_s * 2, pace.most_wait_s)

    async def _serve(self, connection: Connection, mark: tuple[str, int]) -> bool:
        """Use one connection until it ends; return whether a board was heard on it. `mark`: see `pseudo_mark`."""
        hub = self.hub
        talk = self.talk = Talk(hub, connection, hub.source_for(self))
        self.connection = connection
        self.is_heard_as(talk.source)
        # A pseudo-terminal has a rate that can be read, but does not keep to it: whoever works out times must know.
        kind = {"kind": "pty"} if is_pseudo_terminal(self.name) else {}
        hub.emit([link_record(hub.now_us(), talk.source, "opened", port=self.name, rate=connection.rate, **kind)])
        try:
            await self._stages(talk)
            if self.released and talk.live and not hub.listen_only:
                await self._dark_first(talk)
        finally:
            lost = bool(talk.over)
            talk.end("by the user" if self.released else "closed")
            connection.abort()
            self.talk = None
            word = "lost" if lost else "released"
            hub.emit([link_record(hub.now_us(), talk.source, word, port=self.name, why=talk.over)])
            if lost:
                self._hung_up = mark
                self._stands(PortStage.WAITING, f"lost ({talk.over}); looking for it again")
                hub.look_for(self)
        await connection.released.wait()
        return talk.good > 0

    async def _dark_first(self, talk: Talk) -> None:
        done = asyncio.Event()
        talk.dark(lambda outcome: done.set())
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(done.wait(), self.hub.pace.dark_s)

    async def _stages(self, talk: Talk) -> None:
        """Go from stage to stage, as `TABLE` says, until the port is lost or released."""
        run_stage = {
            PortStage.LISTENING: self._listen,
            PortStage.ASKING: self._ask,
            PortStage.LIVE: self._live,
            PortStage.DUPLICATE: self._duplicate,
            PortStage.MUTE: self._mute,
            PortStage.TRYING: self._try_rates,
            PortStage.FOREIGN: self._foreign,
        }
        self._foreign_text = ""
        stage = PortStage.LISTENING
        while True:
            sign = await run_stage[stage](talk)
            if self._over(talk):
                return
            stage = TABLE[stage, sign]

    async def _listen(self, talk: Talk) -> PortSign:
        self._stands(PortStage.LISTENING, "open; listening for a moment before it is asked who is there")
        await self._until(talk, lambda: False, self.hub.pace.listen_s)
        return PortSign.TIME

    async def _ask(self, talk: Talk) -> PortSign:
        if talk.duplicate:  # somebody else's request has brought that out already, and it is in the stream
            return PortSign.TAKEN
        self._record(talk, "asking")
        self._stands(PortStage.ASKING, "asking who is there; a board that was reset by opening may take a few seconds")
        if talk.host.stage in ("idle", "ready", "mute"):  # otherwise it is being asked already, after a reset
            talk.bring_up()
        await self._until(talk, lambda: talk.duplicate or talk.host.stage in ("ready", "mute"), None)
        if talk.duplicate:
            return PortSign.TAKEN
        if talk.host.stage == "ready":
            return PortSign.KNOWN
        # A board that speaks the protocol, with a slip: trying other rates would not help.
        if talk.host.hello_trouble or not talk.sample or talk.good:
            return PortSign.NO_ANSWER
        return PortSign.FOREIGN_AGAIN if self._foreign_text else PortSign.NO_LINE

    async def _live(self, talk: Talk) -> PortSign:
        self.ident = talk.ident
        talk.go_live()
        self._stands(PortStage.LIVE, former_kinds(talk.host.items))
        if known_ports.can_be_remembered(self.name):
            self.hardware = await aside(lambda: hardware_at(self.name))
            if self.named and self.hub.keep and not self.hub.listen_only:
                await self._remember(talk)
        await self._until(talk, lambda: talk.duplicate or not talk.live, None)
        talk.go_mute()
        return PortSign.RESET

    async def _duplicate(self, talk: Talk) -> PortSign:
        other = self.hub.port_of(talk.ident)
        where = f" on {printable(other.name)}" if other is not None else ""
        ident = printable(talk.ident)
        self._stands(
            PortStage.DUPLICATE,
            f"another board with the ident '{ident}' is linked{where}: identify them (wink), and give one a new ident",
        )
        while not self._over(talk) and talk.duplicate:
            await self._until(talk, lambda: not talk.duplicate, self.hub.pace.ask_again_s)
            if talk.duplicate and not talk.over:
                self.hub.identify(talk, talk.ident)
        return PortSign.ALONE

    async def _mute(self, talk: Talk) -> PortSign:
        if talk.host.hello_trouble:
            return await self._wait_for_a_word(talk, PortStage.MUTE, talk.host.hello_trouble)
        text = (
            "talks, but does not answer: check the wire to the board's receiver (RX)"
            if talk.good
            else "no answer: is this the right port, and does the board's firmware speak the line protocol?"
        )
        return await self._wait_for_a_word(talk, PortStage.MUTE, text, known=False)

    async def _foreign(self, talk: Talk) -> PortSign:
        return await self._wait_for_a_word(talk, PortStage.FOREIGN, self._foreign_text)

    async def _wait_for_a_word(self, talk: Talk, stage: PortStage, text: str, known: bool = True) -> PortSign:
        """Stay until there is a reason to ask again from the beginning; `known`: `text` says what is wrong for sure."""
        spoke = talk.good > 0
        self._record(talk, "silent", **({"why": text} if known else {}))
        self._stands(stage, text)
        answered: list[bool] = []

        def has_spoken() -> bool:
            # A board that speaks without answering is no reason to ask more often.
            return (not spoke and talk.good > 0) or (bool(talk.sample) and not talk.good and not known)

        while not self._over(talk):
            if await self._until(talk, has_spoken, self.hub.pace.ask_again_s) or self._over(talk):
                break
            answered.clear()
            talk.ask(("hello",), lambda outcome: answered.append(not hello_slip(outcome.answer or ())))
            await self._until(talk, lambda: bool(answered), 2.0)
            if answered == [True]:
                break
        return PortSign.A_WORD

    async def _try_rates(self, talk: Talk) -> PortSign:
        """Try the usual rates until a good line is heard at one."""
        connection = talk.connection
        heard = {connection.rate: talk.sample}
        for rate in foreign.RATES if connection.rate else ():
            if rate in heard:
                continue
            self._stands(PortStage.TRYING, f"does not speak the line protocol; trying {rate} baud")
            await connection.set_rate(rate)
            talk.fresh_ear()
            if await self._until(talk, lambda: talk.good > 0, self.hub.pace.rate_listen_s):
                return PortSign.A_LINE
            talk.bring_up()
            if await self._until(talk, lambda: talk.good > 0, self.hub.pace.rate_ask_s) or self._over(talk):
                return PortSign.A_LINE
            if connection.rate == rate:  # otherwise the device cannot do that rate
                heard[rate] = talk.sample
        rate = foreign.best_rate(heard)
        await connection.set_rate(rate)
        talk.fresh_ear(heard[rate])
        self._foreign_text = foreign.explain(heard)
        shown = printable(heard[rate][: foreign.SHOWN_BYTES])
        self._record(talk, "foreign", rate=rate, bytes=shown, why=self._foreign_text)
        self._stands(PortStage.FOREIGN, self._foreign_text)
        return PortSign.NO_LINE

    # --- inside ----------------------------------------------------------------------------------------------------

    def _over(self, talk: Talk) -> bool:
        return bool(talk.over) or self.released

    async def _until(self, talk: Talk, test: Callable[[], bool], timeout_s: float | None) -> bool:
        """Wait until `test` is true (True), or the time is over, or the port is lost or released (False)."""
        loop = asyncio.get_running_loop()
        end = None if timeout_s is None else loop.time() + timeout_s
        while not self._over(talk):
            if test():
                return True
            talk.changed.clear()
            left = None if end is None else end - loop.time()
            if left is not None and left <= 0:
                return False
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(talk.changed.wait(), left)
        return False

    async def _pause(self, seconds: float | None) -> None:
        self._change.clear()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._change.wait(), seconds)

    def _wake(self) -> None:
        self._change.set()
        if self.talk is not None:
            self.talk.changed.set()

    def _stands(self, stage: PortStage, text: str) -> None:
        """Let other threads see where the port stands; what is recorded of that is in the stream by then."""
        self._stage_and_text = stage, text
        self.hub.stage_changed()

    def _record(self, talk: Talk, word: str, **detail: str | int) -> None:
        self.hub.emit([link_record(self.hub.now_us(), talk.source, word, port=self.name, **detail)])

    def _refused(self, text: str) -> None:
        if text != self._reported:
            self._reported = text
            self.hub.emit([link_record(self.hub.now_us(), BENCH, "refused", port=self.name, why=text)])
        self._stands(PortStage.WAITING, text)
        self.hub.look_for(self)

    async def _remember(self, talk: Talk) -> None:
        try:
            await aside(lambda: known_ports.remember(self.name, talk.ident, self.hardware))
        except Trouble as trouble:
            self.hub.emit([link_record(self.hub.now_us(), BENCH, "unkept", port=self.name, why=str(trouble))])
