"""Which outputs a step of the walk wants lit."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Lamp
from benchcon.walk.plan import EIGHT, SUPPLY_LOOKS, Step


@dataclass(slots=True)
class Wants:
    """Outputs as the step at hand wants them; everything not named is off."""

    lamps: dict[str, int] = field(default_factory=dict)
    """Lamp → lightness in permille."""
    blink: bool = False
    """Blink these lamps, once a second, until `Walk.steady`."""
    displays: dict[str, bytes] = field(default_factory=dict)


def outputs_of(layout: PanelIndex, step: Step) -> Wants:
    """Return what `step` wants lit: one lamp, one display's picture, all that a supply feeds, or nothing."""
    if step.do in SUPPLY_LOOKS:
        lamps = {name: layout.lamps[name].on_permille for name in step.parts if name in layout.lamps}
        eights = {
            name: EIGHT.ljust(layout.displays[name].digits, b"\0") for name in step.parts if name in layout.displays
        }
        return Wants(lamps, displays=eights)
    if step.do == "lamp":
        lamp = layout.part(step.parts[0])
        assert isinstance(lamp, Lamp)
        return Wants({lamp.name: lamp.on_permille}, blink=True)
    return Wants(displays={step.parts[0]: step.picture}) if step.do == "display" else Wants()
