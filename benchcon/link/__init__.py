"""The link: finds ports, opens them and keeps them open; several boards are one bench. It alone writes to boards."""

from typing import TYPE_CHECKING

from benchcon.link.bench import Bench
from benchcon.link.outcomes import DarkResult, say

if TYPE_CHECKING:
    from benchcon.link.port import Pace, PortInfo

__all__ = ["Bench", "DarkResult", "Pace", "PortInfo", "say"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    from benchcon.link import port  # loaded only when needed: it imports pyserial

    return getattr(port, name)
