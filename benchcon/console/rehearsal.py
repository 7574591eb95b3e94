"""The view of the rehearsal: values with sliders, the outputs that follow from them, and the expectations."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, ClassVar, NamedTuple

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from benchcon.console.canvas import Canvas, fitted, padded
from benchcon.console.canvas_widget import Drawn
from benchcon.console.ink import ink
from benchcon.durations import seconds_text
from benchcon.panel.lightness import OFF
from benchcon.panel.segments import or_blank
from benchcon.rehearse.picture import ExpectedNow, OutputNow, Picture, ValueNow
from benchcon.view.palette import BAD, BRASS, EDGE, ENGRAVED, GOOD, GROUND, IVORY, PLATE, QUIET, RAISED, UNKNOWN, WARN

if TYPE_CHECKING:
    from benchcon.rehearse.live import LiveRun
    from benchcon.view.model import ViewModel

STEPS = 50
"""About how many steps of a slider make up its range; the step is rounded."""
MARKS = {"not met": "✗", "met": "✓", "to come": "·", "never due": "?", "not judged": "?"}
ORDER = ("not met", "to come", "never due", "met", "not judged")
COLOURS = {"not met": BAD, "met": GOOD, "to come": ENGRAVED, "never due": UNKNOWN, "not judged": UNKNOWN}
CAUSES = {"scenario": "", "held": "held", "sweep": "sweeps", "source": "source"}
LABEL, NUMBER, CAUSE = 16, 11, 6
"""Cells for a value's label, its number with unit, and its source."""
BROAD, SHORT_LABEL = 56, 13
"""Width from which a value's source is shown; cells of a label below that width."""
_TYPED = {**{str(n): str(n) for n in range(10)}, "full_stop": ".", "comma": ".", "minus": "-"}


class ListedLine(NamedTuple):
    """A line of the list. `key` is ``value NAME``, ``output NAME``, ``expected LINE NAME``, or empty for a heading."""

    key: str
    item: ValueNow | OutputNow | ExpectedNow | None = None
    text: str = ""


class PersonAsked:
    """Asks the person at the screen to move a control; `ask` waits on the rehearsal's thread for the answer."""

    def __init__(self) -> None:
        self.text = ""
        """The present request; empty if there is none."""
        self._answer = False
        self._answered = threading.Event()
        self._closed = False

    def ask(self, text: str) -> bool:
        """Ask, and wait for the answer; return whether the person has done it."""
        self._answered.clear()
        self.text = text
        if not self._closed:
            self._answered.wait()
        self.text = ""
        return self._answer and not self._closed

    def answer(self, done: bool) -> None:
        """Answer the request: the person has done it, or skips it."""
        self._answer = done
        self._answered.set()

    def close(self) -> None:
        """Answer this and all later requests with no."""
        self._closed = True
        self._answered.set()


def step_of(value: ValueNow) -> float:
    """Return the step of a slider: 1, 2 or 5 times a power of ten, about 1/`STEPS` of the range."""
    rough = (value.high - value.low) / STEPS
    power = 10.0 ** int(f"{rough:e}".partition("e")[2])
    return next(step * power for step in (1, 2, 5, 10) if step * power >= rough * 0.999)


