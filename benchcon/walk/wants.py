"""Which outputs a step of the walk wants lit."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Wants:
    """Outputs as the step at hand wants them; everything not named is off."""

    lamps: dict[str, int] = field(default_factory=dict)
    """Lamp → lightness in permille."""
    blink: bool = False
    """Blink these lamps, once a second, until `Walk.steady`."""
    digits: dict[str, bytes] = field(default_factory=dict)
