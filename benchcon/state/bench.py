"""The state of all boards of a bench, worked out from records alone.

Whether the records come live, from a tap or from a capture, the state is the same, field by field: nothing here looks
at a clock, and a keyframe holds enough to go on from in mid-stream.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from benchcon.state.board import BoardState
from benchcon.state.keyframe import FORM, MOST_BOARDS, read_keyframe
from benchcon.state.quantities import MOST_QUANTITIES, Quantity, values_in
from benchcon.text import decimal
from benchcon.wire import events as ev
from benchcon.wire.notifications import settings
from benchcon.wire.observer import Observer
from benchcon.wire.quote import unquote, unquoted_pairs
from benchcon.wire.records import BENCH, KEYFRAME, LINE_UP, Batch
from benchcon.wire.silence import alive_us_from
from benchcon.wire.slips import hello_slip

LINK_STATES = {
    "opened": "asking",
    "asking": "asking",
    "taken": "asking",
    "ident": "linked",
    "lost": "lost",
    "silent": "asking",
    "released": "released",
    "refused": "refused",
    "foreign": "foreign",
}
"""Word of a link record → what it makes of `BoardState.link`; other words do not change that."""
LINK_COUNTS = {"repeat": "repeats", "timeout": "gave_up", "held": "held_back", "discarded": "discarded"}
"""Word of a link record → the counter of `BoardState` that it adds to."""


class BenchState:
    """A reducer over records.

    ``panel_text``, the whole panel file, and ``panel_digest`` are put into keyframes, so that a capture can be read
    without its panel file. `observer`: the bench's own, if the state takes its events (`take`).
    """

    def __init__(self, panel_text: str = "", panel_digest: str = "", observer: Observer | None = None) -> None:
        self.panel_text = panel_text
        self.panel_digest = panel_digest
        self.boards: dict[int, BoardState] = {}
        self.values: dict[str, Quantity] = {}
        """The values of a rehearsal, by name."""
        self.at_us = 0
        """Stamp of the last record."""
        self.records = 0
        self.notes = 0
        self.left_out = 0
        """How many records named a board beyond `MOST_BOARDS`; not in keyframes."""
        self.observer = observer or Observer()
        """The observer of the same stream: the state's own (`feed`), or the bench's (`take`)."""
        self.adrift = False
        """Whether the first keyframe could not be read, and no readable one has come yet."""
        self._fresh = True

    @property
    def begins(self) -> bool:
        """Whether the state would begin at a keyframe that comes now; otherwise that repeats what is known."""
        return self._fresh or self.adrift

    def board(self, source: int) -> BoardState:
        """Return the board with this number, made if it is new; one beyond `MOST_BOARDS` is not kept."""
        found = self.boards.get(source)
        if found is None:
            found = BoardState(source)
            if len(self.boards) < MOST_BOARDS:
                self.boards[source] = found
            else:
                self.left_out += 1
        return found

    def board_named(self, name: str) -> BoardState | None:
        """Return the board whose ident is `name`, or else whose name is `name`, or else None.

        Of several with one ident it is the one that is linked, and of several linked the one linked for the longest.
        """
        for attribute in ("ident", "name"):
            found = [board for board in self.boards.values() if getattr(board, attribute) == name]
            if found:
                return min(found, key=lambda board: (board.duplicate, board.link != "linked", board.linked_us))
        return None

    def feed(self, batch: Batch) -> list[ev.Event]:
        """Take one batch, and return its events.

        The state begins at a keyframe at the very start of a stream; later ones repeat what is known and are ignored.
        If the first one cannot be read, the state begins with nothing known, learns from what follows, and begins again
        at the first keyframe that can be read.
        """
        if batch.kind == KEYFRAME:
            self.at_us = batch.at_us
            # Not counted: a rotated file or a ring starts with a keyframe of its own, and must give the same state.
            if self.begins:
                self._begin_at(batch.bodies[-1])
            self._fresh = False
            return []
        happened = self.observer.observe(batch)
        self.take(batch, happened)
        return list(happened)

    def take(self, batch: Batch, happened: Sequence[ev.Event]) -> None:
        """Take one batch, which must not be a keyframe, and the events that `observer` made of it."""
        at_us, source, kind, bodies = batch
        self.at_us = at_us
        self._fresh = False
        self.records += len(bodies)
        if source != BENCH:
            board = self.boards.get(source) or self.board(source)
            if kind == LINE_UP:
                board.last_heard_us = at_us
                if board.link == "asking" or board.link == "foreign":
                    board.link = "linked"
                    board.linked_us = at_us
        if type(happened) is ev.AllMoved:
            find, make = board.channels.get, board.channel
            for clock_us, moved in zip(happened.clocks, happened.values, strict=True):
                for channel_id, value in moved.items():
                    (find(channel_id) or make(channel_id)).moved(value, at_us, clock_us)
            return
        taker = None
        last: type | None = None
        for event in happened:
            sort = type(event)
            if sort is ev.Moved:
                channels = board.channels
                _, _, clock_us, _, values = event  # type: ignore[misc]
                for channel_id, value in values.items():  # type: ignore[union-attr]
                    channel = channels.get(channel_id) or board.channel(channel_id)
                    channel.moved(value, at_us, clock_us)
                continue
            if sort is not last:
                taker = _TAKERS.get(sort)
                last = sort
            if taker is not None:
                taker(self, event)

    def keyframe(self) -> bytes:
        """Return the whole state as one line of JSON, UTF-8: the body of a keyframe record."""
        import json

        return json.dumps(self._snapshot(), ensure_ascii=True, separators=(",", ":")).encode()

    def as_json(self, now_us: int) -> dict[str, Any]:
        """Return the whole state, with each board's liveness at `now_us`; the same records always give the same."""
        whole = self._snapshot()
        for fields in whole["boards"]:
            fields["liveness"] = self.boards[fields["source"]].liveness(now_us)
        return whole

    def _snapshot(self) -> dict[str, Any]:
        values = {name: [each.text, each.at_us, each.changes] for name, each in self.values.items()}
        return {
            "form": FORM,
            "at_us": self.at_us,
            "records": self.records,
            "notes": self.notes,
            "panel": {"text": self.panel_text, "digest": self.panel_digest},
            **({"values": values} if values else {}),
            "boards": [board.as_json() for board in self.boards.values()],
            "observer": self.observer.snapshot(),
        }

    def _begin_at(self, body: bytes) -> None:
        """Begin at a keyframe. One that cannot be read leaves the state as it is, and the next one is tried."""
        try:
            given = read_keyframe(body)
        except ValueError:
            self.adrift = True
            return
        self.adrift = False
        self.boards, self.observer, self.values = given.boards, given.observer, given.values
        self.records, self.notes = given.records, given.notes
        self.panel_text, self.panel_digest = given.panel_text, given.panel_digest

    # --- one method for each type of event; `take` finds them in the table below ----------------------------------

    def _edge(self, event: ev.Edge) -> None:
        channel = self.board(event.source).channel(event.channel)
        channel.raw_level = event.level
        channel.edges += 1
        channel.at_us = event.at_us
        channel.clock_us = event.clock_us

    def _reading(self, event: ev.Reading) -> None:
        channel = self.board(event.source).channel(event.channel)
        channel.raw_level = event.counts
        channel.span(event.counts)

    def _alive(self, event: ev.Alive) -> None:
        board = self.board(event.source)
        board.boot = event.boot
        board.bad_lines = event.bad_lines
        board.dropped = event.dropped
        board.worst_loop_us = event.worst_loop_us
        board.supply_mv = event.supply_mv
        if event.dark and not board.dark:
            board.dark, board.dark_why = True, board.dark_why or "reported"
            board.outputs_off(event.at_us)
        elif board.dark and not event.dark:
            board.dark, board.dark_why = False, ""
        if not event.deadman:
            board.deadman_ms = 0

    def _boot(self, event: ev.Boot) -> None:
        board = self.board(event.source)
        board.boot = event.boot
        board.cause = event.cause
        board.boots += 1
        board.forget(event.at_us)

    def _gap(self, event: ev.Gap) -> None:
        board = self.board(event.source)
        board.known = False
        board.had_trouble("lines lost", event.at_us)

    def _odd(self, event: ev.Odd) -> None:
        self.board(event.source).had_trouble("bad lines", event.at_us)

    def _notified(self, event: ev.Notification) -> None:
        board = self.board(event.source)
        word, *rest = event.words
        if word == "dark":
            board.dark, board.dark_why = True, rest[0] if rest else ""
            board.outputs_off(event.at_us)
        elif word == "skip" and rest:
            for channel_id, value in settings(rest):
                board.channel(channel_id).invalid = value
        elif word == "ghost":
            for channel_id in rest:
                board.channel(channel_id).ghost = True
        elif word == "lost" and rest:
            board.lost_notifications += _hex(rest[0])
            board.known = False

    def _asked(self, event: ev.Asked) -> None:
        if event.words[0] == "set":
            channels = self.board(event.source).channels
            for word in event.words[1:]:
                channel = channels.get(word.partition("=")[0])
                if channel is not None and channel.held:
                    channel.wanted, channel.held = None, ""

    def _answered(self, event: ev.Answered) -> None:
        board = self.board(event.source)
        if event.took_us is not None:
            board.answered_after(event.took_us)
        word, *rest = event.words
        if word == "no":
            board.refused += 1
        elif taker := _ANSWERS.get(word):
            taker(board, event, rest)

    def _link(self, event: ev.Link) -> None:
        if event.source == BENCH:
            # Records are missing at this point of the file; the keyframe that follows at once is new.
            self._fresh = self._fresh or event.word == "missed"
            for name, text in values_in(event):
                self._quantity(name, text, event.at_us)
            return
        if event.word in ("moved", "forgotten"):
            # The number was only lent until the board said who it is, or belongs to another board from now on.
            self.boards.pop(event.source, None)
            return
        board = self.board(event.source)
        detail = event.detail
        if event.word in LINK_STATES:
            board.link = LINK_STATES[event.word]
            board.link_detail = detail.get("why", detail.get("text", ""))
            if board.link == "linked":
                board.linked_us = event.at_us
        if event.word in LINK_COUNTS:
            name = LINK_COUNTS[event.word]
            times = decimal(detail.get("bytes" if event.word == "discarded" else "times", ""))
            setattr(board, name, getattr(board, name) + (1 if times is None else times))
            if event.word != "held":
                board.had_trouble("bad lines" if event.word == "discarded" else "repeats", event.at_us)
        if event.word not in ("came", "left"):  # those name the port that a tap offers, not the board's
            board.port = detail.get("port", board.port)
        if event.word == "ident":
            board.identified = True
            board.ident = detail.get("ident", board.ident)
        elif not board.identified:
            board.ident = detail.get("ident", board.ident)
        if event.word in ("opened", "lost"):
            board.known = False
        if event.word in ("opened", "lost", "released"):
            board.nothing_wanted()
            board.trouble, board.round_trip_floor_us = "", None
        elif event.word in ("blink", "held") and "channel" in detail:
            channel = board.channel(detail["channel"])
            if event.word == "blink":
                channel.blinking = detail.get("on") == "1"
            elif "value" in detail:
                channel.wanted, channel.held = _hex(detail["value"][:16]), detail.get("why", "")

    def _quantity(self, name: str, text: str, at_us: int) -> None:
        known = self.values.get(name)
        if known is None:
            if len(self.values) < MOST_QUANTITIES:
                self.values[name] = Quantity(text, at_us)
        elif known.text != text:
            known.text, known.at_us, known.changes = text, at_us, known.changes + 1

    def _note(self, event: ev.Note) -> None:
        self.notes += 1


