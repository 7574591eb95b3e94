"""How rules see the panel's controls: a position with its word, detents, or a share of the travel."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchcon.panel.model import Control, Panel
from benchcon.panel.reading import PASSING_US, detents, position_of, share_permille


class Position(int):
    """The position of a button or switch: its number from 0, which can also be compared with the positions' words.

    ``if lamp_test:`` is true in any position but the first. ``mode == "auto"`` raises ValueError if the control has no
    such position, instead of being false for ever.
    """

    control: Control

    def __new__(cls, number: int, control: Control) -> Position:
        """Return the position `number` of `control`."""
        made = super().__new__(cls, number)
        made.control = control
        return made

    @property
    def word(self) -> str:
        """The position's word in the panel file."""
        return self.control.positions[int(self)]

    def __eq__(self, other: object) -> bool:
        if isinstance(other, str):
            if other not in self.control.positions:
                words = ", ".join(self.control.positions)
                raise ValueError(f"{self.control.name} has no position {other!r}; its positions: {words}")
            return self.word == other
        return int(self) == other

    def __ne__(self, other: object) -> bool:
        return not self == other

    __hash__ = int.__hash__

    def __str__(self) -> str:
        return self.word

    __repr__ = __str__
    __format__ = object.__format__


class Controls:
    """Turns values of channels into what rules get for each control.

    A rotary switch breaks one contact before it makes the next, and keeps its position for that moment; if it is
    between two positions for longer than `PASSING_US`, its position is not known.
    """

    def __init__(self, panel: Panel) -> None:
        self.values: dict[tuple[str, str], int] = {}
        """(board name, channel id) → value on the wire."""
        self._of: dict[tuple[str, str], list[Control]] = {}
        self._positions: dict[str, tuple[Position, ...]] = {}
        self._stood: dict[str, Position] = {}
        self._passing: dict[str, int] = {}
        """Controls between two positions → until when their last position counts."""
        for control in panel.controls:
            self._positions[control.name] = tuple(Position(i, control) for i in range(len(control.positions)))
            for channel in control.channels:
                self._of.setdefault((channel.board, channel.id), []).append(control)

    def moved(self, board: str, channel: str, value: int | None, now_us: int) -> dict[str, Any]:
        """Take a channel's value (None: not known any more); return name → new input of the controls on it."""
        where = (board, channel)
        if where not in self._of or self.values.get(where) == value:
            return {}
        if value is None:
            del self.values[where]
        else:
            self.values[where] = value
        return {control.name: self._now(control, value is not None, now_us) for control in self._of[where]}

    def tick(self, now_us: int) -> dict[str, Any]:
        """Return name → None for the controls that have been between two positions for too long."""
        if not self._passing:
            return {}
        late = [name for name, until_us in self._passing.items() if until_us <= now_us]
        for name in late:
            del self._passing[name], self._stood[name]
        return dict.fromkeys(late)

    def next_us(self) -> int | None:
        """Return when to call `tick`, or None."""
        return None if not self._passing else min(self._passing.values(), default=None)

    def _now(self, control: Control, known: bool, now_us: int) -> Any:
        says = self.says(control, self.values)
        if len(control.channels) < 2 or not control.codes:
            return says
        if says is None and known and control.name in self._stood:
            self._passing.setdefault(control.name, now_us + PASSING_US)
            return self._stood[control.name]
        self._passing.pop(control.name, None)
        self._stood.pop(control.name, None)
        if says is not None:
            self._stood[control.name] = says
        return says

    def says(self, control: Control, values: Mapping[tuple[str, str], int]) -> Any:
        """Return what a rule gets for `control`; None if not known.

        A `Position`, an encoder's detents to the right since the board was reset, or the share of a potentiometer's
        travel, 0.0 to 1.0. `values`: (board name, channel id) → value on the wire.
        """
        if control.codes:
            number = position_of(control, values)
            return None if number is None else self._positions[control.name][number]
        value = values.get((control.channels[0].board, control.channels[0].id))
        if value is None:
            return None
        if control.kind != "encoder":
            return share_permille(control, value) / 1000
        turned = detents(control, 0, value)
        return int(turned) if turned.is_integer() else turned
