"""Moments in a capture: its marks, and times as they are typed."""

from __future__ import annotations

import re
from collections.abc import Iterable

from benchcon.errors import Trouble
from benchcon.text import printable


def time_of(text: str) -> int:
    """Return in µs the time that ``90``, ``1:30``, ``0:01:30.250`` or ``250 ms`` names. Raises `Trouble` for others."""
    short = re.fullmatch(r"\s*([\d.]+)\s*(ms|s|min)\s*", text)
    try:
        if short:
            return round(float(short[1]) * {"ms": 1e3, "s": 1e6, "min": 60e6}[short[2]])
        parts = [float(part) for part in text.strip().split(":")]
        if not 1 <= len(parts) <= 3 or any(part < 0 for part in parts):
            raise ValueError
        seconds = 0.0
        for part in parts:
            seconds = 60 * seconds + part
        return round(min(seconds, 1e12) * 1e6)
    except ValueError:
        raise Trouble(f"“{printable(text)}” is not a time; write it like 90, 1:30, 0:01:30.250 or 250 ms") from None


def marks_of(notes: Iterable[tuple[int, str]]) -> list[tuple[int, str]]:
    """Return times and texts from notes (``KIND text``); words about a mark are at the time of the mark itself."""
    found: list[tuple[int, str]] = []
    by_number: dict[str, int] = {}
    for at_us, body in notes:
        kind, _, text = body.partition(" ")
        number, colon, _ = text.partition(":")
        if kind == "word" and colon and number in by_number:
            found[by_number[number]] = found[by_number[number]][0], f"mark {text}"
            continue
        if kind == "mark":
            by_number[text] = len(found)
        found.append((at_us, body))
    return found
