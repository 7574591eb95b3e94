"""The wiggle test's screen: while the loom is flexed, it shows and rings for each drop-out, with counts and times."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Static

from benchcon.console.head import badged
from benchcon.console.keyline import KeyLine
from benchcon.console.table import Column, Row, Table
from benchcon.console.touched import LargeText, Touched
from benchcon.console.walk.watch_screen import Ended, WatchScreen
from benchcon.durations import age_text, clock_text
from benchcon.text import counted, printable
from benchcon.view.palette import BAD, BRASS, ENGRAVED, GOOD, IVORY, WARN
from benchcon.view.showing import channel_label
from benchcon.view.traces import CURVE_US, counted_word, recent, trace_of
from benchcon.walk.watching import wiggle
from benchcon.walk.wiggle import WatchedChannel, Wiggle, time_text

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.session import LiveSession
    from benchcon.view.model import ViewModel


WIDE = 110
"""Columns from which there is room for a curve beside each channel."""


@dataclass(frozen=True, slots=True)
class WiggleStatus:
    """The state of the test, which is copied on its thread and drawn on the screen's."""

    rows: tuple[Row, ...]
    watched: int
    count: int
    """Number of drop-outs and resets together."""
    last: str = ""
    """The channel that dropped out last."""
    label: str = ""
    last_count: int = 0
    last_at_us: int = 0
    away: bool = False
    upsets: str = ""
    """Boards that were reset or gone."""
    settled: bool = True
    """Every channel's value at rest is known."""


def status_of(watch: Wiggle) -> WiggleStatus:
    """Return the state of `watch`."""
    spots = watch.layout.spots
    rows = tuple(_row(watch, each) for each in sorted(watch.watched.values(), key=lambda each: -each.count))
    last = watch.watched.get(watch.last)
    upsets = ", ".join(f"{printable(board)} ({count})" for board, count in watch.upsets.items())
    total = watch.count + sum(watch.upsets.values())
    if last is None:
        return WiggleStatus(rows, len(rows), total, upsets=upsets, settled=watch.settled)
    label = printable(spots[last.key].part.label)
    away = last.away_since_us is not None
    return WiggleStatus(
        rows, len(rows), total, last.key, label, last.count, watch.last_at_us, away, upsets, watch.settled
    )


def _row(watch: Wiggle, each: WatchedChannel) -> Row:
    spot = watch.layout.spots[each.key]
    part = spot.part
    rests = watch.rest_text(each.key) if spot.kind in ("contact", "selector") else counted_word(part, each.rest)
    times = (time_text(each.shortest_us), time_text(each.longest_us)) if each.longest_us else ("–", "–")
    if not each.count:
        times = ("", "")
    now = "away" if each.away_since_us is not None else "at rest" if each.settled else "settling"
    colour = WARN if each.away_since_us is not None else BAD if each.count else ENGRAVED
    cells = (
        channel_label(part, spot.channel.id),
        printable(each.key),
        rests,
        str(each.count or "–"),
        *times,
        now,
    )
    return Row(each.key, cells, colour)