class RehearsalList(Drawn, can_focus=True):
    """The rehearsal's values, outputs and expectations. Keys change the selected value."""

    GROUND = GROUND
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "answer(True)", "Done"),
        Binding("n", "answer(False)", "Skip"),
        Binding("enter", "typed", "Set"),
        Binding("escape", "untype", "Back"),
        Binding("plus,equals_sign,right", "step(1)", "More", key_display="+"),
        Binding("minus,left", "step(-1)", "Less", key_display="-"),
        Binding("pageup", "step(10)", "Ten steps up", show=False),
        Binding("pagedown", "step(-10)", "Ten steps down", show=False),
        Binding("home", "end(0)", "Min", show=False),
        Binding("end", "end(1)", "Max", show=False),
        Binding("0", "type('0')", "Type a value", key_display="0-9"),
        Binding("s", "sweep", "Sweep"),
        Binding("h", "hold", "Hold/give back"),
        Binding("x", "lose", "No data"),
        Binding("enter", "find", "Show on the face"),
        Binding("space", "hold_up", "Pause/go on"),
        Binding("p", "again", "Play again"),
        Binding("up", "go(-1)", "Row above", show=False),
        Binding("down", "go(1)", "Row below", show=False),
        Binding("tab,f8", "to_face", "Work the panel", key_display="Tab"),
    ]

    @dataclass
    class ToFace(Message):
        """Sent to select a part on the face, or without one to move the focus there."""

        part: str = ""

    def __init__(
        self, model: ViewModel, run: LiveRun, asked: PersonAsked | None = None, *, id: str | None = None
    ) -> None:
        super().__init__(id=id)
        self.model = model
        self.run = run
        self.asked = asked or PersonAsked()
        self.chosen = ""
        self.typed = ""
        self._lines: list[ListedLine] = []
        self._top = 0
        self._remark = ""

    @property
    def picture(self) -> Picture | None:
        """The state of the rehearsal; None before it begins."""
        return self.run.picture

    # --- what stands where --------------------------------------------------------------------------------------------

    def lines(self, picture: Picture) -> list[ListedLine]:
        """Return all lines, headings included."""
        found = [ListedLine("", text=f"VALUES{self._scene(picture)}")]
        found += [ListedLine(f"value {value.name}", value) for value in picture.values]
        found.append(ListedLine("", text="WHAT FOLLOWS"))
        found += [ListedLine(f"output {output.name}", output) for output in picture.outputs]
        found.append(ListedLine("", text=f"EXPECTED{_counts(picture)}"))
        expected = sorted(picture.expected, key=lambda each: (ORDER.index(each.how), not each.now))
        found += [ListedLine(f"expected {each.line} {each.name}", each) for each in expected]
        if not picture.expected:
            found.append(ListedLine("", text=" nothing: no scenario is played"))
        return found

    @staticmethod
    def _scene(picture: Picture) -> str:
        if not picture.state:
            return ""
        at, end = picture.after_us / 1e6, picture.lasts_us / 1e6
        words = {"playing": "", "over": " · over", "held up": " · stands still", "paused": " · paused"}[picture.state]
        broken = sum(each.how == "not met" for each in picture.expected)
        found = f" · ✗ {broken} not met" if broken else ""
        hands = " · the controls are yours" if picture.hands_off else ""
        return f"  {at:.1f} of {end:g} s{words}{found}{hands}"

    def _selected(self) -> ListedLine | None:
        return next((line for line in self._lines if line.key and line.key == self.chosen), None)

    @property
    def value(self) -> ValueNow | None:
        """The selected value."""
        line = self._selected()
        return line.item if line is not None and isinstance(line.item, ValueNow) else None

    # --- drawing ------------------------------------------------------------------------------------------------------

    def paint(self, canvas: Canvas) -> None:
        """Draw the list, and below it what there is to say about the selected line."""
        canvas.wipe(0, 0, canvas.width, canvas.height, self.ground)
        picture = self.picture
        if picture is None:
            canvas.write(1, 1, "Waiting for the rehearsal to begin.", ink(QUIET, GROUND))
            return
        self._lines = self.lines(picture)
        keys = [line.key for line in self._lines if line.key]
        if self.chosen not in keys:
            self.chosen = keys[0] if keys else ""
        lines = [row for text in self._about(picture) for row in wrap(text, max(canvas.width - 2, 10))]
        lines = lines[: max(canvas.height // 3, 2)]
        room = canvas.height - len(lines) - bool(lines)
        at = next((n for n, line in enumerate(self._lines) if line.key and line.key == self.chosen), 0)
        if at == 1:
            self._top = 0
        self._top = max(min(self._top, at), at - room + 1, 0)
        self._top = max(0, min(self._top, len(self._lines) - room))
        for y in range(room):
            index = self._top + y
            if index < len(self._lines):
                self._line(canvas, y, self._lines[index])
        if self._top:
            canvas.write(canvas.width - 1, 0, "▲", ink(BRASS, GROUND))
        if self._top + room < len(self._lines):
            canvas.write(canvas.width - 1, room - 1, "▼", ink(BRASS, GROUND))
        if lines:
            canvas.wipe(0, room, canvas.width, len(lines) + 1, ink(ENGRAVED, PLATE))
            canvas.write(0, room, "─" * canvas.width, ink(EDGE, GROUND))
        for y, text in enumerate(lines, room + 1):
            canvas.write(1, y, text, ink(IVORY, PLATE))

    def _line(self, canvas: Canvas, y: int, line: ListedLine) -> None:
        width = canvas.width - 1
        if not line.key:
            heading = line.text[:1] != " "
            if heading:
                canvas.wipe(0, y, width, 1, ink(ENGRAVED, RAISED))
            canvas.write(1, y, line.text, ink(ENGRAVED if heading else QUIET, RAISED if heading else GROUND), width - 1)
            return
        here = line.key == self.chosen
        ground = RAISED if here and self.has_focus else GROUND
        canvas.wipe(0, y, width, 1, ink(ENGRAVED, ground))
        if here:
            canvas.write(0, y, "▌", ink(BRASS, ground))
        item = line.item
        if isinstance(item, ValueNow):
            self._value(canvas, y, item, width, ground, here)
        elif isinstance(item, OutputNow):
            self._output(canvas, y, item, width, ground)
        elif isinstance(item, ExpectedNow):
            self._expected(canvas, y, item, width, ground)

    def _value(self, canvas: Canvas, y: int, value: ValueNow, width: int, ground: str, here: bool) -> None:
        label = LABEL if width >= BROAD else SHORT_LABEL
        canvas.write(1, y, fitted(value.label, label), ink(IVORY, ground))
        number = "no data" if value.number is None else with_unit(value, value.number)
        colour = UNKNOWN if value.number is None else IVORY
        if here and self.typed:
            number, colour = f"{self.typed}▏", BRASS
        canvas.write(label + 2, y, padded(number, NUMBER, right=True), ink(colour, ground, bold=True))
        x, room = self._slider(width)
        if room >= 5:
            track = "─" * room
            canvas.write(x, y, f"├{track[2:]}┤", ink(QUIET, ground))
            if value.number is not None:
                share = (value.number - value.low) / (value.high - value.low)
                place = x + round(min(max(share, 0.0), 1.0) * (room - 1))
                canvas.write(place, y, "●" if value.cause in ("scenario", "source") else "◆", ink(BRASS, ground))
        cause = CAUSES[value.cause] if width >= BROAD else ""
        canvas.write(width - len(cause), y, cause, ink(BRASS if value.cause != "source" else ENGRAVED, ground))

    @staticmethod
    def _slider(width: int) -> tuple[int, int]:
        """Return where the sliders begin, and their width."""
        x = (LABEL if width >= BROAD else SHORT_LABEL) + NUMBER + 3
        return x, width - x - (CAUSE + 1 if width >= BROAD else 0)

    def _output(self, canvas: Canvas, y: int, output: OutputNow, width: int, ground: str) -> None:
        label = max(width * 2 // 5, 12)
        canvas.write(1, y, fitted(output.label, label - 1), ink(IVORY, ground))
        x = label + 1
        if not output.where:
            canvas.write(x, y, "no rule", ink(QUIET, ground), width - x)
            return
        says, colour = or_blank(output.says), IVORY
        if output.why:
            says, colour = f"{says}  {output.why}", BAD if output.wrong else UNKNOWN
        elif output.differs:
            says, colour = f"{says}, but shows {output.shows}", WARN
        elif output.says == OFF:
            colour = QUIET
        canvas.write(x, y, says, ink(colour, ground), width - x)

    def _expected(self, canvas: Canvas, y: int, each: ExpectedNow, width: int, ground: str) -> None:
        colour = COLOURS[each.how]
        canvas.write(1, y, MARKS[each.how], ink(colour, ground, bold=each.how == "not met"))
        status = each.how
        if each.how == "met" and each.times > 1:
            status = f"met ×{each.times}"
        elif each.broken is not None:
            status = f"not met, {each.broken.after_us / 1e6:.1f} s"
        canvas.write(
            3, y, each.name, ink(IVORY if each.now or each.broken else ENGRAVED, ground), width - len(status) - 4
        )
        canvas.write(width - len(status), y, status, ink(colour, ground))

    def _about(self, picture: Picture) -> Iterator[str]:
        """Yield the lines below the list: a request, a refusal, the selected line, failing rules."""
        if self.asked.text:
            yield f"Please {self.asked.text}, then press Enter; n skips it."
        if self._remark:
            yield self._remark
        line = self._selected()
        item = line.item if line is not None else None
        if isinstance(item, ValueNow):
            who = {
                "scenario": "follows the scenario" if picture.state else "waits for you",
                "held": "is held by you; h gives it back",
                "sweep": "goes up and down its range; h gives it back",
                "source": "comes from another program",
            }[item.cause]
            reach = f"{item.low:.10g} to {with_unit(item, item.high)}"
            yield f"{item.label}: {reach}, steps of {step_of(item):g}; {who}."
        elif isinstance(item, OutputNow):
            if item.why:
                yield f"{item.label}: {item.why}"
            says = f"the rule says {or_blank(item.says)}" if item.where else "it has no rule"
            yield f"{item.label}: {says}, the panel shows {item.shows}. {item.where}"
        elif isinstance(item, ExpectedNow):
            yield from self._about_expected(item)
        shown = item.why if isinstance(item, OutputNow) else ""
        for text in picture.mistakes[:2]:
            if text != shown:
                yield text

    @staticmethod
    def _about_expected(item: ExpectedNow) -> Iterator[str]:
        broken = item.broken
        if broken is None:
            why = f", because {item.why}" if item.why else ""
            yield f"Line {item.line}: {item.how}{why}."
            return
        yield f"Line {item.line}, not met at {seconds_text(broken.after_us)}: {broken.broken.found}."
        yield "Values: " + ", ".join(f"{name} {text}" for name, text in broken.values.items())
        yield "Controls: " + ", ".join(f"{name} {text}" for name, text in broken.controls.items())
        for rule in broken.rules:
            yield f"Rule: {rule}"

    # --- keys ---------------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only keys that do something."""
        picture = self.picture
        if picture is None:
            return action == "to_face"
        if action == "answer":
            return bool(self.asked.text)
        if action in ("typed", "untype"):
            return bool(self.typed)
        if action in ("step", "end", "type", "sweep", "lose"):
            return self.value is not None
        if action == "hold":
            return self.value is not None
        if action == "find":
            line = self._selected()
            return line is not None and isinstance(line.item, OutputNow)
        if action == "hold_up":
            return picture.state in ("playing", "held up")
        if action == "again":
            return bool(picture.state)
        return True

    def _changed(self) -> None:
        self._remark = ""
        self.refresh_bindings()
        self.repaint()

    def action_answer(self, done: bool) -> None:
        """Answer the request: done, or skipped."""
        self.asked.answer(done)
        self._changed()

    def action_go(self, by: int) -> None:
        """Select another line."""
        keys = [line.key for line in self._lines if line.key]
        if not keys:
            return
        at = keys.index(self.chosen) if self.chosen in keys else 0
        self.chosen = keys[max(0, min(at + by, len(keys) - 1))]
        self.typed = ""
        self._changed()

    def _hold(self, value: ValueNow, number: float) -> None:
        self.run.hold(value.name, number)
        self._changed()

    def action_step(self, by: int) -> None:
        """Move the selected value up by `by` steps, and hold it there."""
        value = self.value
        if value is None:
            return
        self.run.step(value.name, by, step_of(value))
        self._changed()

    def action_end(self, high: int) -> None:
        """Hold the selected value at one end of its range."""
        value = self.value
        if value is not None:
            self._hold(value, value.high if high else value.low)

    def action_sweep(self) -> None:
        """Sweep the selected value up and down its range."""
        value = self.value
        if value is not None:
            self.run.sweep(value.name)
            self._changed()

    def action_hold(self) -> None:
        """Hold the selected value where it is, or let a held one follow the scenario or its source again."""
        value = self.value
        if value is None:
            return
        self.run.hold_or_give_back(value.name)
        self._changed()

    def action_lose(self) -> None:
        """Make the selected value unknown."""
        value = self.value
        if value is not None:
            self.run.hold(value.name, None)
            self._changed()

    def action_hold_up(self) -> None:
        """Stop the scenario's time, or let it go on."""
        self.run.hold_up(not self.run.held_up)
        self._changed()

    def action_again(self) -> None:
        """Play the scenario from its beginning."""
        self.run.again()
        self._changed()

    def action_find(self) -> None:
        """Select the output on the face."""
        line = self._selected()
        if line is not None and isinstance(line.item, OutputNow):
            self.post_message(self.ToFace(line.item.name))

    def action_to_face(self) -> None:
        """Move to the face, beside the list or on its own view."""
        self.post_message(self.ToFace())

    def action_type(self, key: str) -> None:
        """Add a key to the number being typed."""
        if self.value is not None and len(self.typed) < NUMBER - 1:
            self.typed += key
            self._changed()

    def action_untype(self) -> None:
        """Cancel the number."""
        self.typed = ""
        self._changed()

    def action_typed(self) -> None:
        """Hold the selected value at the typed number, unless that is outside its range."""
        value, text = self.value, self.typed
        self.typed = ""
        if value is None:
            return
        try:
            number = float(text)
        except ValueError:
            self._changed()
            self._remark = f"'{text}' is not a number."
            return
        if not value.low <= number <= value.high:
            self._changed()
            self._remark = f"{with_unit(value, number)} is outside {value.low:.10g} to {with_unit(value, value.high)}."
            return
        self._hold(value, number)

    def on_key(self, event: events.Key) -> None:
        """Take a number being typed; a minus belongs to it only at its beginning, and is a step otherwise."""
        value, key = self.value, _TYPED.get(event.key)
        if event.key == "backspace" and self.typed:
            self.typed = self.typed[:-1]
        elif (
            value is None
            or key is None
            or (key == "." and "." in self.typed)
            or (key == "-" and (self.typed or value.low >= 0))
        ):
            return
        else:
            self.action_type(key)
        event.stop()
        event.prevent_default()
        self._changed()

    # --- the mouse ----------------------------------------------------------------------------------------------------

    def on_click(self, event: events.Click) -> None:
        """Select the clicked line; on a slider also set the value."""
        index = self._top + event.y
        if index >= len(self._lines) or not self._lines[index].key:
            return
        event.stop()
        self.focus()
        again = self.chosen == self._lines[index].key
        self.chosen = self._lines[index].key
        value = self.value
        x, room = self._slider(self.canvas.width - 1)
        if value is not None and x <= event.x < x + room:
            step = step_of(value)
            number = value.low + (value.high - value.low) * (event.x - x) / (room - 1)
            self._hold(value, min(max(float(f"{round(number / step) * step:.12g}"), value.low), value.high))
        elif again:
            self.action_find()
        self._changed()

    def wheel(self, event: events.MouseEvent, by: int) -> None:
        """Move up and down the list by the mouse wheel."""
        event.stop()
        self.action_go(by)


def with_unit(value: ValueNow, number: float) -> str:
    """Return `number` with the value's unit, rounded to about a thousandth of its range."""
    step = step_of(value) / 20
    places = max(0, -int(f"{step:e}".partition("e")[2]))
    text = f"{number:.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return f"{text} {value.unit}".rstrip()


def _counts(picture: Picture) -> str:
    counts = [(how, sum(each.how == how for each in picture.expected)) for how in ORDER]
    parts = [f"{count} {how}" for how, count in counts if count]
    return "  " + ", ".join(parts) if parts else ""
