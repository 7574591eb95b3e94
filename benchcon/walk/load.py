"""Divides the outputs of each board into as few shares, lit one after the other, as its current budget allows."""

from __future__ import annotations

from collections.abc import Collection

from benchcon.link.limits import LAMPS_MA
from benchcon.panel.electrics import display_ma, lamp_ma
from benchcon.panel.lightness import sent_permille
from benchcon.panel.model import Display, Lamp, Panel

ALL_LIT = 0xFF
"""All segments of a digit, and its point."""


def shares(panel: Panel, board: str, lamps_most_ma: float | None = None) -> list[list[Lamp | Display]]:
    """Return the wired outputs of `board` in shares that fit its budget, displays with all segments and points lit.

    An output that exceeds the budget by itself is in none. `lamps_most_ma` also limits the lamps of a share; None: only
    the budget does.
    """
    found = panel.board(board)
    budget_ma = found.budget_ma if found is not None else 0.0
    most_ma = budget_ma if lamps_most_ma is None else lamps_most_ma
    out: list[tuple[float, float, list[Lamp | Display]]] = []
    for part in _outputs(panel, board):
        takes_ma = _takes_ma(part)
        of_lamps_ma = takes_ma if isinstance(part, Lamp) else 0.0
        for number, (taken, of_lamps, share) in enumerate(out):
            if taken + takes_ma <= budget_ma and of_lamps + of_lamps_ma <= most_ma:
                out[number] = (taken + takes_ma, of_lamps + of_lamps_ma, [*share, part])
                break
        else:
            if takes_ma <= budget_ma and of_lamps_ma <= most_ma:
                out.append((takes_ma, of_lamps_ma, [part]))
    return [share for _, _, share in out]


def rounds(panel: Panel, wanted: Collection[str]) -> list[tuple[str, ...]]:
    """Return which of the outputs `wanted` to light together, round by round; all in one if the budgets allow it.

    Each round has one share of every board that has one left.
    """
    lamps_most_ma = None if panel.text else LAMPS_MA  # the link has a lower limit for a panel without a file
    rows = [shares(panel, board.name, lamps_most_ma) for board in panel.boards]
    names = [[[part.name for part in share if part.name in wanted] for share in row] for row in rows]
    count = max(map(len, names), default=0)
    together = [tuple(name for row in names if number < len(row) for name in row[number]) for number in range(count)]
    return [each for each in together if each]


def _outputs(panel: Panel, board: str) -> list[Lamp | Display]:
    return [part for part in panel.outputs if part.wired and part.channel.board == board]


def _takes_ma(part: Lamp | Display) -> float:
    if isinstance(part, Lamp):
        return lamp_ma(part, sent_permille(part, part.on_permille))
    return display_ma(part, bytes([ALL_LIT]) * part.digits)
