"""Fields of a keyframe, as a stranger may have written them: of the right type and of bearable size, or refused."""

from __future__ import annotations

from typing import Any

LONGEST = 1000
"""Characters of a text that is taken."""
GREATEST = 1 << 64


def given(value: Any, first: Any) -> Any:
    """Return `value` if it is of the sort of `first`, what the field begins as; None stands for a number or nothing.

    Raises `ValueError` if it is not: then the keyframe is none of ours.
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
        raise ValueError("a field of the keyframe is of another sort")
    return value


def _number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and -GREATEST < value < GREATEST


def _text(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST
