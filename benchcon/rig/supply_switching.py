"""The supplies of a panel with simulated boards: what the controls switch off is dark, whatever is sent to it.

This belongs to the rig, not to a single board: whoever started the boards watches the controls that switch supplies,
and sets the supply of the outputs accordingly, through the boards' hands.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Mapping

from benchcon.errors import Trouble
from benchcon.panel.model import Panel
from benchcon.panel.supplies import Switched
from benchcon.rig.hand import Hand
from benchcon.rig.wiring import wiring

LOOK_S = 1.0
"""Longest wait for a move before checking whether to stop."""


class SupplySwitching:
    """Watches the controls that switch the supplies of `panel`, and sets the supply of boards and parts.

    `controls`: name of a board → its HAND word.
    """

    def __init__(self, panel: Panel, controls: Mapping[str, str]) -> None:
        board_of = {control.name: control.channels[0].board for control in panel.controls if control.channels}
        # A supply whose switches are on a board that does not run is not known to be off, and stays on.
        self._supplies = [
            supply
            for supply in panel.supplies
            if all(board_of.get(name) in controls for source in supply.sources for name, _ in source.at)
        ]
        self._panel = panel
        self._switched = Switched(panel)
        self._on: dict[str, bool] = {supply.name: True for supply in self._supplies}
        self._positions: dict[str, int] = {}
        self._lock = threading.Lock()
        self._ends = threading.Event()
        self._hands = {name: Hand(word) for name, word in controls.items()}
        """Hands for setting supplies; each watcher has another of its own, on which it waits."""
        named = {name for supply in self._supplies for source in supply.sources for name, _ in source.at}
        watched = {board_of[name] for name in named}
        self._watchers = [
            threading.Thread(target=self._watch, args=(Hand(controls[board]),), name="rig-supply", daemon=True)
            for board in sorted(watched)
        ]

    def start(self) -> None:
        """Begin to watch; returns when the supplies match the controls."""
        for hand in self._hands.values():
            with contextlib.suppress(Trouble):
                self._positions |= hand.moved().positions
        self._look()
        for watcher in self._watchers:
            watcher.start()

    def stop(self) -> None:
        """Stop watching; see `join`."""
        self._ends.set()

    def join(self) -> None:
        """Wait until it has stopped."""
        for watcher in self._watchers:
            watcher.join(5)
        for hand in self._hands.values():
            hand.close()

    def _watch(self, hand: Hand) -> None:
        moves: int | None = None
        with hand:
            while not self._ends.is_set():
                try:
                    moved = hand.moved(moves, within_s=self._wait_s())
                except Trouble:
                    return
                moves = moved.moves
                with self._lock:
                    self._positions |= moved.positions
                    self._look()

    def _wait_s(self) -> float:
        """Return how long to wait: until a source that is starting up may be on, at most `LOOK_S`."""
        now_us = _now_us()
        with self._lock:
            due = self._switched.next_us(now_us)
        return LOOK_S if due is None else min(LOOK_S, max(0.001, (due - now_us) / 1e6))

    def _look(self) -> None:
        on = self._switched.on(self._positions, _now_us())
        for supply in self._supplies:
            if on[supply.name] == self._on[supply.name]:
                continue
            self._on[supply.name] = on[supply.name]
            for name in supply.feeds:
                with contextlib.suppress(Trouble):  # unplugged, ended, or an emulated one that cannot
                    self._feed(name, on[supply.name])

    def _feed(self, name: str, on: bool) -> None:
        board, channels = self._panel.board(name), []
        if board is None:
            part = self._panel.part(name)
            channel = getattr(part, "channel", None)
            board = self._panel.board(channel.board) if channel is not None else None
            channels = [channel.id] if channel is not None else []
        if board is not None and board.name in self._hands:
            full_mv = wiring(self._panel, board.name).supply_mv
            self._hands[board.name].supply(full_mv if on else 0, *channels)


def _now_us() -> int:
    return time.monotonic_ns() // 1000
