"""The visible part of the walk's screen: progress, the question in large letters, the face, pictures, the keys."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import Static

from benchcon.console.head import badged
from benchcon.console.keyline import KeyLine
from benchcon.console.touched import LargeText, Touched
from benchcon.console.walk.face import WalkFace
from benchcon.console.walk.look import LookTaken
from benchcon.console.walk.picture import PictureView
from benchcon.console.walk.tally import BRIEF, progress
from benchcon.panel.model import Control, Display, Panel
from benchcon.panel.reading import detents, share_word
from benchcon.state.board import find_channel
from benchcon.text import printable
from benchcon.view.palette import BRASS, ENGRAVED, WARN
from benchcon.walk.interfaces import Scene
from benchcon.walk.prompts import by_button

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

LEAD_AWAY = ("leave", "wiggle", "soak")
FIRST = ("yes", "done", "taken", "work", "step", "nothing", "point", "unlit", "lit")
SECOND = ("place", "switch", "dim", "colour", "flicker", "go")
ANSWERS = (*FIRST[:5], "place", "switch", "nothing", "dim", "colour", "flicker", "point", "unlit", "lit", "go")
"""Actions that answer, whose keys are on a row (or two) above those that move about."""
NARROW, LOW, MIDDLING = 78, 18, 30
"""Columns below which, and rows below which (in two steps), the screen shows less."""


class AskedScreen(Screen[None]):
    """Shows what is asked, and what the person has answered so far. `WalkScreen` adds the walk and the keys."""

    # A screen's style sheet applies only to the class that is shown, so subclasses inherit none.
    CSS = """
    WalkScreen #top { height: 1; }
    WalkScreen #progress { height: 1; width: 1fr; padding: 0 1; }
    WalkScreen #away { dock: none; width: 30; }
    WalkScreen #question { height: 7; }
    WalkScreen #touched { height: 1fr; min-height: 1; }
    WalkScreen #ask { height: auto; max-height: 2; padding: 0 1; }
    WalkScreen #hint { height: auto; max-height: 3; padding: 0 1; }
    WalkScreen WalkFace { height: 1fr; width: 1fr; }
    WalkScreen PictureView { display: none; }
    WalkScreen.-picture PictureView { display: block; }
    WalkScreen #result { display: none; height: 1fr; padding: 1 2; scrollbar-size-vertical: 1; }
    WalkScreen #where { display: none; height: auto; max-height: 3; padding: 0 1; }
    WalkScreen #one, WalkScreen #first, WalkScreen #second { dock: none; }
    WalkScreen #first, WalkScreen #second { display: none; }
    WalkScreen.-narrow #one { display: none; }
    WalkScreen.-narrow #first { display: block; }
    WalkScreen.-narrow.-looking #second { display: block; }
    WalkScreen.-narrow #away { width: 11; }
    WalkScreen.-middling.-picture Touched { display: none; }
    WalkScreen.-low Touched { display: none; }
    WalkScreen.-low #hint { max-height: 2; }
    WalkScreen.-low.-looking #hint { max-height: 1; }
    WalkScreen.-low.-picture WalkFace { display: none; }
    WalkScreen.-low.-picture PictureView { height: 1fr; }
    WalkScreen.-over #result, WalkScreen.-over #where { display: block; }
    WalkScreen.-over #question { max-height: 7; }
    WalkScreen.-over WalkFace, WalkScreen.-over #ask, WalkScreen.-over #hint { display: none; }
    WalkScreen.-over #one, WalkScreen.-over #first, WalkScreen.-over #second { display: none; }
    """

    def __init__(self, model: ViewModel, panel: Panel) -> None:
        super().__init__()
        self.model, self.panel = model, panel
        self.scene: Scene | None = None
        self.look = LookTaken()
        self._first: dict[str, int] = {}
        """The channels' values when the current step began."""
        self._labels = {part.name: part.label for part in panel.parts}
        self._counts: Mapping[str, int] = {}
        """Number of parts with each verdict so far."""
        self._remark = ""
        """What the last key has done, or why it did nothing."""

    def compose(self) -> ComposeResult:
        """Yield progress, the prompt in large letters, the face or a display's pictures, and the keys."""
        with Horizontal(id="top"):
            yield Static("", id="progress")
            yield KeyLine(only=LEAD_AWAY, id="away")
        with Vertical(id="question"):
            yield Touched(id="touched")
            yield Static("", id="ask")
            yield Static("", id="hint")
        yield PictureView(id="picture")
        yield WalkFace(self.model, id="face")
        with VerticalScroll(id="result"):
            yield Static("", id="remark")
        yield Static("", id="where")
        yield KeyLine(only=ANSWERS, id="one")
        yield KeyLine(only=FIRST, id="first")
        yield KeyLine(only=SECOND, id="second")
        yield KeyLine(without=(*ANSWERS, *LEAD_AWAY), id="keys")

    def on_resize(self) -> None:
        """Adapt to a new size: larger letters if there is room; at least the question and the keys always stay."""
        self.set_class(self.size.width < NARROW, "-narrow")
        self.set_class(self.size.height < LOW, "-low")
        self.set_class(self.size.height < MIDDLING, "-middling")
        self._progress()
        self._question_rows()

    def _question_rows(self) -> None:
        """Give the question the same number of rows in every step, so that the face does not move.

        If the words need more rows, the large letters become small; on a low screen a picture takes their rows.
        """
        rows: int | str = 10 if self.size.height >= 34 else 8 if self.size.height >= MIDDLING else 7
        if self.size.height < LOW or (self.size.height < MIDDLING and self.has_class("-picture")):
            rows = "auto"
        for question in self.query("#question"):
            question.styles.height = rows

    def frame(self) -> None:
        """Draw what has changed; the first calls may come before everything is on the screen."""
        for face in self.query(WalkFace):
            face.repaint()
        if self.scene is not None and self.scene.state in ("ask", "closing"):
            self._title()

    def _title(self) -> None:
        """Show in large letters what is asked, and of a knob how far it has been turned."""
        scene = self.scene
        if scene is None:
            return
        state = "" if scene.trouble else self._turned(scene) or ("again" if scene.prompt.again else "")
        for large in self.query(Touched):
            large.show(LargeText(printable(scene.waits or scene.prompt.title), state))

    def _turned(self, scene: Scene) -> str:
        step = scene.step
        control = self.panel.part(step.parts[0]) if step is not None and step.do in ("turn", "end") else None
        if not isinstance(control, Control):
            return ""
        channel = control.channels[0]
        state = find_channel(self.model.boards, channel.board, channel.id)
        first = self._first.get(channel.key)
        if state is None or state.value is None or first is None:
            return ""
        if control.kind == "pot":
            return share_word(control, state.value)
        way = 1 if step is None or step.to > 0 else -1  # to the left, detents count down
        return str(round(way * detents(control, first, state.value)))

    def _edit(self, name: str) -> None:
        """Show the picture of the display `name` for correction; empty: none."""
        part = self.panel.part(name) if name else None
        self.set_class(isinstance(part, Display), "-picture")
        self._question_rows()
        if isinstance(part, Display):
            wanted = self._wanted(part)
            view = self.query_one(PictureView)
            view.show(part, wanted, self.look.displays.get(name, wanted))
            view.focus()
        else:
            self.query_one(WalkFace).focus()

    def _wanted(self, display: Display) -> bytes:
        """Return the segments that a display should show in this step."""
        picture = self.scene.wants.displays.get(display.name, b"") if self.scene is not None else b""
        return picture.ljust(display.digits, b"\0")

    def _hint(self) -> None:
        scene = self.scene
        if scene is None:
            return
        hint, colour = scene.prompt.hint, ENGRAVED
        if scene.trouble:
            hint, colour = scene.trouble, WARN
        elif scene.late:
            hint, colour = scene.late, WARN
        elif self.look.changed:
            lamp = self._labels.get(self.look.lamp, "")
            of = f" <, o and i apply to {lamp}." if lamp else ""
            hint, colour = f"You see: {self.look.words(self._labels)}. Enter accepts it.{of}", BRASS
        elif scene.instead:
            hint, colour = f"{scene.instead} It counts in a moment, or with Enter; put it back if it was a slip.", WARN
        elif self._remark:
            hint, colour = self._remark, WARN
        elif scene.last and not scene.button:
            hint, colour = f"Before: {scene.last} {hint}", WARN
        elif scene.button:
            button = self.panel.part(scene.button)
            hint = f"{hint} {by_button(button, scene.step)}" if button is not None else hint
        self.query_one("#hint", Static).update(Text(printable(hint), colour))

    def _progress(self) -> None:
        prompt = self.scene.prompt if self.scene is not None else None
        number, of = (prompt.number, prompt.of) if prompt is not None else (0, 0)
        width, badge = self.size.width - (11 if self.has_class("-narrow") else 30), self.model.session.badge
        for row in self.query("#progress").results(Static):
            text = badged(badge, progress(number, of, self._counts, width))
            if text.cell_len > width:
                text = badged(badge, progress(number, of, self._counts, BRIEF))
            row.update(text)
