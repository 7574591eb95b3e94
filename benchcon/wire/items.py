"""How a board describes itself: its items, as typed tuples, and the width of each kind of value.

See sections 5 and 6 of `protocols/line-protocol.md`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from benchcon.text import printable
from benchcon.wire.codec import LINE_MOST
from benchcon.wire.quote import quote, unquoted_pairs

INPUTS = ("contact", "selector", "encoder", "pot")
"""Kinds of channel that a person's hand moves."""
OUTPUTS = ("lamp", "display")
"""Kinds of channel that `set` changes."""
CHANNELS = (*INPUTS, *OUTPUTS)
"""All kinds of channel."""
FORMER = {"digits": "display"}
"""Kinds that early firmware names, and what the protocol calls them now."""
ABOUT = ("board", "model", "firmware", "clock")
"""Kinds of item that are not a channel and have no id."""
NAME_MOST = 24
"""Most bytes of a board's name as it is written on the wire (section 2)."""
SIMULATED_FIRMWARE = "benchcon simulated board"
"""What simulated boards give as their firmware."""
_LEFT_OUT = ("colour", "pin")
"""Details that are left out whole where a line has no room, in this order: half a pin would be another pin."""


def signed16(count: int) -> int:
    """Return an encoder's 16-bit count as a signed number, -32768 to 32767.

    Given the difference of two counts, it returns the distance between them the short way round.
    """
    return (count + 0x8000) % 0x10000 - 0x8000


def detail_number(detail: Mapping[str, str], key: str, default: int = 0) -> int:
    """Return the detail `key` of a description as a number (hex on the wire); `default` if missing or not a number."""
    text = detail.get(key, "")
    try:
        return int(text, 16) if len(text) <= 8 and text.isalnum() else default
    except ValueError:
        return default


def digits_in(detail: Mapping[str, str], unknown: int = 1) -> int:
    """Return how many digits a display has by its description, 1 to 8; `unknown` if that does not say."""
    digits = detail_number(detail, "digits", -1)
    return min(max(digits, 1), 8) if digits >= 0 else unknown


def counts_per_detent(detail: Mapping[str, str]) -> int:
    """Return how many counts an encoder makes from one detent to the next by its description, 1 to 15; 4 if unknown."""
    return min(15, max(1, detail_number(detail, "det", 4)))


def positions_in(detail: Mapping[str, str]) -> int:
    """Return how many positions a selector has by its description, 2 to 15; 2 if unknown."""
    return min(15, max(2, detail_number(detail, "pos", 2)))


def top_in(detail: Mapping[str, str]) -> int:
    """Return the highest reading of a potentiometer by its description; 1023, of a converter of 10 bits, if unknown."""
    return min(0xFFFF, max(1, detail_number(detail, "top", 1023)))


class Item(NamedTuple):
    """One item of a board's description."""

    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody needs here
    """Place in the description, 0 to 254."""
    kind: str
    """``contact``, ``lamp``, ``board`` …, or a word that this program does not know."""
    id: str
    """The channel's id; empty if this is not a channel."""
    detail: dict[str, str]
    """The ``key=text`` words, unquoted. The text comes from a stranger: make it printable before you show it."""

    @property
    def is_channel(self) -> bool:
        """Whether this is an input or an output."""
        return self.id != ""

    @property
    def is_output(self) -> bool:
        """Whether this is a channel that `set` can change."""
        return self.kind in OUTPUTS

    def number(self, key: str, default: int = 0) -> int:
        """Return the detail `key` as a number (hex on the wire), or `default` if it is missing or not a number."""
        return detail_number(self.detail, key, default)

    @property
    def width(self) -> int:
        """How many hex digits a value of this channel has on the wire; 0 if not known (or not a channel)."""
        if self.kind in ("contact", "selector"):
            return 1
        if self.kind in ("encoder", "pot"):
            return 4
        if self.kind == "lamp":
            return 3
        if self.kind == "display":
            return 2 * digits_in(self.detail)
        return 0

    @property
    def most(self) -> int:
        """Greatest value of this channel; 0 if not known (or not a channel)."""
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
    """Return the words that follow the index in the answer to ``item``, such as ``contact sw1 pin=D4``."""
    head = (item.kind, item.id) if item.id else (item.kind,)
    return (*head, *(f"{key}={quote(text)}" for key, text in item.detail.items()))


def item_of(words: Sequence[str]) -> Item | None:
    """Return the item in an answer's words ``("item", "05", "contact", "sw1", …)``, or None if there is none."""
    if len(words) < 3 or words[0] != "item":
        return None
    try:
        index = int(words[1], 16)
    except ValueError:
        return None
    rest = list(words[3:])
    id_ = rest.pop(0) if rest and words[2] not in ABOUT and "=" not in rest[0] else ""
    return Item(index, words[2], id_, unquoted_pairs(rest))


def former_kinds(items: Iterable[Item]) -> str:
    """Return one line that names a channel described by a kind of `FORMER`; empty if there is none."""
    for item in items:
        if item.kind in FORMER and item.id:
            return (
                f"describes '{printable(item.id)}' as '{item.kind}', which the protocol calls '{FORMER[item.kind]}' "
                "now: it is ignored until the board has current firmware"
            )
    return ""


def items(*described: tuple[str, str, dict[str, str]]) -> tuple[Item, ...]:
    """Return `described` (kind, id, detail) numbered from 0: a whole description, for boards made by a program."""
    return tuple(Item(index, kind, id_, detail) for index, (kind, id_, detail) in enumerate(described))


def quoted_name(name: str) -> str:
    """Return a board's `name` as it goes on the wire, cut to the length that a board keeps."""
    return quote(fitting(Item(0, "board", "", {"name": name})).detail["name"])


def fitting(item: Item) -> Item:
    """Return `item` cut to fit in one line; firmware and simulated boards are both held to this.

    The text for people (a board's name, a model's text, a label) loses as many characters as necessary. If that is not
    enough, colour and then pin are left out whole.
    """
    detail = dict(item.detail)
    key = "name" if item.kind == "board" else "text" if item.kind == "model" else "label"
    while detail.get(key) and (_length(item, detail) > LINE_MOST or len(quote(detail[key])) > _word_most(key)):
        detail[key] = detail[key][:-1]
    if key == "label" and not detail.get(key):
        detail.pop(key, None)
    for less in _LEFT_OUT:
        if _length(item, detail) > LINE_MOST:
            detail.pop(less, None)
    return item._replace(detail=detail)


def _length(item: Item, detail: dict[str, str]) -> int:
    return len("<00 item 00 " + " ".join(item_words(item._replace(detail=detail))) + " #0000")


def _word_most(key: str) -> int:
    return NAME_MOST if key == "name" else LINE_MOST
