"""What is to be pulled to have a panel dark when its boards do not say that they are: every supply, not USB alone."""

from __future__ import annotations

from collections.abc import Iterable

from benchcon.panel.model import Panel
from benchcon.text import printable


def second_supplies(panel: Panel, names: Iterable[str]) -> dict[str, str]:
    """Return the supplies beside USB that feed lamps of these boards, by the board's name on the panel."""
    wanted = set(names)
    return {
        board.name: f"its {board.external_mv / 1000:g} V supply"
        for board in panel.boards
        if board.external_supply and board.name in wanted
    }


def to_pull(panel: Panel, names: Iterable[str]) -> list[str]:
    """Return for each board what is to be pulled to have it dark: with a second supply, that as well. Printable."""
    names = list(names)
    second = second_supplies(panel, names)
    return [printable(name) + (f" (USB and {second[name]})" if name in second else "") for name in names]


def not_confirmed(panel: Panel) -> str:
    """Return one line for a program that has ended without every board having said that it is dark."""
    second = second_supplies(panel, (board.name for board in panel.boards))
    also = "".join(f"; at {printable(name)} switch off {supply} too" for name, supply in second.items())
    return f"dark was NOT CONFIRMED by every board: pull the plug{also}"
