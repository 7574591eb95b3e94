"""What a board answers to each request: sections 4 and 8 of `protocols/line-protocol.md`. See `benchcon.wire.board`."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING

from benchcon.wire.codec import LINE_MOST, answer
from benchcon.wire.items import NAME_MOST, Item, item_words
from benchcon.wire.quote import unquote

if TYPE_CHECKING:
    from benchcon.wire.board import BoardSide

ALIVE_LEAST_MS, ALIVE_MOST_MS = 100, 10_000
HAND_RAW_MOST = LINE_MOST - len("<00 raw ") - len(" #XXXX")
"""Bytes of the arguments of `raw` that an answer can repeat: typed by hand they may be longer."""

_IDENT = re.compile(r"[a-z][a-z0-9_]{0,15}")
_DIGITS = re.compile("[0-9A-F]+")
_HEX = {width: re.compile(rf"[0-9A-F]{{{width}}}") for width in (1, 2, 4, 8)}
_TEXT = re.compile(r"(?:[\x22\x24\x26-\x3B\x3F\x41-\x7E]|%[0-9A-F]{2})+")

_WHY = {
    1: "unknown word",
    2: "arguments",
    3: "no such channel",
    4: "this channel cannot do that",
    5: "value out of range",
    6: "dark is on",
    7: "busy",
    8: "left out of this firmware",
    9: "no such item",
}

Words = tuple[str, ...]


def no(code: int) -> Words:
    """A refusal, with the document's words for it."""
    return ("no", f"{code:02X}", *_WHY[code].split(" "))


def check_item(item: Item) -> None:
    """Raise ValueError, saying which, if an item's answer would be no line."""
    try:
        answer(0, ("item", f"{item.index:02X}", *item_words(item)))
    except ValueError as error:
        raise ValueError(f"item {item.index:02X} ({item.kind} {item.id}): {error}") from None


def _hex(word: str, width: int) -> int | None:
    return int(word, 16) if _HEX[width].fullmatch(word) else None


def _hello(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    return ("hello", "01", f"{len(board.items):02X}", f"{board.buffer:04X}", f"{board.boot:04X}", board.ident)


def _item(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    index = _hex(arguments[0], 2) if len(arguments) == 1 else None
    if index is None:
        return no(2)
    if index >= len(board.items):
        return no(9)
    item = board.items[index]
    if item.kind == "board":
        item = item._replace(detail={**item.detail, "ident": board.ident, "name": unquote(board.name)})
    return ("item", f"{index:02X}", *item_words(item))


def _read(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    start = 0
    if not arguments:
        return no(2)
    if arguments[0] == "all":
        given = _hex(arguments[1], 2) if len(arguments) == 2 else 0 if len(arguments) == 1 else None
        if given is None:
            return no(2)
        if given and given >= len(board.items):
            return no(9)
        start = given
        chosen = [item for item in board.channels.values() if item.index >= start]
    else:
        if any(channel_id not in board.channels for channel_id in arguments):
            return no(3)
        chosen = [board.channels[channel_id] for channel_id in arguments]
    number = board.last_number
    words, going_on = [], 0
    # <TT read NNNN CCCCCCCC II … #XXXX: 25 and 6 bytes around the values.
    room = LINE_MOST - 25 - 6
    for item in chosen:
        word = f"{item.id}={board.values[item.id]:0{item.width}X}"
        if len(word) + 1 > room:
            if arguments[0] != "all":
                return no(2)
            going_on = item.index
            break
        room -= len(word) + 1
        words.append(word)
    clock = board.clock_us(now_us) & 0xFFFFFFFF
    return ("read", f"{number:04X}", f"{clock:08X}", f"{going_on:02X}", *words)


def _set(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if not arguments:
        return no(2)
    wanted: dict[str, int] = {}
    for argument in arguments:
        channel_id, mark, word = argument.partition("=")
        if not mark or not channel_id:
            return no(2)
        item = board.channels.get(channel_id)
        if item is None:
            return no(3)
        if not item.is_output:
            return no(4)
        if len(word) != item.width or not _DIGITS.fullmatch(word):
            return no(2)
        value = int(word, 16)
        if value > item.most:
            return no(5)
        wanted[channel_id] = value
    if board.dark:
        return no(6)
    changed = {channel_id: value for channel_id, value in wanted.items() if board.values[channel_id] != value}
    board.values.update(changed)
    if changed:
        board.on_outputs(changed, now_us)
    return ("set", board.stamp(now_us))


def _dark(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    board.dark = True
    board.outputs_off(now_us)
    return ("dark", board.stamp(now_us))


def _light(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    if board.local_dark:
        return no(6)
    board.dark = False
    return ("light", board.stamp(now_us))


def _deadman(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    ms = _hex(arguments[0], 4) if len(arguments) == 1 else None
    if ms is None:
        return no(2)
    board.deadman_ms = ms
    return ("deadman", arguments[0])


def _ping(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if len(arguments) != 2 or any(_hex(argument, 8) is None for argument in arguments):
        return no(2)
    return ("ping", board.stamp(now_us), board.stamp(now_us))


def _alive(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    ms = _hex(arguments[0], 4) if len(arguments) == 1 else None
    if ms is None:
        return no(2)
    if not ALIVE_LEAST_MS <= ms <= ALIVE_MOST_MS:
        return no(5)
    board.tell_alive_each(ms, now_us)
    return ("alive", arguments[0])


def _raw(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    wanted: dict[str, bool] = {}
    if not arguments or len(" ".join(arguments)) > HAND_RAW_MOST:
        return no(2)
    for argument in arguments:
        channel_id, mark, word = argument.partition("=")
        if not mark or not channel_id or word not in ("0", "1"):
            return no(2)
        item = board.channels.get(channel_id)
        if item is None:
            return no(3)
        if item.kind != "pot" and item.detail.get("raw") not in ("1", "2"):
            return no(4)
        wanted[channel_id] = word == "1"
    for channel_id, on in wanted.items():
        (board.raw.add if on else board.raw.discard)(channel_id)
    return ("raw", *arguments)


def _ident(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if len(arguments) != 1 or not _IDENT.fullmatch(arguments[0]):
        return no(2)
    board.ident = arguments[0]
    board.on_store("ident", board.ident)
    return ("ident", board.ident)


def _name(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if len(arguments) != 1 or not _TEXT.fullmatch(arguments[0]):
        return no(2)
    if len(arguments[0]) > NAME_MOST:
        return no(5)
    board.name = arguments[0]
    board.on_store("name", board.name)
    return ("name", board.name)


def _wink(board: BoardSide, arguments: list[str], now_us: int) -> Words:
    if arguments:
        return no(2)
    if board.dark and not board.own_light:
        return no(6)
    board.on_wink(now_us)
    return ("wink",)


HANDLERS: dict[str, Callable[[BoardSide, list[str], int], Words]] = {
    "hello": _hello,
    "item": _item,
    "read": _read,
    "set": _set,
    "dark": _dark,
    "light": _light,
    "deadman": _deadman,
    "ping": _ping,
    "alive": _alive,
    "raw": _raw,
    "ident": _ident,
    "name": _name,
    "wink": _wink,
}
"""Word of a request → what does it and gives the answer's words, from the arguments and the time."""
