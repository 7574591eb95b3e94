"""Fields of a keyframe that anybody may have written: accepted if of the right type and not too large."""

from __future__ import annotations

from typing import Any

LONGEST = 1000
"""Most characters of a text, and entries of a table, that are accepted."""
GREATEST = 1 << 64


def given(value: Any, first: Any) -> Any:
    """Return `value` if it is of the type of `first`, the field's default; a default of None allows None or a number.

    Raises `ValueError` if it is not.
    """
    if first is None:
        fits = value is None or _number(value)
    elif isinstance(first, bool):
        fits = isinstance(value, bool)
    elif isinstance(first, int):
        fits = _number(value)
    elif isinstance(first, str):
        fits = _text(value)
    else:
        fits = isinstance(value, dict) and len(value) < LONGEST and all(_text(each) for each in value.values())
    if not fits:
        raise ValueError("a field of the keyframe is of another type")
    return value


def _number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and -GREATEST < value < GREATEST


def _text(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST
