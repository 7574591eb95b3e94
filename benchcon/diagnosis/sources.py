"""What would arrive on wires if one thing were wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

OFF, ON, OTHER_WAY = "", "1", "~"
"""Instead of the channel of another wire: never, always, and the opposite of its own."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that may be wrong, and what would come of it."""

    kind: str
    detail: Mapping[str, Any]
    sent: Mapping[str, str]
    """For each channel that would show something else: the channel whose signal arrives there, or one of the words."""
    group: str
    """Causes of one group exclude each other."""
    least: int = 3
    """This many wires must have been wrong."""
    tangled: tuple[str, ...] = ()
    """While two of these contacts are made, currents find ways that nobody foretells; what shows then is not judged."""
    besides: tuple[str, ...] = ()
    """Knobs and displays that it explains too."""
    gate: str = ""
    """The contact that the ground of all of them goes through: they show only while it is made."""

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that it touches."""
        return (*self.sent, *self.besides)

    def shadowed_by(self, other: Cause) -> bool:
        """Whether it is only another way to say the same: the same kind, and the same would be seen."""
        return self.kind == other.kind and self.sent == other.sent
