"""What rules are given of the panel's controls: a position that knows its word, detents, a share of the travel."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchcon.panel.model import Control, Panel
from benchcon.panel.reading import detents, position_of, share_permille


class Position(int):
    """Where a button or switch stands: its number from 0, which compares with its words, too.

    ``if lamp_test:`` is true in any position but the first; ``mode == "auto"`` raises ValueError for a word that the
    control does not have, instead of being false for ever.
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
    """Channel values in, what rules are given of each control out."""

    def __init__(self, panel: Panel) -> None:
        self.values: dict[tuple[str, str], int] = {}
        """By board name and channel id."""
        self._of: dict[tuple[str, str], list[Control]] = {}
        self._positions: dict[str, tuple[Position, ...]] = {}
        for control in panel.controls:
            self._positions[control.name] = tuple(Position(i, control) for i in range(len(control.positions)))
            for channel in control.channels:
                self._of.setdefault((channel.board, channel.id), []).append(control)

    def moved(self, board: str, channel: str, value: int | None) -> dict[str, Any]:
        """Take a channel's value (None: not known any more); return what the controls on it say now, by name.

        A button or switch between two positions, or one that is not known, gives None.
        """
        where = (board, channel)
        if where not in self._of or self.values.get(where) == value:
            return {}
        if value is None:
            del self.values[where]
        else:
            self.values[where] = value
        return {control.name: self.says(control, self.values) for control in self._of[where]}

    def says(self, control: Control, values: Mapping[tuple[str, str], int]) -> Any:
        """Return what a rule is given of `control`: a `Position`, detents to the right of where the board started, or
        the share of a potentiometer's travel, 0.0 to 1.0; None where it is not known."""
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
