"""The outputs that a step of the walk wants lit."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Lamp
from benchcon.walk.load import ALL_LIT
from benchcon.walk.plan import ALL_TO_BE_LIT, EIGHT, SUPPLY_LOOKS, Step


@dataclass(slots=True)
class Wants:
    """Outputs as a step wants them; everything that is not named is off."""

    lamps: dict[str, int] = field(default_factory=dict)
    """For each lamp its lightness in permille."""
    blink: bool = False
    """Blink these lamps, once a second, until `Walk.steady`."""
    displays: dict[str, bytes] = field(default_factory=dict)


def outputs_of(layout: PanelIndex, step: Step) -> Wants:
    """Return what `step` wants lit: a lamp, a picture on a display, what a supply feeds, everything, or nothing."""
    if step.do in SUPPLY_LOOKS or step.do in ALL_TO_BE_LIT:
        lamps = {name: layout.lamps[name].on_permille for name in step.parts if name in layout.lamps}
        digits = {name: layout.displays[name].digits for name in step.parts if name in layout.displays}
        one = step.do in SUPPLY_LOOKS
        shown = {name: EIGHT.ljust(n, b"\0") if one else bytes([ALL_LIT]) * n for name, n in digits.items()}
        return Wants(lamps, displays=shown)
    if step.do == "lamp":
        lamp = layout.part(step.parts[0])
        assert isinstance(lamp, Lamp)
        return Wants({lamp.name: lamp.on_permille}, blink=True)
    return Wants(displays={step.parts[0]: step.picture}) if step.do == "display" else Wants()
