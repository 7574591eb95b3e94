"""The rules of the protocol document, run against any board.

Each rule has the name that it has in `protocols/line-protocol.md`. The rules use `benchcon.conform.wireside`, which
sends exactly the bytes that it is given, broken ones included; the host side of the link would not send those.
"""

from benchcon.conform.play import Report, RuleResult, chosen, play
from benchcon.conform.wireside import WireSide

__all__ = ["Report", "RuleResult", "WireSide", "chosen", "play"]
