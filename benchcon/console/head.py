"""The first row: title, the views and their keys, what is being recorded, and the length of the history."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from rich.cells import cell_len
from rich.text import Text
from textual import events
from textual.message import Message

from benchcon.console.canvas import Canvas, fitted, shortened
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.durations import span_text
from benchcon.session import ReplaySession
from benchcon.text import printable
from benchcon.view.captures import size_text
from benchcon.view.palette import BAD, BRASS, ENGRAVED, GROUND, IVORY, QUIET, RAISED, WARN

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

VIEWS = (
    ("face", "f2", "Face"),
    ("raw", "f3", "Raw"),
    ("events", "f4", "Events"),
    ("links", "f5", "Links"),
    ("time", "f6", "Time"),
)
"""Name, key and word of each view."""
TIMING = ("timing", "f7", "Timing")
"""The timing screen, which has the same row at its top."""
REHEARSAL = ("rehearsal", "f8", "Rehearsal")
"""The additional view of a rehearsal."""


Tab = tuple[str, str, str]


def _wide(tabs: list[Tab], gap: int) -> int:
    """Return the cells that the views take, with `gap` cells after each."""
    return sum(len(key) + bool(key and word) + len(word) + gap for _, key, word in tabs)


class Fitting(NamedTuple):
    """What fits into the row."""

    right: list[tuple[str, str, bool]]
    tabs: list[Tab]
    gap: int
    """Cells between views."""
    badge: bool
    """Whether the kind of bench is shown."""

    @property
    def wide(self) -> int:
        """Cells that the views take."""
        return _wide(self.tabs, self.gap)


def badged(badge: str, text: Text) -> Text:
    """Return `text` preceded by the kind of bench; unchanged for a bench of real boards."""
    return Text.assemble((f" {badge} ", f"bold {GROUND} on {BRASS}"), "  ", text) if badge else text


def write_badge(canvas: Canvas, x: int, badge: str, colour: bool) -> int:
    """Write the kind of bench, unless it is one of real boards, into the first row; return where it ends."""
    if not badge:
        return x
    canvas.write(x, 0, f" {badge} ", ink(GROUND, BRASS, bold=True, reverse=not colour))
    return x + len(badge) + 4


def in_words(text: str, room: int) -> str:
    """Return as many whole words of `text` as fit into `room`, with ``…`` for the rest; empty if none fits."""
    words = text.split()
    for count in range(len(words), 0, -1):
        found = " ".join(words[:count]) + ("…" if count < len(words) else "")
        if cell_len(found) <= room:
            return found
    return ""


class Head(Drawn):
    """The row at the top. If it is too narrow, status and title are left out first, then what `_fitting` says."""

    GROUND = RAISED
    DEFAULT_CSS = """
    Head { height: 1; dock: top; }
    """

    @dataclass
    class Turn(Message):
        """Sent when another view is clicked."""

        view: str

    def __init__(self, model: ViewModel, view: str = "face", *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.view = view
        self._tabs: list[tuple[int, int, str]] = []

    def paint(self, canvas: Canvas) -> None:
        """Draw the row."""
        model, width = self.model, canvas.width
        canvas.wipe(0, 0, width, 1, self.ground)
        fitting = self._fitting(width)
        end = self._paint_right(canvas, fitting.right)
        x, badge = 1, model.session.badge if fitting.badge else ""
        room = end - fitting.wide - 3 - (len(badge) + 4 if badge else 0)
        title = in_words(printable(model.panel.title) or "benchcon", min(room, 40))
        if title:
            x = canvas.write(x, 0, title, ink(IVORY, RAISED, bold=True)) + 2
        if badge:
            x = write_badge(canvas, x, badge, self.colour) - 2 + fitting.gap
        x = self._paint_tabs(canvas, x, fitting)
        statuses = [(f"{look.shape} {printable(name)}", look.colour) for name, look in model.statuses.items()]
        if x + sum(cell_len(text) + 2 for text, _ in statuses) <= end:
            for text, colour in statuses:
                x = canvas.write(x, 0, text, ink(colour, RAISED)) + 2

    @staticmethod
    def _paint_right(canvas: Canvas, right: list[tuple[str, str, bool]]) -> int:
        """Draw the right end of the row; return the column at which it begins."""
        end = canvas.width - 1
        for text, colour, bold in reversed(right):
            end -= cell_len(text)
            canvas.write(end, 0, text, ink(colour, RAISED, bold=bold))
            end -= 2
        return end

    def _paint_tabs(self, canvas: Canvas, x: int, fitting: Fitting) -> int:
        self._tabs.clear()
        for name, key, word in fitting.tabs:
            here = name == self.view
            start = x
            canvas.write(x, 0, key, ink(QUIET if here else BRASS, RAISED, bold=not here))
            x += len(key) + bool(key and word)
            style = ink(IVORY if here else ENGRAVED, RAISED, bold=here, reverse=here and not self.colour)
            canvas.write(x, 0, word, style)
            x += len(word) + fitting.gap
            self._tabs.append((start, x - fitting.gap + 1, name))
        return x + 1

    def _fitting(self, width: int) -> Fitting:
        """Return what fits of the right end and the views.

        If room is short these are left out one by one: names of files, the length of the history, the gaps between
        views, the words of views that are not shown, those views, the sign of a replay, the kind of bench (below 40
        columns), the view. Dark always stays.
        """
        views = (*VIEWS, TIMING, *((REHEARSAL,) if self.model.rehearsal is not None else ()))
        whole = [(name, key.upper(), word) for name, key, word in views]
        here = [each for each in whole if each[0] == self.view]
        brief = [each if each in here else (each[0], each[1], "") for each in whole]
        dark, brisk = self._dark, [each for each in self._signs(False, 0) if each[2]]
        tries = [(self._signs(width >= 100, name_width), whole, 2) for name_width in (40, 32, 24, 16, 13, 8, 0)]
        tries += [(self._signs(False, 0), whole, 2), (brisk, whole, 2), (brisk, whole, 1), (brisk, brief, 2)]
        tries += [(dark, brief, 2), (brisk, here, 2), (dark, here, 2), (dark, [], 2)]
        badge = len(self.model.session.badge) + 2 if self.model.session.badge else 0
        for shown in (True, False):
            for right, tabs, gap in tries[:-1] if shown else tries:
                fitting = Fitting(right, tabs, gap, shown and bool(badge))
                needs = fitting.wide + sum(cell_len(text) + 2 for text, _, _ in right)
                if needs + (badge + gap if shown and badge else 0) <= width:
                    return fitting
        return fitting

    @property
    def _dark(self) -> list[tuple[str, str, bool]]:
        """Return DARK if everything is; else which board is, or how many."""
        dark, not_dark = self.model.darkness.dark, self.model.darkness.not_dark
        if not dark:
            return []
        text = f"{len(dark)} of {len(dark) + len(not_dark)} dark" if len(dark) > 1 else f"{fitted(dark[0], 10)} dark"
        return [(f"◐ {'DARK' if self.model.darkness.everything else printable(text)}", WARN, True)]

    def _signs(self, wide: bool, name_width: int) -> list[tuple[str, str, bool]]:
        return [*self._written(wide, name_width), *self._dark]

    def _written(self, wide: bool, name_width: int) -> list[tuple[str, str, bool]]:
        """Return what is played, recorded and kept in memory; what matters most is bold."""
        session = self.model.session
        found: list[tuple[str, str, bool]] = []
        if not session.live:
            name = session.path.name if isinstance(session, ReplaySession) else ""
            found.append((f"▶ {fitted(printable(name), max(name_width, 8))}", BRASS, True))
            return found
        reach = span_text(session.ring_reach_us)
        figures, keeping, path = session.recording_figures, session.keeping, session.recording
        if path is not None and figures is not None:
            name = f"{shortened(printable(path.name), name_width)} " if name_width else ""
            found.append((f"● REC {name}{size_text(figures.bytes)}", BAD, True))
        if keeping is not None:
            name = f"{shortened(printable(keeping.path.stem), name_width)} " if name_width else ""
            # Round up, so that it counts down to zero.
            found.append((f"● SAVING {name}{span_text(keeping.left_us + 999_999)} to go", BAD, True))
        if figures is None and keeping is None:
            if wide:
                found.append(("○ not recording", ENGRAVED, False))
            found.append((f"history {reach}", QUIET, False))
        return found

    def on_click(self, event: events.Click) -> None:
        """Switch to the view whose name was clicked."""
        for start, end, name in self._tabs:
            if start <= event.x < end:
                event.stop()
                self.post_message(self.Turn(name))
