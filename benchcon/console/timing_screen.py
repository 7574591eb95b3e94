"""The timing screen: how long outputs take to answer controls, live, with the last delay in large letters."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, ClassVar

from rich.cells import cell_len
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Static

from benchcon.console.canvas import Canvas
from benchcon.console.canvas_widget import Drawn
from benchcon.console.head import REHEARSAL, TIMING, VIEWS, Head
from benchcon.console.ink import ink
from benchcon.console.keyline import KeyLine
from benchcon.console.table import Column, Row, Table
from benchcon.console.touched import AIRY, LargeText, Touched
from benchcon.timing.delay_words import (
    clocks_words,
    counts_words,
    drift_words,
    limit_words,
    ms,
    name_of,
    stages_bar,
    stages_words,
    verdict_words,
)
from benchcon.timing.delays import Delays
from benchcon.view.palette import BAD, BRASS, EDGE, ENGRAVED, GOOD, IVORY, QUIET, WARN
from benchcon.view.showing import label_of
from benchcon.view.why_not import why_not

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel
    from benchcon.view.stopwatch import Stopwatch

MOST_SHOWN = 400
"""How many of the latest delays are plotted."""
HIGH = "▁▂▃▄▅▆▇█"

SHORT = {"passed": "passed", "not certain": "not certain", "no limit": "no limit", "not moved": "not moved"}
COLOURS = {"passed": GOOD, "broken": BAD, "not certain": WARN, "no limit": IVORY, "not moved": QUIET}


def labels_of(one: Delays) -> str:
    """Return ``control → output`` with the labels on the panel."""
    return f"{label_of(one.control)} → {label_of(one.output)}"


class Pairs(Table):
    """A row for each control and an output that answers it."""

    def __init__(self, stopwatch: Stopwatch, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.stopwatch = stopwatch
        self._named = False
        """Whether there is room for the names in the panel file as well as the labels."""

    def columns(self, width: int) -> list[Column]:
        """Return the columns; with percentiles and the names in the panel file if there is room."""
        wide = width >= 110
        figures = ["p50", "p95", "p99", "worst"] if wide else ["p50", "worst"]
        columns = [
            Column("answers", 7, True),
            *(Column(word, 9, True) for word in figures),
            Column("limit", 8, True),
            Column("", 22 if wide else 14),
        ]
        room = width - 2 - sum(column.width + 1 for column in columns)
        labels = max((cell_len(labels_of(one)) for one in self.stopwatch.found), default=0)
        names = max((cell_len(name_of(one)) for one in self.stopwatch.found), default=0)
        self._named = bool(names) and labels + names + 4 <= room
        return [
            Column("control → output", 0),
            *([Column("in the panel file", names + 2)] if self._named else []),
            *columns,
        ]

    def rows(self) -> list[Row]:
        """Return first the pairs in the panel file, then others that were seen."""
        wide = self.size.width >= 110
        return [self._row(one, wide) for one in self.stopwatch.found]

    def _row(self, one: Delays, wide: bool) -> Row:
        worst = ms(one.worst.delay_us) if one.worst is not None else "-"
        percents = (50, 95, 99) if wide else (50,)
        figures = [ms(one.percentile_us(percent)) if one.found else "-" for percent in percents]
        limit = limit_words(one)
        result = SHORT.get(one.verdict) or (", " if wide else " ").join(
            word
            for word in (f"{len(one.broken)} over" * bool(one.broken), f"{len(one.missing)} lost" * bool(one.missing))
            if word
        )
        if one.proposed:
            result = "seen, not named" if wide else "seen"
        named = [name_of(one)] if self._named else []
        cells = [labels_of(one), *named, str(len(one.found)), *figures, worst, limit, result]
        return Row(name_of(one), cells, COLOURS[one.verdict])


class DelayPlot(Drawn):
    """Two plots of one pair: how many answers took how long, and the delays over time."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.one: Delays | None = None

    def paint(self, canvas: Canvas) -> None:
        """Draw both plots side by side."""
        canvas.wipe(0, 0, canvas.width, canvas.height, self.ground)
        one = self.one
        if one is None or not one.found or canvas.height < 4:
            return
        half = canvas.width // 2 - 2
        end_us = max(max(each.delay_us for each in one.found), one.limit_us) * 1.05 or 1.0
        self._histogram(canvas, one, 1, half, end_us)
        self._over_time(canvas, one, half + 4, canvas.width - half - 5, end_us)

    def _histogram(self, canvas: Canvas, one: Delays, x: int, width: int, end_us: float) -> None:
        rows = canvas.height - 2
        counts = [0] * width
        for each in one.found:
            counts[min(max(int(each.delay_us / end_us * width), 0), width - 1)] += 1
        most = max(counts)
        limit = int(one.limit_us / end_us * width) if one.limit_us else width + 1
        for column, count in enumerate(counts):
            eighths = max(round(count / most * rows * 8), 1) if count else 0
            colour = BAD if column >= limit else BRASS
            for row in range(rows):
                part = min(max(eighths - 8 * row, 0), 8)
                y = rows - 1 - row
                if part:
                    canvas.write(x + column, y, HIGH[part - 1], ink(colour, self.GROUND))
                elif column == limit:
                    canvas.write(x + column, y, "┊", ink(BAD, self.GROUND))
        canvas.write(x, rows, "─" * width, ink(EDGE, self.GROUND))
        canvas.write(x, rows + 1, "0", ink(QUIET, self.GROUND))
        end = ms(end_us)
        canvas.write(x + width - len(end), rows + 1, end, ink(QUIET, self.GROUND))
        canvas.write(x + 3, rows + 1, "how long", ink(ENGRAVED, self.GROUND), max(width - len(end) - 4, 0))

    def _over_time(self, canvas: Canvas, one: Delays, x: int, width: int, end_us: float) -> None:
        rows = canvas.height - 2
        found = one.found[-MOST_SHOWN:]
        first, last = found[0].at_us, found[-1].at_us
        if one.limit_us:
            y = rows - 1 - min(int(one.limit_us / end_us * rows), rows - 1)
            canvas.write(x, y, "┈" * width, ink(BAD, self.GROUND))
        for each in found:
            column = round((each.at_us - first) / ((last - first) or 1.0) * (width - 1))
            row = min(max(int(each.delay_us / end_us * rows), 0), rows - 1)
            over = one.limit_us and each.delay_us - each.error_us > one.limit_us
            canvas.write(x + column, rows - 1 - row, "•", ink(BAD if over else BRASS, self.GROUND))
        canvas.write(x, rows, "─" * width, ink(EDGE, self.GROUND))
        caption = f"over the last {(last - first) / 1e6:.0f} s" if len(found) > 1 else "one answer so far"
        canvas.write(x, rows + 1, caption, ink(ENGRAVED, self.GROUND), width)


