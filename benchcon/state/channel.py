"""One channel of one board, as last told."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from benchcon.state.given import given
from benchcon.wire.items import OUTPUTS, signed16


@dataclass(slots=True, eq=False)
class ChannelState:
    """What is known of one channel. Values are as on the wire (see section 6 of the line protocol)."""

    id: str
    kind: str = ""
    """Kind from the board's description; empty until it is known."""
    detail: dict[str, str] = field(default_factory=dict)
    value: int | None = None
    """Last value; None: not known."""
    at_us: int = 0
    """Host stamp of the record that gave the value."""
    clock_us: int = 0
    """Board clock, unwrapped, of the change (0: not known, as after `read`)."""
    changes: int = 0
    least: int | None = None
    """Least value seen, encoders as signed counts, potentiometers with raw readings included."""
    greatest: int | None = None
    raw_on: bool = False
    raw_level: int | None = None
    """Pin level before inversion (encoder: A·2+B; potentiometer: unfiltered counts), where raw is on."""
    edges: int = 0
    invalid: int = 0
    """Illegal jumps of an encoder, as the board counts them."""
    ghost: bool = False
    """A contact of a matrix that the board takes for a ghost."""
    blinking: bool = False
    """The link makes this output blink."""
    wanted: int | None = None
    """The value that the link holds back; None: none."""
    held: str = ""
    """Why it does: ``flash``, ``current``, ``wink`` or ``no answer``."""

    @property
    def is_output(self) -> bool:
        """Whether this is a lamp or a display."""
        return self.kind in OUTPUTS

    @property
    def signed(self) -> int | None:
        """The value, an encoder's as a signed count."""
        return self.as_signed(self.value) if self.value is not None else None

    @property
    def level(self) -> int | None:
        """A contact's pin level before inversion: as told raw, else worked out from the value; None: not known."""
        if self.raw_level is not None:
            return self.raw_level
        if self.value is None or self.kind != "contact":
            return None
        return self.value ^ (self.detail.get("inv") == "1")

    def as_signed(self, value: int) -> int:
        """Return `value`, if this is an encoder, as a signed 16-bit count."""
        return signed16(value) if self.kind == "encoder" and value & 0x8000 else value

    def nothing_wanted(self) -> None:
        """Take that what the link made of this output by itself has ended, through dark, a reset or a lost port."""
        self.blinking = False
        self.wanted = None
        self.held = ""

    def moved(self, value: int, at_us: int, clock_us: int) -> None:
        """Take a change that the board reported."""
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
        """Take a value read back: a change that was missed counts as one, a first value does not."""
        if value != self.value:
            self.changes += self.value is not None
            self.value = value
            self.at_us = at_us
            self.clock_us = 0
        self.ghost = False
        self.span(self.as_signed(value))

    def span(self, value: int) -> None:
        """Widen the least and greatest seen to hold `value`."""
        if self.least is None or self.greatest is None:
            self.least = self.greatest = value
        elif value < self.least:
            self.least = value
        elif value > self.greatest:
            self.greatest = value

    def forget(self) -> None:
        """Take that the board restarted or its description changed: the value is not known, the counts stay."""
        self.value = None
        self.raw_on = False
        self.raw_level = None
        self.ghost = False

    def as_json(self) -> dict[str, Any]:
        """Return every field that has changed from its first value, for keyframes and comparison."""
        told = {name: value for name in _NAMES if (value := getattr(self, name)) != getattr(_AT_FIRST, name)}
        return {"id": self.id} | told

    @classmethod
    def from_json(cls, told: dict[str, Any]) -> ChannelState:
        """Return the channel that `as_json` gave `told`; fields that are missing keep their first value.

        Raises `ValueError`, `KeyError` or `TypeError` for what is no such table.
        """
        channel = cls(given(told["id"], ""))
        for name in _NAMES:
            if name in told:
                setattr(channel, name, given(told[name], getattr(_AT_FIRST, name)))
        return channel


_AT_FIRST = ChannelState("")
"""What a channel's fields hold before anything is known."""
_NAMES = tuple(each.name for each in fields(ChannelState) if each.name != "id")
