"""All connected boards as one bench: the link's public face."""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import datetime
import re
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from benchcon.errors import Trouble
from benchcon.link.outcomes import DarkResult, held
from benchcon.link.records import link_record
from benchcon.link.share import SCREEN
from benchcon.link.stream import Follower, Listener, Stream
from benchcon.panel.lightness import sent_permille
from benchcon.panel.model import Panel
from benchcon.text import printable
from benchcon.wire.codec import request
from benchcon.wire.observer import Observer
from benchcon.wire.records import BENCH, NOTE, NOTE_KINDS, Batch
from benchcon.wire.silence import DEADMAN_MS

if TYPE_CHECKING:
    from benchcon.link.conversation import Answer, Talk
    from benchcon.link.hub import Hub
    from benchcon.link.port import Pace, PortInfo
    from benchcon.wire.host import Outcome

SWITCH_S = 0.0005
"""Python's thread switch interval, short enough that a busy screen hardly delays a stamp."""
CLOSE_MOST_S = 2.0
LOOK_S = 0.2

NOTHING: Mapping[str, int] = MappingProxyType({})

Intent = Future["Outcome"]


class Bench:
    """Boards on serial ports, which are opened and kept open by a thread of the bench's own.

    `ports`: device paths, ``socket://HOST:PORT`` or ``rfc2217://HOST:PORT``. Only these are opened; to find a lost
    board again, also remembered ports on which that very board has answered. `panel`: its current budgets hold, see
    `benchcon.link.limits`. `deadman_ms`: 100 to 65535, or None to set no dead-man; another value raises `Trouble`. With
    `listen_only` boards are only asked who they are and what state they are in; nothing is set, not even dark. `keep`:
    remember named ports on which a board answered. `pace`: how long the stages of a port take.

    Intents may be called from any thread and return at once, with a future of their `Outcome`. Its ``answer`` is the
    board's, None if the board gave none, or ``("held", why)`` if the link did not send the request; `benchcon.link.say`
    puts it into words. A future is set on the link's thread, so its callbacks must not block.
    """

    def __init__(
        self,
        ports: Sequence[str] = (),
        *,
        panel: Panel | None = None,
        deadman_ms: int | None = DEADMAN_MS,
        listen_only: bool = False,
        keep: bool = True,
        pace: Pace | None = None,
    ) -> None:
        if isinstance(ports, str | bytes):
            raise Trouble(f"ports is a list of ports, not {_shown(ports)}: write [{_shown(ports)}]")
        if deadman_ms is not None and not 100 <= deadman_ms <= 0xFFFF:
            raise Trouble(f"a dead-man time of {deadman_ms} ms: it must be between 100 and 65535")
        self.began = datetime.datetime.now(datetime.UTC)
        """Wall time at stamp 0."""
        self._changed = threading.Condition()
        self._began_ns = time.monotonic_ns()
        self._stream = Stream()
        self._settings = panel, deadman_ms, listen_only, pace, keep
        self._first_ports = tuple(dict.fromkeys(_text("a port", port) for port in ports))
        self._thread: threading.Thread | None = None
        self._closed = False
        self._calling = threading.RLock()
        """Held where a call is handed to the loop, so that none comes after the end. (A signal may come there.)"""

    @cached_property
    def _hub(self) -> Hub:
        """The hub, which has the ports. Imported and made when the bench starts, so that a console shows sooner."""
        from benchcon.link.hub import Hub
        from benchcon.link.port import Pace

        panel, deadman_ms, listen_only, pace, keep = self._settings
        return Hub(
            panel,
            deadman_ms,
            listen_only,
            pace or Pace(),
            keep,
            self._stage_changed,
            stream=self._stream,
            now_us=self.now_us,
        )

    def __enter__(self) -> Bench:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- life ------------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Open the ports and keep them open. Returns at once; see `ports` and `wait`.

        Raises `Trouble` if the bench has been started or closed before.
        """
        if self._thread is not None or self._closed:
            raise Trouble("this bench has been started already")
        if sys.getswitchinterval() > SWITCH_S:
            sys.setswitchinterval(SWITCH_S)
        assert self._hub is not None, "made here, before there are two threads that might"
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)
        self._thread.start()
        atexit.register(self.close)
        for port in self._first_ports:
            self.add_port(port)

    def close(self, *, dark: bool = True) -> bool:
        """Make all boards dark, then release all ports, within `CLOSE_MOST_S` seconds whatever a board does.

        Returns False if a linked board did not confirm that it is dark. A bench that only listens sends nothing.
        """
        if self._closed or self._thread is None:
            self._closed = True
            return True
        with self._calling:
            self._closed = True
        atexit.unregister(self.close)
        result: DarkResult | None = None
        ending = asyncio.run_coroutine_threadsafe(self._end(dark and not self._hub.listen_only), self._hub.loop)
        with contextlib.suppress(TimeoutError):
            result = ending.result(CLOSE_MOST_S - 0.3)
        self._hub.loop.call_soon_threadsafe(self._hub.loop.stop)
        self._thread.join(0.8)
        return result is not None and result.sure

    def now_us(self) -> int:
        """Return the host time in microseconds since the stream began (`began`); monotonic."""
        return (time.monotonic_ns() - self._began_ns) // 1000

    def _run(self) -> None:
        loop = self._hub.loop
        asyncio.set_event_loop(loop)
        try:
            loop.run_forever()
        finally:
            # Tasks still under way end here, and not when the interpreter collects them after their loop is closed.
            left = asyncio.all_tasks(loop)
            for task in left:
                task.cancel()
            if left:
                loop.run_until_complete(asyncio.wait(left, timeout=0.3))
            # What was asked at the last moment is answered too, so that nobody waits for it for ever.
            loop.run_until_complete(asyncio.sleep(0))
            loop.run_until_complete(asyncio.sleep(0))
            loop.close()

    async def _end(self, dark: bool) -> DarkResult:
        result = await self._answers(self._ask_all(_dark)) if dark else DarkResult((), (), ())
        await self._hub.end()
        return result

    # --- the stream ------------------------------------------------------------------------------------------------

    @property
    def lock(self) -> threading.RLock:
        """Held while a batch is observed and followers are called; hold it to read what a follower keeps."""
        return self._stream.lock

    @property
    def observer(self) -> Observer:
        """The observer of everything on this bench. Hold `lock` while you read it."""
        return self._stream.observer

    def follow(self, callback: Follower) -> Callable[[], None]:
        """Call `callback` with every list of batches and each batch's events; return a function that ends this.

        As `subscribe`, but `lock` is held: for a state that takes its events from the bench's own observer
        (`BenchState.take`).
        """
        return self._stream.follow(callback)

    def subscribe(self, callback: Listener) -> Callable[[], None]:
        """Call `callback` with every list of batches from now on; return a function that ends this.

        It is called on the link's thread, in the stream's order, right after the read or write, and must not block. A
        callback that raises is not called again, and a link record ``dismissed`` says so.
        """
        return self._stream.subscribe(callback)

    def note(self, kind: str, text: str) -> None:
        """Put a note into the stream: `kind` is ``mark``, ``trigger``, ``expectation`` or ``word``; `text` one line."""
        if kind not in NOTE_KINDS:
            raise Trouble(f"{_shown(kind)} is not a kind of note: {', '.join(NOTE_KINDS)}")
        body = f"{kind} {printable(_text('a note', text))}".encode()
        self._call(lambda: self._hub.emit([Batch(self.now_us(), BENCH, NOTE, [body])]))

    def values(self, values: Mapping[str, str]) -> None:
        """Record in the stream what values from elsewhere have become: ``{"wind_speed": "20 kt"}``."""
        if not isinstance(values, Mapping) or not all(isinstance(name, str) for name in values):
            raise Trouble(f"values are a mapping of names to texts, not {_shown(values)}")
        detail = dict(values)
        self._call(lambda: self._hub.emit([link_record(self.now_us(), BENCH, "values", **detail)]))

    # --- ports -----------------------------------------------------------------------------------------------------

    def add_port(self, port: str) -> None:
        """Open a port that the user named, and keep it open."""
        _text("a port", port)
        self._call(lambda: self._hub.add(port))

    def release(self, port: str) -> Future[None]:
        """Release a port, even a stuck one, so that another program can have it; its board is made dark first.

        The future is set when the port is free.
        """
        _text("a port", port)
        free: Future[None] = _Promise()

        def give_up() -> None:
            found = self._hub.find(port)
            if found is not None:
                found.release(lambda: free.set_result(None))
            else:
                free.set_result(None)

        if not self._call(give_up):
            free.set_result(None)
        return free

    def reopen(self, port: str) -> None:
        """Open a released port again."""
        _text("a port", port)
        self._call(lambda: self._hub.add(port))

    def ping_each(self, us: int) -> None:
        """Ping every live board whenever nothing was sent to it for `us` microseconds; 0: never.

        A board is not pinged again before it has answered the last ping.
        """

        def change() -> None:
            self._hub.ping_every_us = us
            for port in self._hub.ports.values():
                if port.talk is not None:
                    port.talk.pump()

        self._call(change)

    def ports(self) -> list[PortInfo]:
        """Return the stage of each port."""
        return [port.info() for port in list(self._hub.ports.values())] if self._thread is not None else []

    @property
    def has_ports(self) -> bool:
        """Whether there is any port, open or to be opened."""
        return bool(self._first_ports or (self._thread is not None and self._hub.ports))

    def wait(self, test: Callable[[list[PortInfo]], bool], timeout_s: float) -> bool:
        """Wait until `test` is true of `ports`; False if it is not within `timeout_s` seconds."""
        end = time.monotonic() + timeout_s
        with self._changed:
            while not test(self.ports()):
                left = end - time.monotonic()
                if not left > 0:  # "not a number" is no time to wait either
                    return False
                # Changes wake this at once. Silence is not an event, so it has to be checked now and then.
                self._changed.wait(min(left, LOOK_S))
        return True

    def allow(self, panel: Panel | None) -> None:
        """Apply the budgets of `panel` from now on; None: the careful ones that apply without a panel file."""
        self._call(lambda: self._hub.allow(panel))

    @property
    def held_back(self) -> dict[str, int]:
        """How many values the limits held back, by reason: ``flash``, ``current``, ``wink``, ``no answer``."""
        total: dict[str, int] = {}
        if self._thread is None:
            return total
        for outputs in self._hub.all_outputs():
            for why, count in list(outputs.held_back.items()):
                total[why] = total.get(why, 0) + count
        return total

    # --- intents ---------------------------------------------------------------------------------------------------

    def set_lamp(self, source: int, channel: str, permille: int) -> Intent:
        """Set a lamp to a level of lightness, 0 to 1000 as sent on the wire. Ends its blinking."""
        return self._set(source, {_channel(channel): _level(channel, permille)})

    def set_display(self, source: int, channel: str, segments: bytes) -> Intent:
        """Show segments on a display, one byte per digit, leftmost first: 80h point, 40h A … 01h G."""
        number = int.from_bytes(_segments(channel, segments), "big")
        return self._set(source, {_channel(channel): number}, {channel: len(segments)})

    def set_many(self, source: int, values: Mapping[str, int | bytes]) -> Intent:
        """Set several outputs of one board: channel id → level (int, 0 to 1000) or segments (bytes, one per digit).

        They go in one request where they fit. Raises `Trouble` if `values` is empty or names something impossible.
        """
        if not isinstance(values, Mapping):
            raise Trouble(f"what to set is a mapping of channels to values, not {_shown(values)}")
        if not values:
            raise Trouble("nothing to set")
        numbers: dict[str, int] = {}
        digits: dict[str, int] = {}
        for channel, value in values.items():
            _channel(channel)
            if isinstance(value, bytes):
                digits[channel] = len(_segments(channel, value))
                numbers[channel] = int.from_bytes(value, "big")
            else:
                numbers[channel] = _level(channel, value)
        return self._set(source, numbers, digits)

    def _set(self, source: int, numbers: dict[str, int], digits: Mapping[str, int] = NOTHING) -> Intent:
        """Set outputs to these values on the wire; `digits` says how many digits each of the displays must have."""

        def set_all(talk: Talk, answer: Answer) -> None:
            for channel, count in digits.items():
                has = talk.outputs.digits(channel)
                if has is not None and has != count:
                    answer(held(f"{channel} has {has} digits, not {count}", ("set", *numbers)))
                    return
            talk.want(numbers, answer)

        return self._intent(source, ("set", *numbers), set_all)

    def blink(self, source: int, channel: str, on: bool) -> None:
        """Let a lamp (at its last level) or a display (with its last text) blink at 1 Hz; or end that, off."""
        _channel(channel)
        self._with(source, lambda talk: talk.blink(channel, on, self._full(talk.ident, channel)))

    def dark(self, *, for_good: bool = False) -> Future[DarkResult]:
        """Switch off all outputs of all boards, before anything else. The future is set within half a second.

        With `for_good` nothing but dark is sent from now on, whoever asks: the program is about to end.
        """
        if for_good:
            self._hub.leave()
        return self._of_all(_dark)

    def beat(self, who: str = SCREEN, *, last: bool = False) -> None:
        """Report that the program which the user looks at is still at work: call this from its own loop.

        Once called, it must be called again and again: after a second without a call nothing but dark is sent, so that
        the boards' dead-man fires if the program hangs, has lost its screen or was stopped. The next call ends that.
        With `last` no more calls are expected: the bench is handed to somebody without a loop to watch.
        `who`: anything else that lights things by itself reports under a name of its own; all have to be at work.
        """
        if self._thread is not None:
            self._hub.beat(who, last=last)

    def light(self, source: int | None = None) -> Future[DarkResult]:
        """End dark on one board, or on all (None); outputs stay off until they are set.

        The result's ``confirmed`` names the boards on which dark has ended.
        """
        return self._of_all(lambda talk, answer: talk.ask(("light",), answer), source)

    def raw(self, source: int, channel: str, on: bool) -> Intent:
        """Ask a board to report every edge or reading of an input, or to stop that."""
        return self.ask(source, ("raw", f"{_channel(channel)}={int(bool(on))}"))

    def wink(self, source: int) -> Intent:
        """Have a board identify itself: it blinks for three seconds."""
        return self._intent(source, ("wink",), lambda talk, answer: talk.wink(answer))

    def ident(self, source: int, new: str) -> Intent:
        """Give a board a new ident, kept through a loss of power: a lower-case letter, then up to 15 of ``a-z 0-9 _``.

        Raises `Trouble` if `new` is not that.
        """
        if not isinstance(new, str) or not _IDENT.fullmatch(new):
            raise Trouble(f"{_shown(new)} is not an ident: a lower-case letter, then up to 15 of a-z, 0-9 and _")
        return self._intent(source, ("ident", new), lambda talk, answer: talk.take_ident(new, answer))

    def name(self, source: int, new: str) -> Intent:
        """Give a board a new name, which survives a loss of power: 1 to 24 characters as written on the wire.

        Raises `Trouble` if it is shorter or longer.
        """
        from benchcon.wire.quote import quote

        word = quote(_text("a name", new))
        if not 1 <= len(word) <= 24:
            raise Trouble(f"the name {_shown(new)} takes {len(word)} characters on the wire; 1 to 24 are allowed")
        return self.ask(source, ("name", word))

    def ask(self, source: int, words: tuple[str, ...]) -> Intent:
        """Send any request. The limits hold for what lights something; `dark` goes before everything else, as always.

        Raises `Trouble` if the words do not make a line of the protocol.
        """
        words = _checked_words(words)
        return self._intent(source, words, lambda talk, answer: talk.request(words, answer))

    # --- inside ----------------------------------------------------------------------------------------------------

    def _full(self, ident: str, channel: str) -> int:
        """Return the level that a lamp has when it is simply switched on, 0 to 1000 as sent on the wire."""
        panel = self._hub.panel
        for board in panel.boards if panel else ():
            if ident in (board.ident, board.name):
                for lamp in panel.lamps if panel else ():
                    if (lamp.channel.board, lamp.channel.id) == (board.name, channel):
                        return sent_permille(lamp, lamp.on_permille)
        return 1000

    def _stage_changed(self) -> None:
        with self._changed:
            self._changed.notify_all()

    def _call(self, do: Callable[[], Any]) -> bool:
        with self._calling:
            if self._closed or self._thread is None:
                return False
            self._hub.loop.call_soon_threadsafe(do)
        return True

    def _with(self, source: int, do: Callable[[Talk], None]) -> None:
        def run() -> None:
            talk = self._hub.talk_of(source)
            if talk is not None:
                do(talk)

        self._call(run)

    def _intent(self, source: int, words: tuple[str, ...], do: Callable[[Talk, Answer], None]) -> Intent:
        future: Intent = _Promise()

        def answer(outcome: Outcome) -> None:
            if not future.done():
                future.set_result(outcome)

        def run() -> None:
            talk = self._hub.talk_of(source)
            if talk is None:
                answer(held("no link", words))
            else:
                do(talk, answer)

        if not self._call(run):
            answer(held("closed", words))
        return future

    def _of_all(self, do: Callable[[Talk, Answer], None], source: int | None = None) -> Future[DarkResult]:
        future: Future[DarkResult] = _Promise()

        async def wait(asked: dict[int, asyncio.Future[Outcome]]) -> None:
            result = DarkResult((), tuple(self._hub.known_sources()), ())  # if the bench is closed meanwhile
            try:
                result = await self._answers(asked, source)
            finally:
                future.set_result(result)

        # Boards are asked at once and not by the task: a lamp that is set after `light` must go after it.
        if not self._call(lambda: self._hub.loop.create_task(wait(self._ask_all(do, source)))):
            future.set_result(DarkResult((), (), ()))
        return future

    def _ask_all(
        self, do: Callable[[Talk, Answer], None], source: int | None = None
    ) -> dict[int, asyncio.Future[Outcome]]:
        """Ask every board (or the board `source`); return by number the outcomes to come of those that may answer."""
        hub = self._hub
        asked: dict[int, asyncio.Future[Outcome]] = {}
        for port in list(hub.ports.values()):
            talk = port.talk
            if talk is None or talk.over or source not in (None, talk.source):
                continue
            came: asyncio.Future[Outcome] = hub.loop.create_future()

            def answer(outcome: Outcome, came: asyncio.Future[Outcome] = came) -> None:
                if not came.done():
                    came.set_result(outcome)

            do(talk, answer)
            if talk.good:  # a port on which no board was ever heard is asked too, but cannot confirm anything
                asked[talk.source] = came
        return asked

    async def _answers(self, asked: dict[int, asyncio.Future[Outcome]], source: int | None = None) -> DarkResult:
        """Wait for the outcomes that `_ask_all` returned, for at most half a second."""
        hub = self._hub
        if asked:
            await asyncio.wait(asked.values(), timeout=hub.pace.dark_s - 0.02)
        confirmed = tuple(number for number, came in asked.items() if came.done() and came.result().done)
        absent = hub.known_sources() - set(asked) if source is None else set()
        return DarkResult(confirmed, tuple(n for n in asked if n not in confirmed), tuple(sorted(absent)))


_IDENT = re.compile(r"[a-z][a-z0-9_]{0,15}")
_CHANNEL = re.compile(r"[a-z][a-z0-9_]{0,7}")


class _Promise(Future[Any]):
    """A future that its holder cannot cancel: the link sets it, whether anybody still waits for it or not."""

    def cancel(self) -> bool:
        return False


def _channel(given: object) -> str:
    """Return `given` if it is a channel's id. Raises `Trouble` if not."""
    if not isinstance(given, str) or not _CHANNEL.fullmatch(given):
        raise Trouble(f"{_shown(given)} is not a channel: a lower-case letter, then up to 7 of a-z, 0-9, _")
    return given


