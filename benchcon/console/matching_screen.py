"""The screen of `benchcon.view.matching`: both lamps side by side, their trims in large letters, and what to do."""

from __future__ import annotations

from textwrap import wrap
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from benchcon.console import glyphs
from benchcon.console.canvas import Canvas, fitted, padded
from benchcon.console.canvas_widget import Drawn
from benchcon.console.head import write_badge
from benchcon.console.ink import ink
from benchcon.console.keyline import KeyLine
from benchcon.errors import Trouble
from benchcon.panel.model import Display, Lamp
from benchcon.text import capitalised, printable
from benchcon.units import percent
from benchcon.view.dark_keys import END_DARK
from benchcon.view.matching import Matching
from benchcon.view.palette import BRASS, EDGE, ENGRAVED, GOOD, IVORY, QUIET, RAISED, WARN
from benchcon.view.showing import board_name, label_of

HOW = (
    "Look at both on the panel, from the operator's seat and in the light that will be there. Make the one on "
    "the right darker or lighter until they look alike; squint if the colours differ. If it is still "
    "darker than the reference at 100 %, swap them: the best reference is the darkest lamp of the panel."
)

ELSEWHERE = "A pale ✓: written beside another reference."


class LampPair(Drawn):
    """Both lamps, what to do, and the list of all lamps."""

    def __init__(self, matching: Matching, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.matching = matching
        self.remark = ""
        """What prevents matching now, shown in place of what to do; empty if nothing does."""

    def paint(self, canvas: Canvas) -> None:
        """Draw everything."""
        matching = self.matching
        width, height = canvas.width, canvas.height
        canvas.wipe(0, 0, width, height, self.ground)
        canvas.wipe(0, 0, width, 1, ink(IVORY, RAISED))
        done = f"{len(matching.matched)} of {len(matching.others)} written "
        x = write_badge(canvas, 1, matching.model.session.badge, self.colour)
        title = "Evenly bright: two lamps, until they look alike"
        canvas.write(x, 0, title, ink(IVORY, RAISED), width - x - 1)
        if width >= x + len(title) + 2 + len(done):
            canvas.write(width - len(done), 0, done, ink(ENGRAVED, RAISED))
        half = width // 2
        other = matching.other
        if matching.display is None:
            reference = matching.lamp(matching.reference)
            self._one(canvas, 1, half - 2, "REFERENCE", reference, reference.trim_permille)
        else:
            self._display(canvas, 1, half - 2, matching.display)
        head = f"LAMP {matching.at + 1} OF {len(matching.others)}"
        self._one(canvas, half + 1, width - half - 2, head, other, matching.trial)
        for y in range(2, 13):
            canvas.write(half - 1, y, "│", ink(EDGE, self.GROUND))
        y = 14
        how = HOW + (f" {ELSEWHERE}" if matching.elsewhere else "")
        for line in wrap(self.remark or how, width - 2):
            canvas.write(1, y, line, ink(WARN if self.remark else ENGRAVED, self.GROUND))
            y += 1
        self._list(canvas, y + 1)

    def _one(self, canvas: Canvas, x: int, room: int, head: str, lamp: Lamp, trim: int) -> None:
        changed = trim != lamp.trim_permille
        canvas.write(x, 2, head, ink(BRASS, self.GROUND, bold=True))
        canvas.write(x, 3, fitted(label_of(lamp), room), ink(IVORY, self.GROUND, bold=True))
        lit = "●" if self.matching.lit else "○"
        canvas.write(
            x, 4, fitted(f"{lit} {lamp.colour}, {printable(board_name(lamp))}", room), ink(ENGRAVED, self.GROUND)
        )
        text = percent(trim)
        face = glyphs.broadest(text, room) or glyphs.FACES[-1]
        for row, line in enumerate(glyphs.drawn(text, face)):
            canvas.write(x, 6 + row, line, ink(BRASS if changed else IVORY, self.GROUND, bold=True), room)
        caption = f"trim; the file has {percent(lamp.trim_permille)}" if changed else "trim, as in the file"
        canvas.write(x, 12, caption, ink(QUIET, self.GROUND), room)

    def _display(self, canvas: Canvas, x: int, room: int, display: Display) -> None:
        canvas.write(x, 2, "REFERENCE", ink(BRASS, self.GROUND, bold=True))
        canvas.write(x, 3, fitted(label_of(display), room), ink(IVORY, self.GROUND, bold=True))
        lit = "●" if self.matching.lit else "○"
        caption = f"{lit} {display.colour} display, {printable(board_name(display))}"
        canvas.write(x, 4, fitted(caption, room), ink(ENGRAVED, self.GROUND))
        text = "8" * display.digits
        face = glyphs.broadest(text, room) or glyphs.FACES[-1]
        for row, line in enumerate(glyphs.drawn(text, face)):
            canvas.write(x, 6 + row, line, ink(IVORY, self.GROUND, bold=True), room)
        canvas.write(x, 12, "a display has one brightness", ink(QUIET, self.GROUND), room)

    def _list(self, canvas: Canvas, y: int) -> None:
        """Draw the list of lamps in columns, as far as there is room."""
        matching, matched = self.matching, self.matching.matched
        wide = 38
        columns = max(1, canvas.width // wide)
        rows = canvas.height - y
        names = [*((matching.reference,) if matching.display is None else ()), *matching.others]
        first = max(0, (matching.at + 1) // columns - rows + 1) * columns  # the current lamp is always in view
        for number, name in enumerate(names[first : first + max(0, rows * columns)]):
            lamp = matching.lamp(name)
            at = (number % columns) * wide + 1
            mark = "=" if name == matching.reference else "✓" if name in matching.beside else " "
            now, done = name == matching.other.name, name in matched
            colour = BRASS if now else GOOD if done else ENGRAVED
            label = padded(label_of(lamp), wide - 12)
            text = f"{'▸' if now else ' '}{mark} {label} {percent(lamp.trim_permille):>5}"
            canvas.write(at, y + number // columns, text, ink(colour, self.GROUND, bold=done))


class MatchingScreen(Screen[None]):
    """The screen that steps and writes trims, lamp after lamp."""

    names_parts: ClassVar[bool] = False
    """Naming by hand is not offered here, because it would change the panel."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Back"),
        Binding("minus,down,left", "step(-1)", "Darker", key_display="-"),
        Binding("plus,equals_sign,up,right", "step(1)", "Lighter", key_display="+"),
        Binding("pagedown", "step(-10)", "10 % darker", show=False),
        Binding("pageup", "step(10)", "10 % lighter", show=False),
        Binding("enter", "write", "Write, next"),
        Binding("tab", "go(1)", "Skip"),
        Binding("shift+tab", "go(-1)", "Previous lamp", show=False),
        Binding("s", "swap", "Swap"),
        Binding("d", "display", "Beside a display"),
        Binding("space", "light", "Light both"),
    ]

    def __init__(self, matching: Matching) -> None:
        super().__init__()
        self.matching = matching

    def compose(self) -> ComposeResult:
        """Yield the pair and the keys."""
        yield LampPair(self.matching, id="pair")
        yield KeyLine(id="keys")

    def on_mount(self) -> None:
        """Light both lamps."""
        if not self.matching.model.darkness.dark:
            self.matching.show()
        self.frame()

    def on_unmount(self) -> None:
        """Restore the bench, however the screen is left."""
        self.matching.close()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to light the lamps only while nothing is lit."""
        if action == "display":
            return bool(self.matching.displays)
        return not self.matching.lit if action == "light" else True

    def frame(self) -> None:
        """Draw what has changed; note if dark has put both out."""
        if not self.is_mounted or not self.query("#pair"):
            return
        matching, pair = self.matching, self.query_one(LampPair)
        dark = matching.model.darkness.dark
        if dark:
            matching.went_dark()
            pair.remark = (
                f"Dark: {', '.join(map(printable, dark))}. {END_DARK} ends it; Space lights both lamps again then."
            )
        elif not matching.lit:
            pair.remark = "Both lamps are out: Space lights them."
        else:
            pair.remark = matching.refused and f"{capitalised(matching.refused)}."
        pair.repaint()

    def action_step(self, by: int) -> None:
        """Make the lamp brighter or darker."""
        if self._may() and not self.matching.step(by) and by > 0:
            self.app.notify("It is already at full light; s makes it the reference, to darken the other.", timeout=4)
        self.frame()

    def action_go(self, by: int) -> None:
        """Go to another lamp without writing."""
        if self._may():
            self.matching.go(by)
        self.frame()

    def action_swap(self) -> None:
        """Exchange the reference and the lamp."""
        if self._may():
            try:
                self.matching.swap()
            except Trouble as trouble:
                self.app.notify(str(trouble), severity="warning", markup=False, timeout=4)
        self.frame()

    def action_display(self) -> None:
        """Compare with the next display, or again with a lamp."""
        if self._may():
            self.matching.compare_with_display()
        self.frame()

    def action_light(self) -> None:
        """Light both lamps again, after dark."""
        if self._may():
            self.matching.show()
        self.frame()

    def action_write(self) -> None:
        """Write the trim, and go on to the next lamp."""
        matching = self.matching
        if not self._may():
            return
        message = f"{matching.named(matching.other.name)}: trim {percent(matching.trial)}"
        try:
            goes_on = matching.write()
        except Trouble as trouble:
            self.app.notify(f"{trouble}; Tab goes on to the next lamp", severity="error", markup=False, timeout=7)
            return
        if not goes_on:
            message += " is written, but a part is gone from the file; v begins again with the rest"
            self.app.call_later(self.app.notify, message, severity="warning", markup=False, timeout=7)
            self.dismiss(None)
            return
        self.app.notify(f"{message} is in {printable(matching.panel.path)}", markup=False, timeout=3)
        self.frame()

    def action_leave(self) -> None:
        """Go back to the bench; a trim that was not written is discarded."""
        self.dismiss(None)

    def _may(self) -> bool:
        """Return whether lamps may be set; if anything is dark, say so."""
        if self.matching.model.darkness.dark:
            self.app.notify(f"It is dark: {END_DARK} ends that first.", severity="warning", timeout=3)
            return False
        return True
