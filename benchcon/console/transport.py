"""The bar of a replay: its position and speed, and the keys that move it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual import events
from textual.binding import Binding

from benchcon.console.ask import Ask
from benchcon.console.canvas import Canvas
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.durations import clock_text
from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.view.moments import marks_of, time_of
from benchcon.view.palette import BRASS, EDGE, ENGRAVED, IVORY, QUIET, RAISED

if TYPE_CHECKING:
    from benchcon.session import ReplaySession
    from benchcon.view.model import ViewModel

SPEEDS = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)


ABOUT_TIME = (
    "Times count from the beginning of the recording: seconds, minutes:seconds or hours:minutes:seconds, with a "
    "fraction if need be. Words are looked for in the marks and triggers, and the first that contains them is shown."
)
"""Help text while a time to go to is asked for."""


class Transport(Drawn):
    """One row: play or pause, time, a bar with marks, speed. Its keys work on every view."""

    GROUND = RAISED
    DEFAULT_CSS = """
    Transport { height: 1; }
    """

    def __init__(self, model: ViewModel, session: ReplaySession, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.session = session
        self._marks = marks_of((mark.at_us, printable(mark.body)) for mark in session.notes())
        self._bar = (0, 1)

    def paint(self, canvas: Canvas) -> None:
        """Draw the bar."""
        session, width = self.session, canvas.width
        canvas.wipe(0, 0, width, 1, self.ground)
        canvas.write(1, 0, "▶ playing" if session.playing else "‖ paused ", ink(BRASS, RAISED, bold=True))
        at = clock_text(session.now_us(), 3)
        canvas.write(11, 0, at, ink(IVORY, RAISED, bold=True))
        # Stamps, which events, marks and 'go to' use as well, count from the start of the bench, and a capture may be a
        # short piece of a long day. So position and length are also shown from the beginning of the capture.
        gone_us, whole_us = session.now_us() - session.first_us, session.last_us - session.first_us
        right = f"{clock_text(gone_us, 1)} of {clock_text(whole_us, 1)}  × {session.speed:g}"
        canvas.write(width - 1 - len(right), 0, right, ink(ENGRAVED, RAISED))
        left, end = 13 + len(at), width - 3 - len(right)
        if end - left < 8:
            return
        self._bar = (left, end)
        canvas.write(left, 0, "─" * (end - left), ink(EDGE, RAISED))
        here = self._column(session.now_us())
        canvas.write(left, 0, "━" * (here - left), ink(QUIET, RAISED))
        for at_us, _ in self._marks:
            canvas.write(self._column(at_us), 0, "┴", ink(BRASS, RAISED))
        canvas.write(here, 0, "█", ink(IVORY, RAISED))

    def _column(self, at_us: int) -> int:
        left, end = self._bar
        span = max(self.session.last_us - self.session.first_us, 1)
        share = min(max(at_us - self.session.first_us, 0), span) / span
        return left + round(share * (end - left - 1))

    def jump(self, at_us: int) -> None:
        """Go to a time, and forget what was seen before."""
        self.session.jump(at_us)
        self.model.start_again()

    def step(self, by: int) -> None:
        """Go to the next change (`by` > 0), or to the previous one."""
        self.session.playing = False
        if by > 0:
            if not self.session.step():
                self._nothing("no more changes: the capture ends here")
        elif self.session.step_back():
            self.model.start_again()
        else:
            self._nothing("there is no change before this")

    def _nothing(self, why: str) -> None:
        self.app.bell()
        self.app.notify(why, timeout=3)

    def mark_near(self, by: int) -> None:
        """Go to the next mark (`by` > 0), or to the previous one."""
        now = self.session.now_us()
        marks = sorted(at_us for at_us, _ in self._marks)
        if by > 0:
            to = next((at_us for at_us in marks if at_us > now), None)
        else:
            to = next((at_us for at_us in reversed(marks) if at_us < now - 200_000), None)
        if to is None:
            self._nothing("there is no mark after this" if by > 0 else "there is no mark before this")
        else:
            self.jump(to)

    def faster(self, by: int) -> None:
        """Go to the next speed up or down."""
        nearest = min(range(len(SPEEDS)), key=lambda index: abs(SPEEDS[index] - self.session.speed))
        self.session.speed = SPEEDS[max(0, min(len(SPEEDS) - 1, nearest + by))]

    def ask_where(self) -> None:
        """Ask for a time, or part of a mark's text, and go there."""
        session = self.session

        def target(text: str) -> int:
            wanted = text.casefold()
            for at_us, label in self._marks:
                if wanted and not wanted[0].isdigit() and wanted in label.casefold():
                    return at_us
            at_us = time_of(text)
            if at_us > session.last_us:
                raise Trouble(f"the capture ends at {clock_text(session.last_us, 3)}")
            return at_us

        def done(text: str | None) -> None:
            if text is not None:
                self.jump(target(text))

        marks = "; ".join(f"{clock_text(at_us)} {label}" for at_us, label in self._marks[:6])
        why = "A time such as 90, 1:30 or 0:01:30.250, or words of a mark."
        self.app.push_screen(
            Ask("Go to", why + (f" Marks: {marks}" if marks else ""), check=target, more=ABOUT_TIME), done
        )

    def on_click(self, event: events.Click) -> None:
        """Go to the time that was clicked on the bar; a click at the left plays or pauses."""
        left, end = self._bar
        event.stop()
        if left <= event.x < end:
            span = self.session.last_us - self.session.first_us
            self.jump(self.session.first_us + span * (event.x - left) // max(end - left - 1, 1))
        elif event.x < left:
            self.session.playing = not self.session.playing
        else:
            self.faster(1)


TRANSPORT_KEYS = [
    Binding("space,p", "replay('play')", "Play/pause"),
    Binding("comma", "replay('step_back')", "Previous change", key_display=","),
    Binding("full_stop", "replay('step')", "Next change", key_display="."),
    Binding("n", "replay('next')", "Next mark"),
    Binding("N,shift+n", "replay('before')", "Mark before", show=False),
    Binding("g", "replay('go')", "Go to"),
    Binding("backspace", "replay('back')", "1 s back", key_display="Backspace"),
    Binding("less_than_sign", "replay('slower')", "Slower", key_display="<"),
    Binding("greater_than_sign", "replay('faster')", "Faster", key_display=">"),
    Binding("home", "replay('first')", "To the start", show=False),
]
