"""The protocol document's rules, played against any board.

Each rule has the name it bears in `protocols/line-protocol.md`. The rules speak through
`benchcon.conform.wireside`, which sends exactly the bytes it is told to, broken ones included:
the host side of the link is too well-behaved for this.
"""

from benchcon.conform.play import Report, RuleResult, chosen, play
from benchcon.conform.wireside import WireSide

__all__ = ["Report", "RuleResult", "WireSide", "chosen", "play"]
