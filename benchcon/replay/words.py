"""Quantities on a command line."""

from __future__ import annotations

from benchcon.errors import Trouble
from benchcon.units import quantity
from benchcon.wire.printable import printable


def option_time(option: str, text: str, *, signed: bool = False) -> int:
    """Return the time that an option gives, in microseconds. Raises `Trouble` that names the option."""
    return int(option_quantity(option, text, "us", signed=signed))


def option_quantity(option: str, text: str, unit: str, *, signed: bool = False) -> float:
    """Return the quantity that an option gives, in `unit`. Raises `Trouble` that names the option."""
    try:
        found = quantity(text, unit)
    except ValueError as error:
        raise Trouble(f"{option}: '{printable(text)}' {error}") from None
    if found < 0 and not signed:
        raise Trouble(f"{option}: '{printable(text)}' must not be below 0")
    return found
