"""One output of a board, and the wishes that wait for it: the rows of the table in `benchcon.link.outputs`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

from benchcon.link import limits
from benchcon.link.limits import Flash
from benchcon.wire.items import Item, digits_in


class HeldBack(NamedTuple):
    """An output was held back."""

    channel: str
    why: str
    """``flash``, ``current``, ``wink`` or ``no answer``."""
    times: int
    """How many values of this output, since this was last told."""
    value: str
    """The value that waits now, as on the wire; empty if none waits any more."""


class Wish:
    """Values that were asked for together, until all of them are answered for."""

    __slots__ = ("left", "outcome", "token")

    def __init__(self, token: Any, channels: Iterable[str]) -> None:
        self.token = token
        self.left = set(channels)
        self.outcome: Any = None
        """The outcome of the first that went wrong, else of the last; None while none is answered."""


class WishDone(NamedTuple):
    """A wish is answered for. `held` is why, if it is held back for who knows how long (`outcome` is None then)."""

    token: Any
    outcome: Any
    held: str


class Output:
    """One output: what it has, what is on its way, what is wanted."""

    __slots__ = (
        "at", "behind", "blinking", "digits", "dimmed", "flash", "held", "held_count", "held_why", "id", "kind",
        "known", "lit", "sent", "tell_us", "undone", "unheard_us", "wanted", "wishes",
    )  # fmt: skip

    def __init__(self, channel: str, item: Item | None) -> None:
        self.id = channel
        self.kind = item.kind if item else ""
        self.known = item is not None and item.is_output
        self.dimmed = item is not None and item.detail.get("dim") == "1"
        self.digits = digits_in(item.detail) if item else 1
        swing = 1
        if self.kind == "display":
            swing = limits.DISPLAY_SWING
        elif self.kind == "lamp" and self.dimmed:
            swing = limits.DIMMED_SWING
        self.flash = Flash(swing)
        self.at = 0
        """The value the board has, as far as is known."""
        self.sent: int | None = None
        """The value on its way."""
        self.wanted: int | None = None
        self.lit = 0
        """The last value that was not dark: what blinking shows."""
        self.blinking = False
        self.undone = False
        """Everything went off while `sent` was on its way: should it come through all the same, it is off again."""
        self.wishes: list[Wish] = []
        """Waiting for `wanted`."""
        self.behind: list[Wish] = []
        """Waiting for `sent`."""
        self.held = ""
        """Why the value that is wanted does not go."""
        self.unheard_us: int | None = None
        """Since when somebody waits for a value that is held because the board does not answer."""
        self.held_why = ""
        self.held_count = 0
        """Values held back since that was last told, for `held_why`."""
        self.tell_us = 0
        """When that may be reported again."""

    @property
    def nature(self) -> tuple[str, bool, int]:
        return self.kind, self.dimmed, self.digits

    def height(self, value: int) -> int:
        if self.kind == "display":
            return limits.display_height(value, self.digits)
        return limits.lamp_height(value, self.flash.swing)

    def word(self, value: int) -> str:
        return f"{self.id}={self.on_wire(value)}"

    def on_wire(self, value: int) -> str:
        width = 2 * self.digits if self.kind == "display" else 3
        return f"{value:0{width}X}"
