"""The panel as the diagnosis needs it: every channel with its part, its kind and its wire's destination."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Collection
from dataclasses import dataclass, field

from benchcon.errors import Trouble
from benchcon.panel.model import Channel, Control, Display, Lamp, Panel, Part
from benchcon.panel.pins import CHAINS, Pin, read_pins
from benchcon.text import did_you_mean, nearest, printable


@dataclass(frozen=True, slots=True)
class Spot:
    """One channel and the part on it."""

    key: str
    """Key of the channel: ``board.id``."""
    channel: Channel
    part: Part
    kind: str
    """``contact``, ``selector``, ``encoder``, ``pot``, ``lamp`` or ``display``."""
    place: int = 0
    """Index of the channel in its part."""


@dataclass(frozen=True, slots=True)
class Cross:
    """Where a contact is in a switch matrix."""

    matrix: str
    row: int
    column: int


@dataclass(slots=True)
class PanelIndex:
    """A panel with its channels, parts and matrices indexed by key and name."""

    panel: Panel
    controls: dict[str, Control] = field(default_factory=dict)
    lamps: dict[str, Lamp] = field(default_factory=dict)
    displays: dict[str, Display] = field(default_factory=dict)
    spots: dict[str, Spot] = field(default_factory=dict)
    crosses: dict[str, Cross] = field(default_factory=dict)
    """Place in a matrix by channel key, where the panel gives it."""
    matrix_of: dict[str, str] = field(default_factory=dict)
    """Name of the matrix by channel key; the place in it may be unknown."""
    diodes: dict[str, bool] = field(default_factory=dict)
    chained: dict[str, Pin] = field(default_factory=dict)
    """Pin on a chain of drivers by a display's channel key."""

    @staticmethod
    def of(panel: Panel) -> PanelIndex:
        """Return the index of `panel`."""
        layout = PanelIndex(panel)
        for control in panel.controls:
            layout.controls[control.name] = control
            kind = control.kind
            if kind in ("button", "switch"):
                codes = control.codes
                kind = "contact"
                if len(control.channels) == 1 and any(code[0] > 1 for code in codes):
                    kind = "selector"
            for place, channel in enumerate(control.channels):
                layout._add(channel, control, kind, place)
                layout._cross(control, channel)
        for lamp in panel.lamps:
            layout.lamps[lamp.name] = lamp
            layout._add(lamp.channel, lamp, "lamp", 0)
        for display in panel.displays:
            layout.displays[display.name] = display
            layout._add(display.channel, display, "display", 0)
            with contextlib.suppress(ValueError):
                pins = read_pins(display.channel.wire.pin)
                if len(pins) == 1 and pins[0].kind in CHAINS:
                    layout.chained[display.channel.key] = pins[0]
        for matrix in panel.matrices:
            layout.diodes[matrix.name] = matrix.diodes
        return layout

    def _add(self, channel: Channel, part: Part, kind: str, place: int) -> None:
        key = channel.key
        self.spots.setdefault(key, Spot(key, channel, part, kind, place))

    def _cross(self, control: Control, channel: Channel) -> None:
        key = channel.key
        try:
            pins = read_pins(channel.wire.pin)
        except ValueError:
            pins = ()
        if len(pins) == 1 and pins[0].kind == "matrix":
            self.crosses[key] = Cross(pins[0].matrix, pins[0].row, pins[0].column)
            self.matrix_of[key] = pins[0].matrix
        elif control.matrix:
            self.matrix_of[key] = control.matrix
            self.diodes.setdefault(control.matrix, control.diodes)
        if control.matrix and not control.diodes:
            self.diodes[self.matrix_of[key]] = False

    def named(self, text: str) -> str:
        """Return the name of the part that `text` names, or whose label it is if no other part has that label.

        Raises `Trouble` with the nearest name, or with the names of the parts that share the label.
        """
        names = [part.name for part in self.panel.parts]
        if text in names:
            return text
        alike = [p.name for p in self.panel.parts if p.label.casefold() == text.strip().casefold()]
        if len(alike) > 1:
            shown = printable(text[:40])
            raise Trouble(f"more than one part is called “{shown}”: say which by its name, {' or '.join(alike)}")
        return alike[0] if alike else self.part(text).name

    def with_names(self, text: str, but: Collection[str] = ()) -> str:
        """Return `text` with unique labels of lamps and displays replaced by their names.

        Labels that have another meaning (they are in `but`, or another part's name) stay, and so does what follows a
        ``=``.
        """
        outputs: list[Lamp | Display] = [*self.lamps.values(), *self.displays.values()]
        labels = [part.label.casefold() for part in outputs]
        for part in sorted(outputs, key=lambda each: -len(each.label)):
            label = part.label.casefold()
            known = label in but or label in self.lamps or label in self.displays
            if label and labels.count(label) == 1 and not known:
                text = re.sub(rf"(?<![\w=]){re.escape(label)}(?!\w)", part.name, text, flags=re.IGNORECASE)
        return text

    def part(self, name: str) -> Part:
        """Return the part called `name`. Raises `Trouble` with the nearest name."""
        part = self.controls.get(name) or self.lamps.get(name) or self.displays.get(name)
        if part is None:
            parts: list[Part] = [*self.controls.values(), *self.lamps.values(), *self.displays.values()]
            names = {each.label: each.name for each in parts} | {each.name: each.name for each in parts}
            hint = did_you_mean(names.get(nearest(name, names) or ""), "'")
            raise Trouble(f"the panel has no part '{printable(name[:40])}'{hint}")
        return part

    def channels_of(self, name: str) -> tuple[str, ...]:
        """Return the channel keys of the part called `name`."""
        part = self.part(name)
        return tuple(channel.key for channel in part.channels)
