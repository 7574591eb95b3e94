"""Watching for triggers, in changes, events and the time. Pure: it owns no clock.

What each kind watches, and when it fires:

| kind | watches | fires when |
|---|---|---|
| chatter | changes of contacts, selectors | more than `more_than` of one within `time_us`, board clock |
| short_press | changes of contacts | 1 and then 0 again in less than `time_us`, board clock |
| gap | ``Gap`` | one comes |
| bad_checks | ``Odd`` with the reason ``check`` | more than `more_than` of a board within `time_us`, host time |
| reset | changes of `RESETS` | it goes up; a reset caused by opening the port is not counted there |
| silence | time | a board that was heard is not heard for `time_us`; once, until it is heard again |
| invalid_transition | ``Notification`` ``skip``; ``Edge`` of encoders | the count rises; both levels change at once |
| late_answer | ``Answered``, ``Link`` ``timeout`` | it took longer than `time_us`; it never came |
| range | changes; ``Reading`` | a value is in the range and the one before was not |
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Sequence
from itertools import chain
from operator import itemgetter
from typing import Any, NamedTuple

from benchcon.panel.model import Panel
from benchcon.state import BenchState, BoardState
from benchcon.state.changes import RESETS, ValueChange
from benchcon.text import counted, printable
from benchcon.watch.triggers import Trigger
from benchcon.wire import events as ev
from benchcon.wire.quote import quote

_at_us = itemgetter(0)


class Fired(NamedTuple):
    """A trigger that has fired."""

    at_us: int
    source: int
    """The number of the board that made it fire."""
    trigger: Trigger
    text: str
    """What happened, as one printable line."""

    @property
    def note(self) -> str:
        """The text of the note, of kind ``trigger``, that goes into the stream."""
        return f"{quote(self.trigger.name)} {self.text}"


class Watch:
    """Takes the changes and events of a bench, and says which triggers fire.

    `feed` takes them in stream order, with the state that they led to; call `tick` a few times a second, for silence.
    """

    def __init__(self, triggers: Sequence[Trigger], panel: Panel | None = None) -> None:
        self.counts: dict[str, int] = {}
        """Name of a trigger → how often it has fired."""
        self._quiet_until: dict[tuple[str, int, str], int] = {}
        self._recent: defaultdict[tuple[str, int, str], deque[int]] = defaultdict(deque)
        self._made: dict[tuple[int, str], int] = {}
        self._levels: dict[tuple[int, str], int] = {}
        self._invalid: dict[tuple[int, str], int] = {}
        self._inside: set[tuple[str, int, str]] = set()
        self._silent: set[tuple[str, int]] = set()
        self.declare(triggers, panel)

    def declare(self, triggers: Sequence[Trigger], panel: Panel | None) -> None:
        """Watch for these triggers from now on, and call boards as `panel` does; a name that stays goes on counting."""
        self.triggers = tuple(triggers)
        self.counts = {trigger.name: self.counts.get(trigger.name, 0) for trigger in triggers}
        self._names = {board.own_ident: board.name for board in panel.boards} if panel else {}
        self._by_kind: defaultdict[str, list[Trigger]] = defaultdict(list)
        for trigger in triggers:
            self._by_kind[trigger.kind].append(trigger)
        self._takers = self._takers_needed()

    def _takers_needed(self) -> dict[type, list[Callable[[Any, BoardState], Iterable[Fired]]]]:
        """Return type of event or change → methods, for the kinds that are declared; the others cost nothing."""
        table: list[tuple[str, type, Callable[[Any, BoardState], Iterable[Fired]]]] = [
            ("chatter", ValueChange, self._chatter),
            ("short_press", ValueChange, self._short_press),
            ("range", ValueChange, self._range_change),
            ("range", ev.Reading, self._range_reading),
            ("reset", ValueChange, self._reset),
            ("gap", ev.Gap, self._gap),
            ("bad_checks", ev.Odd, self._bad_check),
            ("invalid_transition", ev.Notification, self._skip),
            ("invalid_transition", ev.Edge, self._edge),
            ("late_answer", ev.Answered, self._late),
            ("late_answer", ev.Link, self._given_up),
        ]
        needed: dict[type, list[Callable[[Any, BoardState], Iterable[Fired]]]] = {}
        for kind, sort, taker in table:
            if kind in self._by_kind:
                needed.setdefault(sort, []).append(taker)
        return needed

    @property
    def needs_changes(self) -> bool:
        """Whether any trigger watches changes; otherwise they need not be worked out for this."""
        return ValueChange in self._takers

    def feed(self, changes: Iterable[ValueChange], events: Iterable[ev.Event], state: BenchState) -> list[Fired]:
        """Take changes (made with ``Changes(shown=True)``) and events of the same batches; return what fired."""
        fired: list[Fired] = []
        takers, boards = self._takers, state.boards
        if isinstance(events, ev.AllMoved):
            events = ()  # its events are all in the changes
        for each in chain(changes, events):
            for taker in takers.get(type(each), ()):
                board = boards.get(each.source)
                if board is not None:
                    fired += taker(each, board)
        fired.sort(key=_at_us)
        return fired

    def tick(self, now_us: int, state: BenchState) -> list[Fired]:
        """Return what fired through silence alone up to `now_us`."""
        fired: list[Fired] = []
        for trigger in self._by_kind["silence"]:
            for source, board in state.boards.items():
                if board.last_heard_us is None or board.link in ("released", "lost"):
                    continue
                after_us = trigger.time_us or board.silent_after_us
                quiet_us = now_us - board.last_heard_us
                key = (trigger.name, source)
                if quiet_us <= after_us:
                    self._silent.discard(key)
                elif key not in self._silent:
                    self._silent.add(key)
                    text = f"nothing from {self._board(board)} for {quiet_us / 1e6:.1f} s"
                    fired += self._fire(trigger, board, "", now_us, text)
        return fired

    # --- names and rest ---------------------------------------------------------------------------------------------

    def _board(self, board: BoardState) -> str:
        """Return the board's name on the panel, or else what it calls itself."""
        return printable(self._names.get(board.called, board.called))

    def _fire(self, trigger: Trigger, board: BoardState, channel: str, at_us: int, text: str) -> list[Fired]:
        """Fire, unless the trigger does not watch this board and channel, or has fired a short time ago."""
        name = self._board(board)
        if trigger.boards and name not in trigger.boards:
            return []
        if trigger.channels and (name, channel) not in trigger.channels:
            return []
        key = (trigger.name, board.source, channel)
        if at_us < self._quiet_until.get(key, at_us):
            return []
        self._quiet_until[key] = at_us + trigger.rest_us
        self.counts[trigger.name] += 1
        return [Fired(at_us, board.source, trigger, text)]

    def _about(self, trigger: Trigger, board: BoardState, channel: str) -> bool:
        """Return whether a trigger watches this channel, so that anything has to be remembered for it."""
        if trigger.channels:
            return (self._board(board), channel) in trigger.channels
        return not trigger.boards or self._board(board) in trigger.boards

    # --- one method for each row of the table -----------------------------------------------------------------------

    def _chatter(self, change: ValueChange, board: BoardState) -> Iterable[Fired]:
        channel = board.channels.get(change.channel)
        if not change.clock_us or channel is None or channel.kind not in ("contact", "selector", ""):
            return ()
        fired: list[Fired] = []
        for trigger in self._by_kind["chatter"]:
            if not self._about(trigger, board, change.channel):
                continue
            recent = self._recent[trigger.name, board.source, change.channel]
            self._crowd(recent, change.clock_us, trigger)
            if len(recent) > trigger.more_than:
                span_ms = (recent[-1] - recent[0]) / 1000
                text = f"{self._board(board)}.{change.channel} changed {len(recent)} times within {span_ms:.0f} ms"
                recent.clear()
                fired += self._fire(trigger, board, change.channel, change.at_us, text)
        return fired

    @staticmethod
    def _crowd(recent: deque[int], time_us: int, trigger: Trigger) -> None:
        """Add a moment, and drop those that are too long ago; after a reset a board's clock begins again."""
        if recent and time_us < recent[-1]:
            recent.clear()
        recent.append(time_us)
        while recent[0] < time_us - trigger.time_us or len(recent) > trigger.more_than + 1:
            recent.popleft()

    def _short_press(self, change: ValueChange, board: BoardState) -> Iterable[Fired]:
        channel = board.channels.get(change.channel)
        if channel is None or channel.kind not in ("contact", ""):
            return ()
        key = (board.source, change.channel)
        made_us = self._made.pop(key, None)
        if change.value and change.clock_us:
            self._made[key] = change.clock_us
        if change.value != 0 or made_us is None or change.clock_us < made_us:
            return ()
        fired: list[Fired] = []
        for trigger in self._by_kind["short_press"]:
            if change.clock_us - made_us < trigger.time_us:
                lasted_ms = (change.clock_us - made_us) / 1000
                text = f"{self._board(board)}.{change.channel} was made for only {lasted_ms:.1f} ms"
                fired += self._fire(trigger, board, change.channel, change.at_us, text)
        return fired

    def _range_change(self, change: ValueChange, board: BoardState) -> Iterable[Fired]:
        if change.value is not None:  # otherwise it is not known whether it has left the range
            yield from self._range(change.at_us, board, change.channel, change.value)

    def _range_reading(self, event: ev.Reading, board: BoardState) -> Iterable[Fired]:
        yield from self._range(event.at_us, board, event.channel, event.counts)

    def _range(self, at_us: int, board: BoardState, channel_id: str, value: int) -> Iterable[Fired]:
        for trigger in self._by_kind["range"]:
            if not self._about(trigger, board, channel_id):
                continue
            key = (trigger.name, board.source, channel_id)
            if not trigger.low <= value <= trigger.high:
                self._inside.discard(key)
            elif key not in self._inside:
                self._inside.add(key)
                text = f"{self._board(board)}.{channel_id} is {value}, from {trigger.low} to {trigger.high}"
                yield from self._fire(trigger, board, channel_id, at_us, text)

    def _gap(self, event: ev.Gap, board: BoardState) -> Iterable[Fired]:
        for trigger in self._by_kind["gap"]:
            lost = counted(event.missing, "notification")
            text = f"{lost} from {self._board(board)} lost on the way"
            yield from self._fire(trigger, board, "", event.at_us, text)

    def _bad_check(self, event: ev.Odd, board: BoardState) -> Iterable[Fired]:
        if event.why != "check":
            return
        for trigger in self._by_kind["bad_checks"]:
            recent = self._recent[trigger.name, board.source, ""]
            self._crowd(recent, event.at_us, trigger)
            if len(recent) > trigger.more_than:
                span_s = (recent[-1] - recent[0]) / 1e6
                text = f"{len(recent)} lines from {self._board(board)} with a wrong check within {span_s:.2f} s"
                recent.clear()
                yield from self._fire(trigger, board, "", event.at_us, text)

    def _reset(self, change: ValueChange, board: BoardState) -> Iterable[Fired]:
        if change.channel != RESETS or not change.value:
            return ()
        text = f"{self._board(board)} was reset ({printable(board.cause)}, boot {board.boot})"
        each = (self._fire(trigger, board, "", change.at_us, text) for trigger in self._by_kind["reset"])
        return [fired for some in each for fired in some]

    def _skip(self, event: ev.Notification, board: BoardState) -> Iterable[Fired]:
        if event.words[:1] != ("skip",):
            return
        for word in event.words[1:]:
            channel_id = word.partition("=")[0]
            channel = board.channels.get(channel_id)
            if channel is None:
                continue
            before = self._invalid.get((board.source, channel_id), 0)
            self._invalid[board.source, channel_id] = channel.invalid
            if channel.invalid > before:
                jumps = counted(channel.invalid - before, "invalid transition")
                yield from self._jumped(board, channel_id, event.at_us, jumps)

    def _edge(self, event: ev.Edge, board: BoardState) -> Iterable[Fired]:
        channel = board.channels.get(event.channel)
        if channel is None or channel.kind != "encoder":
            return
        key = (board.source, event.channel)
        before = self._levels.get(key)
        self._levels[key] = event.level
        # Gray code 00 01 11 10: one bit a step; two at once is invalid (any encoder's data sheet).
        if before is not None and before ^ event.level == 3:
            yield from self._jumped(board, event.channel, event.at_us, f"a jump from {before:02b} to {event.level:02b}")

    def _jumped(self, board: BoardState, channel_id: str, at_us: int, what: str) -> Iterable[Fired]:
        for trigger in self._by_kind["invalid_transition"]:
            text = f"{what} of {self._board(board)}.{channel_id}"
            yield from self._fire(trigger, board, channel_id, at_us, text)

    def _late(self, event: ev.Answered, board: BoardState) -> Iterable[Fired]:
        for trigger in self._by_kind["late_answer"]:
            if event.took_us is not None and event.took_us > trigger.time_us:
                word = printable(event.words[0]) if event.words else "?"
                text = f"{self._board(board)} answered '{word}' after {event.took_us / 1000:.0f} ms"
                yield from self._fire(trigger, board, "", event.at_us, text)

    def _given_up(self, event: ev.Link, board: BoardState) -> Iterable[Fired]:
        if event.word != "timeout":
            return
        for trigger in self._by_kind["late_answer"]:
            words = printable(event.detail.get("words", ""))
            yield from self._fire(trigger, board, "", event.at_us, f"{self._board(board)} never answered '{words}'")