def _level(channel: str, given: object) -> int:
    """Return `given` if it is a level. Raises `Trouble` if not: for ``True`` too, which Python takes for 1."""
    if not isinstance(given, int) or isinstance(given, bool):
        raise Trouble(f"{channel}: a level of {_shown(given)}; levels are whole numbers from 0 to 1000")
    if not 0 <= given <= 1000:
        raise Trouble(f"{channel}: a level of {_shown(given)}; levels go from 0 to 1000")
    return given


def _segments(channel: str, given: object) -> bytes:
    """Return `given` if it is what a display can show. Raises `Trouble` if not."""
    if not isinstance(given, bytes):
        raise Trouble(f"{channel}: segments of {_shown(given)}; they are bytes, one for each digit")
    if not 1 <= len(given) <= 8:
        raise Trouble(f"{channel}: {len(given)} digits; a display has 1 to 8")
    return given


def _shown(given: object) -> str:
    """Return what a program gave as text for a message, whatever it is."""
    if isinstance(given, int) and abs(given) >= 10**18:
        return "a gigantic number"  # Python refuses to print one of 5000 digits
    text = printable(repr(given)[:60])
    return text if len(text) <= 60 else f"{text[:59]}…"


def _text(what: str, given: object) -> str:
    """Return `given` if it is text. Raises `Trouble` if not."""
    if not isinstance(given, str):
        raise Trouble(f"{what} is text, not {_shown(given)}")
    return given


def _checked_words(given: object) -> tuple[str, ...]:
    """Return `given` if it is the words of a request. Raises `Trouble` if not."""
    if not isinstance(given, tuple | list) or not given:
        raise Trouble(f"a request is a tuple of words, not {_shown(given)}")
    words = tuple(_text("a word of a request", word) for word in given)
    try:
        request(1, words)
    except ValueError as error:
        raise Trouble(f"cannot be sent: {printable(str(error))[:200]}") from None
    return words


def _dark(talk: Talk, answer: Answer) -> None:
    talk.dark(answer)
