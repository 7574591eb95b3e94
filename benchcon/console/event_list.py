"""The list of events, newest at the bottom, with a filter and a pause."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.binding import Binding, BindingType

from benchcon.console.ask import Ask
from benchcon.console.canvas import Canvas, fitted
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.durations import clock_text
from benchcon.text import printable
from benchcon.view.event_feed import EVENTS_KEPT
from benchcon.view.event_text import EventLine, Names, tell
from benchcon.view.palette import ENGRAVED, GROUND, QUIET, RAISED
from benchcon.wire import events as ev

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

Numbered = tuple[int, ev.Event]

FIRST_WANTED = 300
"""Number of a capture's events that are read at first; others are read when they are scrolled to."""


class EventList(Drawn, can_focus=True):
    """The list of events. While it is paused it does not move, and counts new lines."""

    GROUND = GROUND
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("slash", "filter", "Filter", key_display="/"),
        Binding("space,p", "pause", "Pause"),
        Binding("s", "hold", "Hold the list"),
        Binding("up,shift+tab", "scroll(1)", "Older", show=False),
        Binding("down,tab", "scroll(-1)", "Newer", show=False),
        Binding("pageup", "leaf(1)", "Older"),
        Binding("pagedown", "leaf(-1)", "Newer"),
        Binding("end", "newest", "Newest"),
        Binding("escape", "clear", "No filter", show=False),
    ]

    def __init__(self, model: ViewModel, *, brief: bool = False, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.brief = brief
        self.wanted = ""
        """Words that a line must contain to be listed, all of them."""
        self.frozen: list[Numbered] | None = None
        self._matching: deque[Numbered] = deque(maxlen=EVENTS_KEPT)
        self._seen = 0
        self._back = 0
        self._want = FIRST_WANTED
        self._refills = 0

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer Space to pause only on a live bench: in a replay it plays, and another key pauses."""
        live = self.model.session.live
        return {"pause": live, "hold": not live}.get(action, True)

    # --- what is listed -------------------------------------------------------------------------------------------

    def _fits(self, line: EventLine, board: str) -> bool:
        text = f"{board} {line.sort} {line.text}".casefold()
        return all(word in text for word in self.wanted.casefold().split())

    def _catch_up(self) -> None:
        """Update the lines that match the filter."""
        feed = self.model.feed
        outdated = bool(feed.listed and self._matching and self._matching[-1][0] < feed.listed[0][0])
        if self._seen > feed.listed_count or outdated:
            self._matching.clear()
        new: list[Numbered] = []
        for numbered in reversed(feed.listed):
            if numbered[0] <= self._seen:
                break
            new.append(numbered)
        self._seen = feed.listed_count
        for numbered in reversed(new):
            if self._fits(tell(numbered[1], Names(feed)), self.board_of(numbered[1][1])):
                self._matching.append(numbered)

    def _follow(self) -> None:
        """Show a replay's events up to its present position, and none from another position."""
        self.model.read_back(self._want)
        if self._refills != self.model.feed.refills:
            self._refills = self.model.feed.refills
            self._matching.clear()
            self._seen = 0
            self.frozen = None

    def _all(self) -> None:
        """Read as far back as the list can hold."""
        self._want = EVENTS_KEPT
        self._follow()

    def _listed(self) -> Sequence[Numbered]:
        if self.frozen is not None:
            return self.frozen
        if not self.wanted:
            return self.model.feed.listed
        self._catch_up()
        return self._matching

    def board_of(self, source: int) -> str:
        """Return a board's name in the list."""
        for name, board in self.model.boards.items():
            if board.source == source:
                return printable(name)
        return "bench" if source == 0 else f"board {source}"

    # --- drawing --------------------------------------------------------------------------------------------------

    def paint(self, canvas: Canvas) -> None:
        """Draw the heading and as many lines as fit."""
        width, height = canvas.width, canvas.height
        self._follow()
        canvas.wipe(0, 0, width, 1, ink(QUIET, RAISED))
        canvas.write(1, 0, self._heading(), ink(ENGRAVED, RAISED, bold=True), width - 2)
        listed = self._listed()
        room = height - 1
        count = len(listed)
        self._back = max(0, min(self._back, count - room))
        last = count - self._back
        rows = [listed[index] for index in range(max(0, last - room), last)]
        for row in range(room):
            y = row + 1
            if row < len(rows):
                self._paint_line(canvas, y, *rows[row])
            else:
                canvas.wipe(0, y, width, 1, self.ground)
        if not rows:
            canvas.write(
                1, 2, "Nothing yet." if not self.wanted else "Nothing that fits the filter.", ink(QUIET, GROUND)
            )

    def _heading(self) -> str:
        feed = self.model.feed
        words = [f"EVENTS  {'' if feed.whole else 'the last '}{feed.listed_count}"]
        if self.wanted:
            words.append(f"only: {printable(self.wanted)}")
        if self.frozen is not None:
            newer = feed.listed_count - (self.frozen[-1][0] if self.frozen else 0)
            words.append(f"{'PAUSED' if self.model.session.live else 'HELD'}, {newer} newer")
        elif self._back:
            words.append(f"{self._back} newer below")
        return "   ".join(words)

    def _paint_line(self, canvas: Canvas, y: int, number: int, event: ev.Event) -> None:
        names = Names(self.model.feed, self.brief)
        line = tell(event, names)
        folded = self.model.feed.folding.folded.get(number)
        text = line.text
        if folded is not None:
            last = tell(folded.last, names)
            until = "" if self.brief else f", until {clock_text(last.at_us, 3)}"
            text = f"{folded.times}× {last.text}{until}"
        width = canvas.width
        clock = clock_text(line.at_us, 3)
        board = fitted(self.board_of(line.source), 9)
        canvas.wipe(0, y, width, 1, self.ground)
        x = 1
        if not self.brief:
            canvas.write(x, y, clock, ink(QUIET, GROUND))
            x += len(clock) + 2
        else:
            short = clock[2:-4] if clock.startswith("0:") else clock[:-4]
            canvas.write(x, y, short, ink(QUIET, GROUND))
            x += len(short) + 1
        if not self.brief or line.sort not in ("is", "set"):  # for these the part's name is enough
            canvas.write(x, y, board, ink(ENGRAVED, GROUND))
            x += 10 if not self.brief else len(board) + 1
        if not self.brief:
            canvas.write(x, y, fitted(line.sort, 7), ink(QUIET if line.sort == "is" else line.colour, GROUND))
            x += 8
        canvas.write(x, y, text, ink(line.colour, GROUND), width - x - 1)

    # --- keys -----------------------------------------------------------------------------------------------------

    def action_pause(self) -> None:
        """Pause, or continue."""
        self.frozen = None if self.frozen is not None else list(self._listed())
        self._back = 0
        self.repaint()

    def action_hold(self) -> None:
        """Pause, or continue, in a replay."""
        self._all()
        self.action_pause()

    def action_scroll(self, by: int) -> None:
        """Scroll to older (`by` > 0) or newer lines, and pause until End is pressed."""
        if by > 0:
            self._all()
        if by > 0 and self.frozen is None:
            self.frozen = list(self._listed())
        if by < 0 and not self._back:
            self.app.notify("This is the newest line; ↑ and PgUp go back.", timeout=3)
        self._back = max(0, self._back + by)
        self.repaint()

    def action_leaf(self, by: int) -> None:
        """Scroll by a screenful."""
        self.action_scroll(by * max(1, self.size.height - 2))

    def action_newest(self) -> None:
        """Go to the newest line, and continue."""
        self.frozen = None
        self._back = 0
        self.repaint()

    def filter(self, wanted: str) -> None:
        """List only lines that contain these words."""
        if wanted.strip():
            self._all()
        self.wanted = wanted.strip()
        self.frozen = None
        self._back = 0
        self._matching.clear()
        self._seen = 0
        self.repaint()

    def action_clear(self) -> None:
        """List everything."""
        self.filter("")

    def action_filter(self) -> None:
        """Ask for words to look for."""

        def done(text: str | None) -> None:
            if text is not None:
                self.filter(text)

        ask = Ask(
            "Filter the events",
            "Words that a line must contain: a board, a part, a channel, or a kind such as gap, bad, boot, link, mark.",
            self.wanted,
            may_be_empty=True,
            more="Several words must all be in a line. Nothing is lost: emptied, it shows every event again.",
        )
        self.app.push_screen(ask, done)

    def wheel(self, event: events.MouseEvent, by: int) -> None:
        """Scroll by the mouse wheel."""
        event.stop()
        self.action_scroll(-3 * by)
