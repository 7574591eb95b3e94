"""The soak's screen: what each step lights, what that does to the boards, and the time gone and left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, ClassVar

from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Static

from benchcon.console.ask import Ask
from benchcon.console.head import badged
from benchcon.console.keyline import KeyLine
from benchcon.console.links import SPAN_S, bars
from benchcon.console.table import Column, Row, Table
from benchcon.console.touched import LargeText, Touched
from benchcon.console.walk.watch_screen import Ended, WatchScreen
from benchcon.durations import clock_text
from benchcon.panel.electrics import current_ma
from benchcon.panel.lightness import sent_permille
from benchcon.text import counted, printable
from benchcon.units import volts
from benchcon.view.dark_keys import END_DARK
from benchcon.view.palette import BAD, BRASS, ENGRAVED, GOOD, IVORY, QUIET, WARN
from benchcon.walk.soak import BoardHealth, Soaking, duration_s
from benchcon.walk.wants import Wants
from benchcon.walk.watching import soak

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.session import LiveSession
    from benchcon.view.model import ViewModel

CAUTION = (
    "Everything lights in turn, each step as much as the boards' budgets allow, for as long as you say. Bright lamps "
    "dazzle; resistors, regulators and supplies get hot, and a fault may show as heat first: never leave "
    "it alone, and keep a hand near F9, which darkens everything. Extra-low voltage only. For how long?"
)


ABOUT = (
    "A duration such as 90 s, 45 min or 2 h. During the soak each board's supply, resets, bad lines and losses are "
    "counted and shown, with a bell for each; at the end the table has the lowest supply of every board."
)
"""Help text while the duration is asked for."""


WIDE = 110
"""Columns from which there is room for a curve beside each board."""


class Boards(Table):
    """The counters of each board, in wide windows with its supply over time."""

    def __init__(self, model: ViewModel, panel: Panel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model, self.panel = model, panel
        self.soaking: Soaking | None = None

    def columns(self, width: int) -> list[Column]:
        """Return the columns: load, supply, and what went wrong."""
        wide = width >= WIDE
        return [
            Column("board", 20 if wide else 0),
            Column("load mA", 9, True),
            Column("supply", 7, True),
            Column("min", 7, True),
            Column("resets", 6, True),
            Column("lost", 4, True),
            Column("bad", 5, True),
            Column("missing", 7, True),
            Column("loop ms", 7, True),
            *([Column(f"supply, last {SPAN_S // 60} min", 0)] if wide else []),
        ]

    def rows(self) -> list[Row]:
        """Return a row for each board."""
        soaking = self.soaking
        return [] if soaking is None else [self._row(soaking, board) for board in soaking.boards]

    def _row(self, soaking: Soaking, board: BoardHealth) -> Row:
        levels: dict[str, int | bytes] = {}
        wants = Wants() if soaking.refused else soaking.wants
        for name, level in wants.lamps.items():
            lamp = next(lamp for lamp in self.panel.lamps if lamp.name == name)
            if lamp.channel.board == board.name:
                levels[lamp.channel.id] = sent_permille(lamp, level)
        for name, picture in wants.displays.items():
            display = next(display for display in self.panel.displays if display.name == name)
            if display.channel.board == board.name:
                levels[display.channel.id] = picture
        found = self.panel.board(board.name)
        budget = found.budget_ma if found is not None else 0
        cells = (
            printable(self.model.title_of(board.name)),
            f"{current_ma(self.panel, board.name, levels):.0f}/{budget:.0f}",
            _volts(board.now_mv),
            _volts(board.least_mv),
            str(board.resets),
            str(board.lost),
            str(board.bad_here + board.bad_there),
            str(board.missing),
            f"{board.worst_loop_us / 1000:.1f}",
            self._supply(board.name),
        )
        return Row(board.name, cells, BAD if board.complaints() else IVORY)

    def _supply(self, name: str) -> str:
        """Return the supply of the last minutes as a curve; empty if there is no room."""
        width, board = self.size.width, self.model.boards.get(name)
        if width < WIDE or board is None:
            return ""
        columns = max(width - 2 - sum(column.width + 1 for column in self.columns(width) if column.width), 4)
        stopwatch = self.model.stopwatch
        stretch_us = -(-SPAN_S // columns) * 1_000_000
        with stopwatch.lock:
            return bars(
                "supply", stopwatch.curves.curves(board.source, self.model.now_us, columns, stretch_us)["supply"]
            )


def _volts(millivolts: int) -> str:
    return volts(millivolts) if millivolts else "?"


OWN_KEYS = ("end", "bell", "leave")


class SoakScreen(WatchScreen):
    """The screen of one soak."""

    CSS = """
    SoakScreen #title, SoakScreen #bar { height: 1; padding: 0 1; }
    SoakScreen #lit { height: auto; max-height: 4; padding: 0 1; margin-top: 1; }
    SoakScreen Boards { height: auto; min-height: 4; max-height: 12; margin-top: 1; }
    SoakScreen #own-keys { dock: none; }
    SoakScreen #wrong { height: 1fr; padding: 0 1; margin-top: 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("e", "end", "End it now"),
        Binding("b", "bell", "Bell on/off"),
        Binding("escape,q", "leave", "Back"),
    ]

    def __init__(self, model: ViewModel, session: LiveSession, panel: Panel, seconds: float) -> None:
        super().__init__(model, session, panel)
        self.seconds = seconds
        self.over = False
        self._soaking: Soaking | None = None
        self._said: list[str] = []
        self._heard = 0
        self._trouble = ""

    def compose(self) -> ComposeResult:
        """Yield progress, what is lit, the boards, what went wrong, and the keys."""
        yield Static("", id="title")
        yield Touched(id="touched")
        yield Static("", id="bar")
        yield Static("", id="lit")
        yield Boards(self.model, self.panel, id="boards")
        yield Static("", id="wrong")
        yield KeyLine(only=OWN_KEYS, id="own-keys")
        yield KeyLine(without=OWN_KEYS, id="keys")

    def on_mount(self) -> None:
        """Begin the soak."""
        self.ready = True
        table = self.query_one(Boards)
        table.styles.height = len(self.panel.boards) + 2
        table.focus()
        until_us = self.session.now_us() + int(self.seconds * 1_000_000)

        def look(soaking: Soaking) -> None:
            self._soaking = replace(soaking, boards=[replace(board) for board in soaking.boards])

        def work(ended: Callable[[], bool]) -> None:
            soak(
                self.session,
                lambda: ended() or self.session.now_us() >= until_us,
                self._said.append,
                look=look,
                panel=self.panel,
            )

        self.begin(work)

    def on_ended(self, message: Ended) -> None:
        """Show the end: the time is up, the user ended it, or it could not go on."""
        self.over = True
        self._trouble = message.trouble
        if self.bell:
            self.app.bell()
        self.refresh_bindings()
        self.frame()

    def frame(self) -> None:
        """Draw what has changed, and ring for what has gone wrong since."""
        if not self.ready:
            return
        soaking = self._soaking
        table = self.query_one(Boards)
        if soaking is not None and soaking is not table.soaking:
            table.soaking = soaking
            table.repaint()
        if len(self._said) > self._heard:
            self._heard = len(self._said)
            if self.bell:
                self.app.bell()
        self._title(soaking)
        self._lit(soaking)
        self._wrong(soaking)

    def _title(self, soaking: Soaking | None) -> None:
        gone = soaking.seconds if soaking is not None else 0.0
        left = max(0.0, self.seconds - gone)
        to_go = clock_text(left * 1e6)
        text = Text("Soak   ", f"bold {BRASS}")
        text.append(f"{clock_text(gone * 1e6)} gone", IVORY)
        text.append(
            f"   {'over' if self.over else f'{to_go} to go'}   of {clock_text(self.seconds * 1e6)}",
            ENGRAVED,
        )
        if not self.bell:
            text.append("   bell off", WARN)
        self.query_one("#title", Static).update(badged(self.model.session.badge, text))
        wrong = bool(soaking is not None and any(board.complaints() for board in soaking.boards))
        state = "wrong" if wrong or self._trouble else "good"
        self.query_one(Touched).show(LargeText("Over" if self.over else to_go, state, state == "good"))
        width = max(10, self.size.width - 2)
        full = width if self.over and not self._trouble else min(width, int(width * gone / self.seconds))
        bar = Text("━" * full, BRASS)
        bar.append("─" * (width - full), QUIET)
        self.query_one("#bar", Static).update(bar)

    def _lit(self, soaking: Soaking | None) -> None:
        if soaking is None or self.over:
            self.query_one("#lit", Static).update(Text("All is off." if self.over else "", ENGRAVED))
            return
        text = Text(f"Step {soaking.step} of {soaking.of}, {counted(soaking.count, 'step')} so far.  ", ENGRAVED)
        if soaking.refused:
            hint = f": {END_DARK} ends dark" if "dark" in soaking.refused else ""
            text.append(f"Not lit: {printable(soaking.refused)}{hint}.", WARN)
        elif soaking.dark:
            text.append("All dark, to see the supply at rest.", IVORY)
        else:
            names = [*soaking.wants.lamps, *soaking.wants.displays]
            text.append(f"Lit: {printable(', '.join(map(self._label, names)))}.", IVORY)
        self.query_one("#lit", Static).update(text)

    def _wrong(self, soaking: Soaking | None) -> None:
        text = Text()
        if self._trouble:
            text.append(f"{printable(self._trouble)}\n", BAD)
        lines = [line for board in soaking.boards for line in board.complaints().values()] if soaking else []
        for line in lines:
            text.append(f"✗ {printable(line)}\n", BAD)
        if not lines and not self._trouble:
            text.append("✓ No reset, no bad line, and the supply holds." if soaking else "It begins…", GOOD)
        self.query_one("#wrong", Static).update(text)

    def _label(self, name: str) -> str:
        part = self.panel.part(name)
        return part.label if part is not None else name

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to end it only while it runs."""
        return not self.over if action == "end" else True

    def action_end(self) -> None:
        """End the soak; its figures stay on the screen."""
        self.stop()


def ask_soak(
    app: App[Any],
    model: ViewModel,
    session: LiveSession,
    panel: Panel,
    afterwards: Callable[[object], None] = lambda _: None,
) -> None:
    """Show the cautions, ask for the duration, and soak. `afterwards` is called when it is over or cancelled."""

    def done(text: str | None) -> None:
        if text is None:
            afterwards(None)
        else:
            app.push_screen(SoakScreen(model, session, panel, duration_s(text)), afterwards)

    app.push_screen(Ask("Soak", CAUTION, "2 h", check=duration_s, more=ABOUT), done)
