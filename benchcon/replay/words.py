"""Reading quantities from a command line."""

from __future__ import annotations

from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.units import quantity


def option_time(option: str, text: str, *, signed: bool = False, example: str = "2 s") -> int:
    """Return the time that an option gives, in microseconds. Raises `Trouble` that names the option."""
    return int(option_quantity(option, text, "us", signed=signed, example=example))


def option_quantity(option: str, text: str, unit: str, *, signed: bool = False, example: str = "") -> float:
    """Return the quantity that an option gives, in `unit`. Raises `Trouble` that names the option.

    `example` is a quantity that fits the option, for the message if `text` is not one.
    """
    try:
        found = quantity(text, unit, _with_number(text, example))
    except ValueError as error:
        raise Trouble(f"{option}: '{printable(text)}' {error}") from None
    if found < 0 and not signed:
        raise Trouble(f"{option}: '{printable(text)}' must not be below 0")
    return found


def _with_number(text: str, example: str) -> str:
    """Return the example with the user's number, if that only lacks a unit; else the example."""
    _, _, unit = example.partition(" ")
    return f"{text.strip()} {unit}" if text.strip().isdecimal() and len(text) < 10 else example