def _hex(word: str) -> int:
    try:
        return int(word, 16)
    except ValueError:
        return 0


def _answer_hello(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    # Another board, where this one was: the link will say which number it has.
    another = board.identified and words[4:] != [board.ident]
    if not another and not hello_slip(event.words):
        board.protocol, board.item_count, board.buffer = (_hex(word) for word in words[:3])
        board.boot = _hex(words[3])
        board.ident = words[4]


def _answer_item(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    if len(words) >= 2:
        board.describe(words[1], tuple(words[2:]), unquoted_pairs(words[2:]))


def _answer_read(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    for channel_id, value in settings(words[3:]):
        board.channel(channel_id).stands(value, event.at_us)
    asked = event.request.words if event.request else ()
    if len(words) >= 3 and words[2] == "00" and asked[1:2] == ("all",):
        board.known = True


def _answer_set(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    if event.request is not None and words:
        for channel_id, value in settings(event.request.words[1:]):
            board.channel(channel_id).moved(value, event.at_us, 0)


def _answer_dark(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    board.dark, board.dark_why = True, "local" if board.dark_why == "local" else "asked"
    board.outputs_off(event.at_us)


def _answer_light(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    board.dark, board.dark_why = False, ""


def _answer_deadman(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    if words:
        board.deadman_ms = _hex(words[0])


def _answer_alive(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    board.alive_period_us = alive_us_from(event.words, board.alive_period_us)


def _answer_raw(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    for channel_id, value in settings(words):
        channel = board.channel(channel_id)
        channel.raw_on = bool(value)
        if not value:
            channel.raw_level = None


def _answer_ident(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    if words:
        board.ident = words[0]


def _answer_name(board: BoardState, event: ev.Answered, words: list[str]) -> None:
    if words:
        board.name = unquote(words[0])


_ANSWERS: dict[str, Callable[[BoardState, ev.Answered, list[str]], None]] = {
    "hello": _answer_hello,
    "item": _answer_item,
    "read": _answer_read,
    "set": _answer_set,
    "dark": _answer_dark,
    "light": _answer_light,
    "deadman": _answer_deadman,
    "alive": _answer_alive,
    "raw": _answer_raw,
    "ident": _answer_ident,
    "name": _answer_name,
}

_TAKERS: dict[type, Callable[[BenchState, Any], None]] = {
    ev.Edge: BenchState._edge,
    ev.Reading: BenchState._reading,
    ev.Alive: BenchState._alive,
    ev.Boot: BenchState._boot,
    ev.Gap: BenchState._gap,
    ev.Odd: BenchState._odd,
    ev.Notification: BenchState._notified,
    ev.Asked: BenchState._asked,
    ev.Answered: BenchState._answered,
    ev.Link: BenchState._link,
    ev.Note: BenchState._note,
}
