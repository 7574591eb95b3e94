"""The raw view: every channel as the board tells it, pin levels before inversion and counts before any meaning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from benchcon.console.table import Column, Row, Table
from benchcon.panel.segments import decode
from benchcon.state import BoardState, ChannelState
from benchcon.text import printable
from benchcon.view.palette import BRASS, ENGRAVED, IVORY, QUIET, UNKNOWN
from benchcon.view.showing import label_of

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

FRESH_US = 700_000


class Raw(Table):
    """One row a channel: the last value, the smallest and the greatest seen, how often it changed, how long ago."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("e", "edges", "Tell every edge"),
        Binding("f", "find", "On the face"),
    ]

    @dataclass
    class Find(Message):
        """A part is to be shown on the face."""

        name: str

    def __init__(self, sight: ViewModel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.sight = sight

    def columns(self, width: int) -> list[Column]:
        """What is left over goes to the part's name."""
        wide = width >= 110
        return [
            Column("channel", 8),
            Column("pin", 10 if wide else 6),
            Column("part", 0),
            Column("kind", 8),
            Column("value", 10 if wide else 8, True),
            Column("pin level" if wide else "level", 9 if wide else 5, True),
            Column("min", 6, True),
            Column("max", 6, True),
            Column("changes", 7, True),
            *([Column("edges", 7, True), Column("invalid", 7, True)] if wide else []),
            Column("ago", 6, True),
        ]

    def rows(self) -> list[Row]:
        """All channels, board by board."""
        sight = self.sight
        wide = self.size.width >= 110
        rows = []
        with sight.session.lock:
            for name, board in sight.boards.items():
                look = sight.standings[name]
                rows.append(Row("", [f"{printable(sight.title_of(name))}   {look.shape} {look.word}"], look.colour))
                rows += [self._row(name, board, channel, wide) for channel in board.channels.values()]
        return rows

    def _row(self, name: str, board: BoardState, channel: ChannelState, wide: bool) -> Row:
        now_us = self.sight.now_us
        part = self.sight.feed.part_on(board.source, channel.id)
        live = board.standing(now_us) == "live"
        current = live and (board.known or channel.is_output)
        fresh = live and channel.at_us and now_us - channel.at_us < FRESH_US
        cells = [
            printable(channel.id),
            printable(channel.detail.get("pin", "")),
            label_of(part) if part is not None else printable(channel.detail.get("label", "")),
            printable(channel.kind),
            _value(channel) if current else "not known",
            _level(channel) if current else "?",
            _count(channel.least) if channel.kind != "display" else "",
            _count(channel.greatest) if channel.kind != "display" else "",
            str(channel.changes),
            *([str(channel.edges), str(channel.invalid)] if wide else []),
            _ago(now_us, channel.at_us),
        ]
        colour = UNKNOWN if not current else IVORY if fresh else ENGRAVED if channel.changes else QUIET
        return Row(f"{name}\0{channel.id}", cells, BRASS if channel.raw_on and current and fresh else colour)

    # --- keys -----------------------------------------------------------------------------------------------------

    def _chosen(self) -> tuple[BoardState, ChannelState] | None:
        name, _, channel_id = self.chosen.partition("\0")
        board = self.sight.boards.get(name)
        channel = board.channels.get(channel_id) if board is not None else None
        return (board, channel) if board is not None and channel is not None else None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Edges can be asked of inputs, on a live bench."""
        if action == "edges":
            chosen = self._chosen()
            return self.sight.session.bench is not None and chosen is not None and not chosen[1].is_output
        return True

    def action_edges(self) -> None:
        """Have the board tell every edge of this input, or every reading; or end it."""
        chosen = self._chosen()
        if chosen is not None:
            board, channel = chosen
            self.sight.work.raw(board, channel, not channel.raw_on)

    def action_find(self) -> None:
        """Show the part on the face."""
        chosen = self._chosen()
        if chosen is not None:
            part = self.sight.feed.part_on(chosen[0].source, chosen[1].id)
            if part is not None:
                self.post_message(self.Find(part.name))


def _value(channel: ChannelState) -> str:
    if channel.value is None:
        return "not known"
    if channel.ghost:
        return "ghost"
    if channel.kind == "display":
        digits = _digits(channel)
        return decode((channel.value & ((1 << 8 * digits) - 1)).to_bytes(digits, "big")).strip()[:8] or "blank"
    return str(channel.signed)


def _digits(channel: ChannelState) -> int:
    try:
        return max(1, min(8, int(channel.detail.get("digits", "8")[:2], 16)))
    except ValueError:
        return 8


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


def _ago(now_us: int, at_us: int) -> str:
    if not at_us:
        return ""
    seconds = (now_us - at_us) / 1e6
    if seconds < 10:
        return f"{max(seconds, 0):.1f}s"
    if seconds < 100:
        return f"{seconds:.0f}s"
    return f"{seconds / 60:.0f}min" if seconds < 6000 else f"{seconds / 3600:.0f}h"
