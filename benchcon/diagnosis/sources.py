"""Causes: what would arrive on many wires if one thing were wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

OFF, ON, OTHER_WAY = "", "1", "~"
"""In place of another wire's channel: never on, always on, and the inverse of its own signal."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that may be wrong, and what it would do to each wire."""

    kind: str
    detail: Mapping[str, Any]
    sent: Mapping[str, str]
    """For each affected channel the channel whose signal arrives there, or `OFF`, `ON` or `OTHER_WAY`."""
    group: str
    """Name of a group of causes that exclude each other."""
    least: int = 3
    """Least number of faulty wires for this cause to be considered."""
    tangled: tuple[str, ...] = ()
    """While two of these contacts are made, the paths of current cannot be predicted, so the moment is not judged."""
    besides: tuple[str, ...] = ()
    """Knobs and displays whose faults it explains as well."""
    gate: str = ""
    """Contact through which the ground of all of them goes: they show only while it is made."""

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that it affects."""
        return (*self.sent, *self.besides)

    def shadowed_by(self, other: Cause) -> bool:
        """Return whether `other` is the same kind and predicts the same."""
        return self.kind == other.kind and self.sent == other.sent
