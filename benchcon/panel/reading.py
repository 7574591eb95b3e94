"""The position of a control, from the values of its channels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from benchcon.panel.model import Control
from benchcon.units import whole_percent
from benchcon.wire.items import signed16

Values = Mapping[tuple[str, str], int]
"""Channel values by (board name, channel id), as they are on the wire after inversion."""


PASSING_US = 150_000
"""Longest time in µs that a switch is on its way between two positions (a simulated hand takes 30 ms)."""


def made_or_open(value: int) -> str:
    """Return what a contact is, by its value: ``made`` or ``open``."""
    return "made" if value else "open"


class ReadPosition(NamedTuple):
    """The position of a button or switch (index from 0), or None and why."""

    position: int | None
    why: str = ""
    """Empty, or: ``not known`` (a channel has no value), ``none made``, ``2 made: off, on``, ``no position has 1 1``.
    """


def position(control: Control, values: Values) -> ReadPosition:
    """Return which position `control` is in, by `values`.

    While a rotary switch moves between two positions, none of its contacts is made for a moment, or two are: that is
    not a position.
    """
    code: list[int] = []
    for channel in control.channels:
        value = values.get((channel.board, channel.id))
        if value is None:
            return ReadPosition(None, "not known")
        code.append(value)
    return position_of_code(control, code)


def position_of_code(control: Control, code: Sequence[int]) -> ReadPosition:
    """Return which position has the channel values `code`, given in the order of the control's channels."""
    found = tuple(code)
    if found in control.codes:
        return ReadPosition(control.codes.index(found))
    if not any(found):
        return ReadPosition(None, "none made")
    single = all(sum(row) == 1 and set(row) <= {0, 1} for row in control.codes)
    if single and len(control.codes) == len(found) and set(found) <= {0, 1}:
        words = [control.positions[control.codes.index(row)] for row in _singles(found)]
        return ReadPosition(None, f"{len(words)} made: {', '.join(words)}")
    return ReadPosition(None, f"no position has {' '.join(map(str, found))}")


def own_position(control: Control, place: int) -> int | None:
    """Return the position in which the contact at `place` (in the order of the channels) is made, and no other one is.

    None if there is none, or if the contact is made in another position as well: a coded contact says which position
    it is only together with the others.
    """
    made = [position for position, code in enumerate(control.codes) if place < len(code) and code[place]]
    return made[0] if len(made) == 1 and sum(map(bool, control.codes[made[0]])) == 1 else None


def contact_word(control: Control, place: int) -> str:
    """Return what tells one contact of several from the others: its position's word, or its channel's id."""
    position = own_position(control, place)
    known = position is not None and position < len(control.positions)
    return control.positions[position or 0] if known else control.channels[place].id


def _singles(code: tuple[int, ...]) -> list[tuple[int, ...]]:
    return [tuple(int(i == k) for i in range(len(code))) for k, made in enumerate(code) if made]


def position_of(control: Control, values: Values) -> int | None:
    """Return the position of `control` (index from 0), or None; `position` also says why."""
    return position(control, values).position


def detents(control: Control, before: int, after: int) -> float:
    """Return how many detents an encoder was turned between two counts; to the right is positive.

    Counts have 16 bits and wrap; of the two ways round the shorter is taken.
    """
    counts = signed16(after - before)
    return (-counts if control.inverted else counts) / control.detent_counts


def share_permille(control: Control, counts: int) -> int:
    """Return how far a potentiometer is turned, 0 (left end) to 1000 (right end), clamped to these."""
    span = control.high_count - control.low_count
    share = round(1000 * (counts - control.low_count) / span) if span > 0 else 0
    share = min(1000, max(0, share))
    return 1000 - share if control.inverted else share


def share_word(control: Control, counts: int) -> str:
    """Return how far a potentiometer is turned: ``40 %``."""
    return whole_percent(share_permille(control, counts))
