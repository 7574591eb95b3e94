"""The face during a walk: to see where the part at hand sits, and to point at what is lit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from benchcon.console.face import Face
from benchcon.panel.model import Control, Digits, Lamp


class WalkFace(Face, inherit_bindings=False, can_focus=True):
    """It works nothing but simulated controls: what is lit is the walk's affair."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "go(0,-1)", "Choose", key_display="Arrows"),
        Binding("down", "go(0,1)", "Choose", show=False),
        Binding("left", "go(-1,0)", "Choose", show=False),
        Binding("right", "go(1,0)", "Choose", show=False),
        Binding("space", "work", "Work it"),
        Binding("plus,equals_sign", "step(1)", "Turn", key_display="+ -"),
        Binding("minus", "step(-1)", "Turn", show=False),
    ]

    @dataclass
    class Pointed(Message):
        """A lamp or a display was clicked."""

        part: Lamp | Digits

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Simulated controls can be worked here, as there is nothing else to work them with."""
        if action not in ("work", "step"):
            return True
        part = self.part
        turns = isinstance(part, Control) and part.kind in ("encoder", "pot")
        return isinstance(part, Control) and self.sight.work.can_work(part) and (action == "work") != turns

    def action_work(self) -> None:
        """Press, release or throw the simulated control."""
        if isinstance(self.part, Control):
            self.sight.work.act(self.part, self.sight.boards, self.part.kind == "button")

    def action_step(self, by: int) -> None:
        """Turn the simulated knob."""
        if isinstance(self.part, Control):
            self.sight.work.step(self.part, self.sight.boards, by)

    def on_click(self, event: events.Click) -> None:
        """A click selects; on a lamp or a display it points."""
        tile = self.layout_now.at(event.x, event.y + self._scrolled)
        if tile is not None:
            event.stop()
            self.select(tile.part.name)
            if isinstance(tile.part, Lamp | Digits):
                self.post_message(self.Pointed(tile.part))
