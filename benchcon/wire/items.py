"""What a board says of itself: its items, as typed tuples, and the width of each kind of value.

Section 5 and 6 of `protocols/line-protocol.md`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from benchcon.wire.quote import quote, unquote

INPUTS = ("contact", "selector", "encoder", "pot")
"""Kinds of channel that a hand moves."""
OUTPUTS = ("lamp", "digits")
"""Kinds of channel that `set` changes."""
ABOUT = ("board", "model", "firmware", "clock")
"""Kinds of item that are no channel and have no id."""


class Item(NamedTuple):
    """One item of a board's description."""

    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody needs here
    """Place in the description, 0 to 254."""
    kind: str
    """``contact``, ``lamp``, ``board`` …, or a word that this program does not know."""
    id: str
    """The channel's id; empty for what is no channel."""
    detail: dict[str, str]
    """The ``key=text`` words, unquoted: text from a stranger, make it printable before showing it."""

    @property
    def is_channel(self) -> bool:
        """Whether this is an input or an output."""
        return self.id != ""

    @property
    def is_output(self) -> bool:
        """Whether `set` may name it."""
        return self.kind in OUTPUTS

    def number(self, key: str, default: int = 0) -> int:
        """Return the detail `key` as a number (hex on the wire), or `default` if it is missing or no number."""
        text = self.detail.get(key, "")
        try:
            return int(text, 16) if len(text) <= 8 and text.isalnum() else default
        except ValueError:
            return default

    @property
    def width(self) -> int:
        """Hex digits of a value of this channel on the wire; 0 if not known (or no channel)."""
        if self.kind in ("contact", "selector"):
            return 1
        if self.kind in ("encoder", "pot"):
            return 4
        if self.kind == "lamp":
            return 3
        if self.kind == "digits":
            return 2 * min(max(self.number("places", 1), 1), 8)
        return 0

    @property
    def most(self) -> int:
        """Greatest value of this channel; 0 if not known (or no channel)."""
        if self.kind == "contact":
            return 1
        if self.kind == "selector":
            return max(self.number("pos", 16) - 1, 0)
        if self.kind == "pot":
            return self.number("top", 0xFFFF)
        if self.kind == "lamp":
            return 1000
        return int(16**self.width) - 1


def item_words(item: Item) -> tuple[str, ...]:
    """Return the words of the answer to ``item`` that come after the index, such as ``contact sw1 pin=D4``."""
    head = (item.kind, item.id) if item.id else (item.kind,)
    return (*head, *(f"{key}={quote(text)}" for key, text in item.detail.items()))


def item_of(words: Sequence[str]) -> Item | None:
    """Return the item in an answer's words ``("item", "05", "contact", "sw1", …)``, or None if they hold none."""
    if len(words) < 3 or words[0] != "item":
        return None
    try:
        index = int(words[1], 16)
    except ValueError:
        return None
    rest = list(words[3:])
    id_ = rest.pop(0) if rest and words[2] not in ABOUT and "=" not in rest[0] else ""
    detail = {}
    for word in rest:
        key, equals, text = word.partition("=")
        if equals:
            detail[key] = unquote(text)
    return Item(index, words[2], id_, detail)


def items(*described: tuple[str, str, dict[str, str]]) -> tuple[Item, ...]:
    """Number `described` (kind, id, detail) from 0: a whole description, for boards made in a program."""
    return tuple(Item(index, kind, id_, detail) for index, (kind, id_, detail) in enumerate(described))
