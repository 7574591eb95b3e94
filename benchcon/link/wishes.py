"""One output of a board, and the wishes that wait for it; see the table in `benchcon.link.outputs`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

from benchcon.link import limits
from benchcon.link.limits import Flash
from benchcon.wire.items import Item, digits_in


class HeldBack(NamedTuple):
    """Values of an output were held back."""

    channel: str
    why: str
    """``flash``, ``current``, ``wink`` or ``no answer``."""
    times: int
    """How many values of this output were held back since the last report."""
    value: str
    """The value that waits now, as on the wire; empty if none waits any more."""


class Wish:
    """Values that were asked for together; done when each is answered, or reported as held back."""

    __slots__ = ("left", "outcome", "token")

    def __init__(self, token: Any, channels: Iterable[str]) -> None:
        self.token = token
        self.left = set(channels)
        self.outcome: Any = None
        """The outcome of the last one that failed, or else of the first answered; None while none is answered."""


class WishDone(NamedTuple):
    """A wish that is done. `held` says why if it is held back for an unknown time; `outcome` is then None."""

    token: Any
    outcome: Any
    held: str


class Output:
    """One output: the value it has, the one on its way, the one wanted."""

    __slots__ = (
        "at", "behind", "blinking", "digits", "dimmed", "draws_ma", "flash", "held", "held_count", "held_why", "id",
        "kind", "known", "lit", "sent", "tell_us", "undone", "unheard_us", "wanted", "wishes",
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
        """The value that the output has, as far as is known."""
        self.draws_ma = 0.0
        """What it draws at most, in mA."""
        self.sent: int | None = None
        """The value on its way; None if there is none."""
        self.wanted: int | None = None
        self.lit = 0
        """The last value that was not 0; blinking shows it."""
        self.blinking = False
        self.undone = False
        """Whether everything went off while `sent` was on its way; if that is set after all, it is switched off."""
        self.wishes: list[Wish] = []
        """Wishes that wait for `wanted`."""
        self.behind: list[Wish] = []
        """Wishes that wait for `sent`."""
        self.held = ""
        """Why the wanted value is held back; empty if it is not."""
        self.unheard_us: int | None = None
        """Since when somebody waits for a value that is held because the board does not answer."""
        self.held_why = ""
        self.held_count = 0
        """How many values were held back, for `held_why`, since the last report."""
        self.tell_us = 0
        """When the next such report may be made."""

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
