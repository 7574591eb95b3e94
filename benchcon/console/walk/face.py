"""The face during a walk, which shows where the current part is, and on which the person points at what is lit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from benchcon.console.face import Face
from benchcon.panel.model import Control, Display, Lamp
from benchcon.walk.plan import Step


class WalkFace(Face, inherit_bindings=False, can_focus=True):
    """A face that operates only simulated controls, because the walk controls the outputs."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "go(0,-1)", "Pick", key_display="Arrows"),
        Binding("down", "go(0,1)", "Pick", show=False),
        Binding("left", "go(-1,0)", "Pick", show=False),
        Binding("right", "go(1,0)", "Pick", show=False),
        Binding("space", "work", "Work it"),
        Binding("plus,equals_sign", "step(1)", "Turn", key_display="+ -"),
        Binding("minus", "step(-1)", "Turn", show=False),
    ]

    step: Step | None = None
    """The current step of the walk."""

    @dataclass
    class Worked(Message):
        """Sent when the person made the simulated hand do what is asked."""

    @dataclass
    class Pointed(Message):
        """Sent when a lamp or a display is clicked."""

        part: Lamp | Display

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer keys for simulated controls, which nothing else can operate during a walk."""
        if action not in ("work", "step"):
            return True
        part = self.part
        turns = isinstance(part, Control) and part.kind in ("encoder", "pot")
        return isinstance(part, Control) and self.model.work.can_work(part) and (action == "work") != turns

    def action_work(self) -> None:
        """Operate the simulated control; the one asked for goes to the position asked for."""
        step = self.step
        if step is not None and step.do == "put" and self.selected in step.parts:
            for name in step.parts:
                asked = self.model.panel.part(name)
                if isinstance(asked, Control) and self.model.work.can_work(asked):
                    self.model.work.put(asked, step.to)
            self.post_message(self.Worked())
        elif isinstance(self.part, Control):
            self.model.work.act(self.part, self.model.boards, self.part.kind == "button")

    def action_step(self, by: int) -> None:
        """Turn the simulated knob."""
        if isinstance(self.part, Control):
            self.model.work.step(self.part, self.model.boards, by)

    def on_click(self, event: events.Click) -> None:
        """Select the clicked part; a lamp or a display is also pointed at."""
        tile = self.layout_now.at(event.x, event.y + self._scrolled)
        if tile is not None:
            event.stop()
            part = tile.part_at(event.x, event.y + self._scrolled)
            self.select(part.name)
            if isinstance(part, Lamp | Display):
                self.post_message(self.Pointed(part))