class Channels(Table):
    """Every watched channel, the worst first, in wide windows with a curve of its recent past."""

    def __init__(self, model: ViewModel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.status: WiggleStatus | None = None

    def show(self, status: WiggleStatus) -> None:
        """Show a new state."""
        self.status = status
        if status.rows:
            self.lead(status.rows[0].key)
        self.repaint()

    def columns(self, width: int) -> list[Column]:
        """Return the columns: name and channel, value at rest, drop-outs, shortest and longest, present state."""
        wide = width >= WIDE
        return [
            Column("input", (width - 60) // 3 if wide else 0),
            Column("channel", 20 if wide else 16),
            Column("rests", 11 if wide else 9),
            Column("drop-outs", 9, True),
            Column("shortest", 9, True),
            Column("longest", 9, True),
            Column("now", 8),
            *([Column(f"last {CURVE_US // 1_000_000} s", 0)] if wide else []),
        ]

    def rows(self) -> list[Row]:
        """Return the present rows."""
        rows = list(self.status.rows) if self.status is not None else []
        width = self.size.width
        if width < WIDE:
            return rows
        curve = max(width - 2 - sum(column.width + 1 for column in self.columns(width) if column.width), 4)
        return [row._replace(cells=(*row.cells, self._curve(row.key, curve))) for row in rows]

    def _curve(self, key: str, columns: int) -> str:
        """Return a curve of a channel's recent past, drawn as on the time line."""
        name, _, channel_id = key.partition(".")
        board = self.model.boards.get(name)
        if board is None or channel_id not in board.channels:
            return ""
        part = self.model.feed.part_on(board.source, channel_id)
        trace = trace_of((board.source, channel_id), board.channels[channel_id].kind, part)
        return recent(self.model.past, trace, self.model.now_us, columns)


OWN_KEYS = ("one", "all", "reset", "bell", "leave")


class WiggleScreen(WatchScreen):
    """The screen of wiggle tests, one after the other, of all inputs or one of them."""

    CSS = """
    WiggleScreen #title { height: 1; padding: 0 1; }
    WiggleScreen #last { height: auto; max-height: 2; padding: 0 1; }
    WiggleScreen Channels { height: 1fr; }
    WiggleScreen #own-keys { dock: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "one", "Watch this one only"),
        Binding("a", "all", "Watch all"),
        Binding("c", "reset", "Reset counts"),
        Binding("b", "bell", "Bell on/off"),
        Binding("escape,q", "leave", "Back"),
    ]

    def __init__(self, model: ViewModel, session: LiveSession, panel: Panel, parts: Sequence[str] = ()) -> None:
        """`parts` names what to watch at first; empty: every input."""
        super().__init__(model, session, panel)
        self.parts = list(parts)
        self._status: WiggleStatus | None = None
        self._heard = 0
        self._began_us = 0
        self._trouble = ""

    def compose(self) -> ComposeResult:
        """Yield what is watched, the last drop-out in large letters, the channels, and the keys."""
        yield Static("", id="title")
        yield Touched(id="touched")
        yield Static("", id="last")
        yield Channels(self.model, id="channels")
        yield KeyLine(only=OWN_KEYS, id="own-keys")
        yield KeyLine(without=OWN_KEYS, id="keys")

    def on_mount(self) -> None:
        """Begin to watch."""
        self.ready = True
        self.query_one(Channels).focus()
        self._watch()

    def on_resize(self) -> None:
        """Put name and count on separate lines if there is room."""
        for large in self.query(Touched):
            large.styles.height = 13 if self.size.height >= 34 else 5

    def _watch(self) -> None:
        """Begin to watch `parts`, counting from zero."""
        self._status, self._heard, self._trouble = None, 0, ""
        self.query_one(Channels).led = True
        self._began_us = self.session.now_us()
        parts = list(self.parts)

        def look(watch: Wiggle, now_us: int) -> None:
            self._status = status_of(watch)

        def work(ended: Callable[[], bool]) -> None:
            wiggle(self.session, parts, ended, lambda line: None, look, self.panel)

        self.begin(work)

    def on_ended(self, message: Ended) -> None:
        """Show why the test could not go on."""
        if message.number == self.number and message.trouble:
            self._trouble = message.trouble
            self.frame()

    def frame(self) -> None:
        """Draw what has changed, and ring for what has dropped out since."""
        if not self.ready:
            return
        now = self._status
        table = self.query_one(Channels)
        if now is not None and now is table.status:
            table.repaint()  # its curves move with time
        elif now is not None:
            table.show(now)
            if now.count > self._heard and self.bell:
                self.app.bell()  # once for each look, however many drop-outs there were
            self._heard = now.count
        self._title(now)
        self._large(now)

    def _title(self, now: WiggleStatus | None) -> None:
        names = ", ".join(self._label(name) for name in self.parts) or "every input"
        text = Text("Wiggle test: ", f"bold {BRASS}")
        text.append(printable(names), f"bold {IVORY}")
        if now is not None:
            text.append(f"   {counted(now.watched, 'channel')}   ", ENGRAVED)
            text.append(clock_text(self.session.now_us() - self._began_us), ENGRAVED)
        if not self.bell:
            text.append("   bell off", WARN)
        self.query_one("#title", Static).update(badged(self.model.session.badge, text))

    def _large(self, now: WiggleStatus | None) -> None:
        last = self.query_one("#last", Static)
        big = self.query_one(Touched)
        if self._trouble:
            last.update(Text(self._trouble, BAD))
        elif now is None or not (now.last or now.upsets):
            settled = now is None or now.settled
            big.show(LargeText("Flex it now" if settled else "Hands off", "0"))
            if settled:
                last.update(Text("Hold the part, flex the loom, tap connectors: it rings for every drop-out.", GOOD))
            else:
                last.update(Text("A value that is steady for half a second counts as the value at rest.", WARN))
        else:
            if now.last:
                big.show(LargeText(now.label, str(now.last_count), not now.away))
            else:
                big.show(LargeText("Reset", str(now.count)))
            ago = age_text(self.session.now_us() - now.last_at_us)
            said = f"Last: {now.last}, {ago} ago{', and it is still away' if now.away else ''}. " if now.last else ""
            resets = f"Reset or gone: {now.upsets}." if now.upsets else ""
            last.update(Text(said + resets, WARN if now.away or now.upsets else IVORY))

    def _label(self, name: str) -> str:
        part = self.panel.part(name)
        if part is None:
            row = next((row for row in self._status.rows if row.key == name), None) if self._status else None
            return f"{row.cells[0]} ({name})" if row is not None else name
        return part.label

    # --- keys -------------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to watch all only while fewer are watched, and one only while several are."""
        if action == "all":
            return bool(self.parts)
        return action != "one" or self._status is None or self._status.watched > 1

    def action_one(self) -> None:
        """Watch only the chosen channel, counting from zero."""
        chosen = self.query_one(Channels).chosen
        if chosen:
            self.parts = [chosen]
            self._watch()
            self.refresh_bindings()

    def action_all(self) -> None:
        """Watch every input, counting from zero."""
        self.parts = []
        self._watch()
        self.refresh_bindings()

    def action_reset(self) -> None:
        """Set the counts to zero."""
        self._watch()
