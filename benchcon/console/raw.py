"""The raw view: every channel as its board reports it, with pin levels before inversion and plain counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from benchcon.console.canvas import Canvas
from benchcon.console.table import Column, Row, Table
from benchcon.durations import age_text
from benchcon.panel.model import Part
from benchcon.panel.reading import made_or_open
from benchcon.panel.segments import decode, or_blank, segments_of
from benchcon.state import BoardState, ChannelState
from benchcon.text import printable
from benchcon.view.event_feed import FRESH_US
from benchcon.view.palette import BRASS, ENGRAVED, IVORY, QUIET, UNKNOWN
from benchcon.view.showing import channel_label
from benchcon.view.traces import CURVE_US, counted_word, recent, trace_of
from benchcon.wire.items import digits_in

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

WIDE = 110
"""Columns from which there is room for a curve beside each channel."""


class Raw(Table):
    """A row for each channel: its value, minimum, maximum, number of changes, age, and a curve."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("e", "edges", "Every edge"),
        Binding("f", "find", "On the face"),
    ]

    @dataclass
    class Find(Message):
        """Sent to show a part on the face."""

        name: str

    def __init__(self, model: ViewModel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self._curve = 4
        """Width of the curves in columns."""

    def columns(self, width: int) -> list[Column]:
        """Return the columns; the remaining width goes to the part's name and, in wide windows, to a curve."""
        wide = width >= WIDE
        part = 0 if not wide else min(max(20, (width - 100) // 2), 36)
        return [
            Column("channel", 8),
            Column("pin", 10 if wide else 6),
            Column("part", part),
            *([Column("kind", 7)] if wide else []),
            Column("value", 14 if wide else 11, True),
            Column("pin level" if wide else "level", 9 if wide else 5, True),
            Column("min", 6 if wide else 5, True),
            Column("max", 6 if wide else 5, True),
            Column("changes", 7, True),
            *([Column("edges", 6, True), Column("invalid", 7, True)] if wide else []),
            Column("ago", 6, True),
            *([Column(f"last {CURVE_US // 1_000_000} s", 0)] if wide else []),
        ]

    def paint(self, canvas: Canvas) -> None:
        """Draw the table, with the width of the curves from its other columns."""
        columns = self.columns(canvas.width)
        self._curve = max(canvas.width - 2 - sum(column.width + 1 for column in columns if column.width), 4)
        super().paint(canvas)

    def rows(self) -> list[Row]:
        """Return all channels, board by board."""
        model = self.model
        rows = []
        with model.session.lock:
            for name, board in model.boards.items():
                look = model.statuses[name]
                rows.append(Row("", [f"{printable(model.title_of(name))}   {look.shape} {look.word}"], look.colour))
                rows += [self._row(name, board, channel) for channel in board.channels.values()]
        return rows

    def _row(self, name: str, board: BoardState, channel: ChannelState) -> Row:
        now_us = self.model.now_us
        wide = self.size.width >= WIDE
        part = self.model.feed.part_on(board.source, channel.id)
        live = board.liveness(now_us) == "live"
        current = live and (board.known or channel.is_output)
        fresh = live and channel.at_us and now_us - channel.at_us < FRESH_US
        counted = channel.kind not in ("contact", "display")  # for a contact these would only be open and made
        label = channel_label(part, channel.id) if part is not None else printable(channel.detail.get("label", ""))
        cells = [
            printable(channel.id),
            printable(channel.detail.get("pin", "")),
            label,
            *([printable(channel.kind)] if wide else []),
            _value(channel, part) if current else "not known",
            _level(channel) if current else "?",
            _count(channel.least) if counted else "",
            _count(channel.greatest) if counted else "",
            str(channel.changes),
            *([str(channel.edges), str(channel.invalid)] if wide else []),
            age_text(now_us - channel.at_us) if channel.at_us else "",
            *([self._curve_of(board.source, channel, part)] if wide else []),
        ]
        colour = UNKNOWN if not current else IVORY if fresh else ENGRAVED if channel.changes else QUIET
        return Row(f"{name}\0{channel.id}", cells, BRASS if channel.raw_on and current and fresh else colour)

    def _curve_of(self, source: int, channel: ChannelState, part: Part | None) -> str:
        """Return a curve of the channel's recent past, drawn as on the time line."""
        trace = trace_of((source, channel.id), channel.kind, part)
        return recent(self.model.past, trace, self.model.now_us, self._curve)

    # --- keys -----------------------------------------------------------------------------------------------------

    def _chosen(self) -> tuple[BoardState, ChannelState] | None:
        name, _, channel_id = self.chosen.partition("\0")
        board = self.model.boards.get(name)
        channel = board.channels.get(channel_id) if board is not None else None
        return (board, channel) if board is not None and channel is not None else None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer edges only for inputs on a live bench."""
        if action == "edges":
            chosen = self._chosen()
            return self.model.session.bench is not None and chosen is not None and not chosen[1].is_output
        return True

    def action_edges(self) -> None:
        """Make the board report every edge, or every reading, of this input, or stop it."""
        chosen = self._chosen()
        if chosen is not None:
            board, channel = chosen
            self.model.work.raw(board, channel, not channel.raw_on)

    def action_find(self) -> None:
        """Show the part on the face."""
        chosen = self._chosen()
        if chosen is not None:
            part = self.model.feed.part_on(chosen[0].source, chosen[1].id)
            if part is not None:
                self.post_message(self.Find(part.name))


def _value(channel: ChannelState, part: Part | None) -> str:
    """Return a channel's value in words: ``made``, ``1013.4``, ``80 %, 800``, ``+2, 8``."""
    value = channel.signed
    if channel.value is None or value is None:
        return "not known"
    if channel.ghost:
        return "ghost"
    if channel.kind == "display":
        return or_blank(decode(segments_of(channel.value, digits_in(channel.detail, 8))))[:8]
    if channel.kind == "contact":
        return made_or_open(channel.value)
    return counted_word(part, value)


def _level(channel: ChannelState) -> str:
    if channel.kind == "contact":
        return {None: "?", 0: "low", 1: "high"}.get(channel.level, str(channel.level))
    if channel.kind == "encoder":
        return "" if channel.raw_level is None else f"{channel.raw_level:02b}"
    if channel.kind == "pot":
        return "" if channel.raw_level is None else str(channel.raw_level)
    return ""


def _count(value: int | None) -> str:
    return "" if value is None else str(value)[-6:]
