"""Which boards have supply for their lamps, which they report in their heartbeats.

A lamp without supply is not dead. So nothing is looked at on a board that reports no supply, nor before a board has
reported its supply after a contact was last moved (that contact may switch it). Boards that do not report their supply
are assumed to have it.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchcon.diagnosis.layout import PanelIndex
from benchcon.state.board import is_without_supply
from benchcon.text import listed, printable
from benchcon.walk.channel_changes import PanelBoards
from benchcon.wire import events as ev

ACTS_US = 200_000
"""Time after which a moved switch has taken effect on the supply that it switches."""
LONG_AGO = -(1 << 60)
RESTLESS_US = 2_000_000
"""Contacts that keep changing for longer than this chatter, and switch no supply."""
_MOST_NAMES = 3


def named(boards: Sequence[str]) -> str:
    """Return the names of boards as a sentence lists them: ``'lighting', 'met' and 'power'``."""
    return listed([f"'{printable(board)}'" for board in boards])


class SuppliedBoards:
    """Which boards have supply for their lamps and displays, by their own reports."""

    def __init__(self, panel_boards: PanelBoards, layout: PanelIndex) -> None:
        self.panel_boards, self.layout = panel_boards, layout
        self.no_supply: set[str] = set()
        """Boards that last reported no supply."""
        self._reported_us: dict[str, int] = {}
        """For each board that reports its supply, when it last did (µs)."""
        self.moved_us = LONG_AGO
        """When a contact was last moved (µs)."""
        self._since_us = LONG_AGO
        """When the earliest contact was moved after which no board has reported its supply (µs)."""
        self._gone_us: dict[str, int] = {}
        """For each board without supply, when it reported that (µs)."""
        self._moved: dict[str, dict[str, None]] = {}
        """For each board the labels of what was moved since it last reported a supply."""

    def begin(self) -> None:
        """Begin with the present states of the boards."""
        for name in self.panel_boards.sources:
            board = self.panel_boards.state_of(name)
            if board is not None and board.supply_mv:
                self._reported_us[name] = 0
                if board.no_supply:
                    self.no_supply.add(name)

    def take_heartbeat(self, board: str, event: ev.Alive) -> bool:
        """Take a heartbeat; return whether the board has just lost its supply."""
        if not event.supply_mv:
            self._reported_us.pop(board, None)
            self.no_supply.discard(board)
            return False
        self._reported_us[board] = event.at_us
        if is_without_supply(event.supply_mv):
            fresh = board not in self.no_supply
            if fresh:
                self._gone_us[board] = event.at_us
            self.no_supply.add(board)
            return fresh
        self.no_supply.discard(board)
        self._moved.pop(board, None)
        return False

    def moved(self, board: str, event: ev.Event, button: tuple[str, ...]) -> None:
        """Take a change of a contact; the channels `button` answer questions, and switch no supply."""
        for id_ in event.values if isinstance(event, ev.Moved) else ():
            key = f"{board}.{id_}"
            spot = self.layout.spots.get(key)
            if spot is not None and spot.kind in ("contact", "selector") and key not in button:
                if all(reported_us >= self.moved_us + ACTS_US for reported_us in self._reported_us.values()):
                    self._since_us = event.at_us
                self.moved_us = event.at_us
                for other in self.panel_boards.sources:  # a board that has not reported its supply yet may do so next
                    if other not in self.no_supply or event.at_us < self._gone_us.get(other, LONG_AGO) + ACTS_US:
                        self._moved.setdefault(other, {})[spot.part.label] = None

    def ready(self, boards: Sequence[str]) -> bool:
        """Return whether outputs of `boards` may be looked at: all reported a supply since a switch was moved.

        It does not wait for a contact that chatters, or nothing could ever be looked at.
        """
        reports = [self._reported_us[board] for board in boards if board in self._reported_us]
        enough_us = min(self.moved_us + ACTS_US, self._since_us + RESTLESS_US)
        return all(at_us >= enough_us or not at_us for at_us in reports)

    def advice(self, boards: Sequence[str]) -> str:
        """Return one sentence that says that `boards` have no supply, and what to switch on."""
        one = len(boards) == 1
        names = named(boards)
        head = f"board {names} has no supply" if one else f"boards {names} have no supply"
        moved = list(dict.fromkeys(label for board in boards for label in self._moved.get(board, ())))
        back = " or ".join(f"“{printable(label)}”" for label in moved) if len(moved) <= _MOST_NAMES else ""
        on = f"switch {'its' if one else 'their'} supply on"
        return f"{head}, nothing there can light: {f'put {back} back, or ' if back else ''}{on}"
