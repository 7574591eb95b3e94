"""One channel of one board, as last reported."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from benchcon.state.given import given
from benchcon.wire.items import OUTPUTS, signed16


@dataclass(slots=True, eq=False)
class ChannelState:
    """What is known about one channel. Values are as on the wire (section 6 of the line protocol)."""

    id: str
    kind: str = ""
    """Kind from the board's description; empty until it is known."""
    detail: dict[str, str] = field(default_factory=dict)
    value: int | None = None
    """Last value; None: not known."""
    at_us: int = 0
    """Host stamp of the record that gave the value."""
    clock_us: int = 0
    """Board clock of the change, unwrapped, in µs; 0: not known, as after `read`."""
    changes: int = 0
    least: int | None = None
    """Least value seen: for encoders as a signed count, for potentiometers including raw readings."""
    greatest: int | None = None
    """Greatest value seen, likewise."""
    raw_on: bool = False
    raw_level: int | None = None
    """Pin level before inversion (encoder: A·2+B; potentiometer: unfiltered counts); None unless raw is on."""
    edges: int = 0
    invalid: int = 0
    """Invalid transitions of an encoder, as the board counts them."""
    ghost: bool = False
    """Whether the board takes this contact of a matrix for a ghost."""
    blinking: bool = False
    """Whether the link makes this output blink."""
    wanted: int | None = None
    """The value that the link holds back; None if it does not."""
    held: str = ""
    """Why it is held back: ``flash``, ``current``, ``wink`` or ``no answer``."""

    @property
    def is_output(self) -> bool:
        """Whether this is a lamp or a display."""
        return self.kind in OUTPUTS

    @property
    def signed(self) -> int | None:
        """The value; for an encoder as a signed count; None if not known."""
        return self.as_signed(self.value) if self.value is not None else None

    @property
    def level(self) -> int | None:
        """The pin level of a contact before inversion, from raw reports or else from the value; None: not known.

        For other kinds, what raw reports give; see `raw_level`.
        """
        if self.raw_level is not None:
            return self.raw_level
        if self.value is None or self.kind != "contact":
            return None
        return self.value ^ (self.detail.get("inv") == "1")

    def as_signed(self, value: int) -> int:
        """Return `value`; if this is an encoder, as a signed 16-bit count."""
        return signed16(value) if self.kind == "encoder" and value & 0x8000 else value

    def nothing_wanted(self) -> None:
        """Note that the link neither blinks this output nor holds a value back, after dark, a reset or a lost port."""
        self.blinking = False
        self.wanted = None
        self.held = ""

    def moved(self, value: int, at_us: int, clock_us: int) -> None:
        """Take a change that the board reported, or a setting that it confirmed."""
        self.at_us = at_us
        self.clock_us = clock_us
        if value != self.value:
            self.value = value
            self.changes += 1
            if self.kind == "encoder":
                value = self.as_signed(value)
            if self.least is None or self.greatest is None or not self.least <= value <= self.greatest:
                self.span(value)

    def stands(self, value: int, at_us: int) -> None:
        """Take a value that was read back. It counts as a change if it differs, unless it is the first value."""
        if value != self.value:
            self.changes += self.value is not None
            self.value = value
            self.at_us = at_us
            self.clock_us = 0
        self.ghost = False
        self.span(self.as_signed(value))

    def span(self, value: int) -> None:
        """Widen the range of values seen (`least`, `greatest`) to include `value`."""
        if self.least is None or self.greatest is None:
            self.least = self.greatest = value
        elif value < self.least:
            self.least = value
        elif value > self.greatest:
            self.greatest = value

    def forget(self) -> None:
        """Note that the value is not known any more, since the board was reset; the counts stay."""
        self.value = None
        self.raw_on = False
        self.raw_level = None
        self.ghost = False

    def as_json(self) -> dict[str, Any]:
        """Return every field that differs from its default, as JSON can hold it, for keyframes and comparison."""
        changed = {name: value for name in _NAMES if (value := getattr(self, name)) != getattr(_AT_FIRST, name)}
        return {"id": self.id} | changed

    @classmethod
    def from_json(cls, table: dict[str, Any]) -> ChannelState:
        """Return the channel of which `as_json` returned `table`; fields that are missing have their default.

        Raises `ValueError`, `KeyError` or `TypeError` if `table` is not such a table.
        """
        channel = cls(given(table["id"], ""))
        for name in _NAMES:
            if name in table:
                setattr(channel, name, given(table[name], getattr(_AT_FIRST, name)))
        return channel


_AT_FIRST = ChannelState("")
"""The defaults of all fields."""
_NAMES = tuple(each.name for each in fields(ChannelState) if each.name != "id")