class TimingScreen(Screen[str | None]):
    """The screen with the pairs, the plots, what is wrong with links, and the last delay."""

    CSS = """
    TimingScreen { overflow: hidden; }
    TimingScreen #title { height: 1; padding: 0 1; background: $panel; }
    TimingScreen #pairs { height: 1fr; min-height: 3; }
    TimingScreen #plot { height: 8; margin-top: 1; }
    TimingScreen #explained { height: auto; max-height: 7; padding: 0 1; color: $engraved; }
    TimingScreen #touched { height: 5; }
    TimingScreen.-airy #touched { height: 6; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,f7", "back", "Back"),
        *[Binding(key, f"view('{name}')", word, show=False) for name, key, word in (*VIEWS, REHEARSAL)],
    ]

    def __init__(self, model: ViewModel) -> None:
        super().__init__()
        self.model = model
        self.stopwatch = model.stopwatch

    def compose(self) -> ComposeResult:
        """Yield the head, the table, the plots of the selected row, explanations, and the last delay."""
        yield Head(self.model, TIMING[0], id="head")
        yield Static("", id="title")
        yield Pairs(self.stopwatch, id="pairs")
        yield DelayPlot(id="plot")
        yield Static("", id="explained", markup=False)
        yield Touched(id="touched")
        yield KeyLine(id="keys")

    def on_mount(self) -> None:
        """Begin."""
        self.query_one(Pairs).focus()
        self.frame()

    def on_resize(self) -> None:
        """Adapt to a new size."""
        self.set_class(self.size.height >= AIRY, "-airy")

    def action_view(self, name: str) -> None:
        """Go back to a view of the bench."""
        self.dismiss(name)

    def on_head_turn(self, message: Head.Turn) -> None:
        """Go back to the view that was clicked."""
        if message.view != TIMING[0]:
            self.dismiss(message.view)

    def action_back(self) -> None:
        """Go back to the bench; the measurements are kept."""
        self.dismiss(None)

    def on_key(self, event: events.Key) -> None:
        """Say why a key that drives outputs does nothing here."""
        if event.key not in self.active_bindings and (why := why_not(self.model, event.key)):
            self.app.notify(why, timeout=5, markup=False)

    def frame(self) -> None:
        """Draw what has changed."""
        if not self.is_mounted or not self.query("#keys"):
            return
        self.query_one(Head).repaint()
        self.stopwatch.look(self.model.panel)
        title = f"Timing, from control to output, {self.stopwatch.span}"
        self.query_one("#title", Static).update(title)
        pairs, last = self.query_one(Pairs), self.stopwatch.last()
        if last is not None:
            pairs.lead(name_of(last[0]))
        pairs.repaint()
        chosen = next((one for one in self.stopwatch.found if name_of(one) == pairs.chosen), None)
        plot = self.query_one(DelayPlot)
        plot.one = chosen
        explained = self._explained(chosen)
        # Two thirds of the rows beyond those of a small screen go to the plots, the rest to the table; but never so
        # many that a line of the explanations would have no room.
        lines = sum(max(len(wrap(line, max(self.size.width - 2, 1))), 1) for line in explained)
        room = self.size.height - self.query_one(Touched).outer_size.height - lines - 7
        most = max(7 if self.size.height < 25 else 8, (self.size.height - 18) * 2 // 3)
        plot.styles.height = max(4, min(most, room))
        plot.repaint()
        self.query_one("#explained", Static).update("\n".join(explained))
        big = None
        if last is not None:
            one, delay = last
            over = bool(one.limit_us and delay.delay_us - delay.error_us > one.limit_us)
            big = LargeText(labels_of(one), ms(delay.delay_us), warn=over)
        self.query_one(Touched).show(big)

    def _explained(self, chosen: Delays | None) -> list[str]:
        if self.stopwatch.why_not:
            return [self.stopwatch.why_not]
        lines = self.stopwatch.link_sentences()[:2]
        if chosen is None:
            return [
                *lines,
                "Nothing to measure yet. Move controls while a program drives the outputs. In the panel file, answers "
                '= "CONTROL" and within = "100 ms" on a lamp or display say which control it answers, and how quickly.',
            ]
        counts = counts_words(chosen, label_of(chosen.output)) if chosen.movements else verdict_words(chosen)
        lines.append(f"{labels_of(chosen)}: {counts}")
        if chosen.found:
            bar = stages_bar(chosen, self.size.width - 2) if self.size.height >= 30 else [stages_words(chosen)]
            lines += [clocks_words(chosen), *filter(None, [*bar, drift_words(chosen)])]
        return lines
