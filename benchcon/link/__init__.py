"""The link: finds ports, opens them, keeps them open, several boards as one bench. The only writer."""

from benchcon.link.bench import Bench
from benchcon.link.outcomes import DarkResult, say
from benchcon.link.port import Pace, PortInfo

__all__ = ["Bench", "DarkResult", "Pace", "PortInfo", "say"]
