"""Which supplies to unplug when boards do not confirm that they are dark: every one, not only USB."""

from __future__ import annotations

from collections.abc import Iterable

from benchcon.panel.model import Panel
from benchcon.text import printable


def second_supplies(panel: Panel, names: Iterable[str]) -> dict[str, str]:
    """Return by board which supply besides USB feeds its lamps, for those of the boards `names` that have one."""
    wanted = set(names)
    return {
        board.name: f"its {board.external_mv / 1000:g} V supply"
        for board in panel.boards
        if board.external_supply and board.name in wanted
    }


def to_pull(panel: Panel, names: Iterable[str]) -> list[str]:
    """Return for each board what to unplug to make it dark, a second supply included. Printable."""
    names = list(names)
    second = second_supplies(panel, names)
    return [printable(name) + (f" (USB and {second[name]})" if name in second else "") for name in names]


def not_confirmed(panel: Panel) -> str:
    """Return the line to print when a program ends before every board has confirmed that it is dark."""
    second = second_supplies(panel, (board.name for board in panel.boards))
    also = "".join(f"; at {printable(name)} switch off {supply} too" for name, supply in second.items())
    return f"dark was NOT CONFIRMED by every board: pull the plug{also}"
