"""Reads the positions of buttons and switches from a panel file, and the channel values (the code) of each position."""

from __future__ import annotations

from benchcon.panel.reader import TomlTable, shown
from benchcon.text import counted, near

Codes = tuple[tuple[int, ...], ...]
Positions = tuple[tuple[str, ...], Codes, tuple[int, ...]]
"""The words for the positions; for each its code; the indexes (from 0) of those that spring back."""


def positions_of(table: TomlTable, kind: str, channels: int) -> Positions:
    """Read `positions`, `code` and `springs_back` of a control of `kind` with this many channels.

    What is wrong is noted in `table`, and the default stands in for it.
    """
    if kind not in ("button", "switch"):
        return (), (), ()
    usual = ("released", "pressed") if kind == "button" else ("off", "on")
    positions = table.texts("positions", longest=16) or usual
    if table.misspells("positions"):
        # The other keys depend on the positions, so they are checked once these are right.
        table.asked |= {"code", "springs_back", "begins"}
        return usual, (), ()
    if len(positions) < 2 or len(set(positions)) < len(positions):
        table.say("positions", f"are {shown(list(positions))}; two or more different words are needed")
    if kind == "button" and len(positions) != 2:
        table.say("positions", f"are {len(positions)}; a button has two, released first")
    codes = _codes(table, positions, channels)
    spring: tuple[int, ...] = (1,) if kind == "button" else ()
    if kind == "switch":
        back = table.texts("springs_back", such_as='["down"]') or ()
        for index, word in enumerate(back):
            if word not in positions:
                table.source.say(
                    (*table.path, "springs_back", index),
                    f'is "{word}"; allowed: {", ".join(positions)}{near(word, positions)}',
                )
        spring = tuple(i for i, word in enumerate(positions) if word in back)
        if len(spring) == len(positions):
            table.say("springs_back", "names every position; at least one must stay where it is put")
    return positions, codes, spring


def _codes(table: TomlTable, positions: tuple[str, ...], count: int) -> Codes:
    value = table.get("code")
    several = len(positions)
    if not count:
        return ()  # there is a finding about the channels already
    if value is None:
        if count == 1:
            return tuple((i,) for i in range(several))
        if count == several:
            return one_of(several)
        table.lacks(
            f"has {several} positions on {count} channels and no code: write code = "
            f'"gray", "binary" or a list with the channels\' values for each position, such as {_code_example(count)}',
            "code",
        )
        return ()
    if isinstance(value, str):
        if value in ("gray", "binary") and several <= 2**count:
            return gray(several, count) if value == "gray" else binary(several, count)
        if value == "one of" and count == several:
            return one_of(several)
        if value in _CODES:
            most = count if value == "one of" else 2**count
            fits = f"it fits {'' if value == 'one of' else 'up to '}{most} positions on {counted(count, 'channel')}"
            table.say("code", f"is {shown(value)}, and there are {several} positions; {fits}")
        else:
            allowed = f"{', '.join(_CODES)}, or a list"
            table.say("code", f"is {shown(value)}, which is unknown; allowed: {allowed}{near(value, _CODES)}")
        return ()
    most = 15 if count == 1 else 1
    if (
        isinstance(value, list)
        and len(value) == several
        and all(
            isinstance(row, list) and len(row) == count and all(type(v) is int and 0 <= v <= most for v in row)
            for row in value
        )
    ):
        codes = tuple(tuple(row) for row in value)
        _judge(table, codes, positions, count)
        return codes
    table.say(
        "code",
        f"does not cover the positions; {several} rows of {counted(count, 'value')} (0 or 1) are allowed, "
        f"such as {_code_example(count)}, first for {shown(positions[0])}",
    )
    return ()


_CODES = ("one of", "gray", "binary")


def _code_example(count: int) -> str:
    return "[" + ", ".join(str([int(i == k) for i in range(count)]) for k in range(2)) + ", …]"


def _judge(table: TomlTable, codes: Codes, positions: tuple[str, ...], count: int) -> None:
    seen: dict[tuple[int, ...], int] = {}
    for index, code in enumerate(codes):
        if code in seen:
            table.source.say(
                (*table.path, "code", index),
                f'is {shown(list(code))} for "{positions[index]}", and for "{positions[seen[code]]}" already; '
                "each position needs a code of its own",
            )
        seen.setdefault(code, index)
    for column in range(count):
        if len({code[column] for code in codes}) == 1:
            table.say(
                "code", f"gives channel {column + 1} the same value in every position; so it distinguishes nothing"
            )


def one_of(count: int) -> Codes:
    """Return the one-of-n code for `count` contacts: in each position exactly one of them is made."""
    return tuple(tuple(int(i == k) for i in range(count)) for k in range(count))


def binary(positions: int, count: int) -> Codes:
    """Return the numbers from 0 in binary, one for each position; the first channel is the most significant bit."""
    return tuple(tuple(k >> (count - 1 - i) & 1 for i in range(count)) for k in range(positions))


def gray(positions: int, count: int) -> Codes:
    """Return the reflected Gray code, one number for each position; the first channel is the most significant bit.

    Exactly one contact changes from one position to the next.
    """
    return tuple(tuple((k ^ k >> 1) >> (count - 1 - i) & 1 for i in range(count)) for k in range(positions))
