"""Values of options that several commands take."""

from __future__ import annotations

import argparse

from benchcon.text import printable

LONGEST_S = 10_000_000.0
"""Nearly four months: whoever wants more leaves the option out."""


def seconds(text: str) -> float:
    """Read a number of seconds above 0, as argparse calls it."""
    return _number(text, LONGEST_S, "seconds")


def minutes(text: str) -> float:
    """Read a number of minutes above 0, as argparse calls it."""
    return _number(text, LONGEST_S / 60, "minutes")


def _number(text: str, most: float, unit: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number <= most:  # not a number is neither
        raise argparse.ArgumentTypeError(f"'{printable(text[:40])}' is not a number of {unit} above 0")
    return number
