"""Values of options that several commands take."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence

from benchcon.cli.port_name import port_name
from benchcon.errors import Trouble
from benchcon.text import printable

LONGEST_S = 10_000_000.0
"""Longest time that can be given, nearly four months; for more, leave the option out."""


def ports_argument(parser: argparse.ArgumentParser) -> None:
    """Add ``PORT…``: the ports of a bench, or nothing for the remembered ones."""
    parser.add_argument(
        "ports",
        nargs="*",
        type=port_name,
        metavar="PORT",
        help="device path or socket://host:port; without one, the remembered ports",
    )


def hand_option(parser: argparse.ArgumentParser, more: str) -> None:
    """Add ``--hand HAND``, which may be given once per board. `more`: what its help says about this command."""
    parser.add_argument(
        "--hand",
        metavar="HAND",
        action="append",
        default=[],
        help="hand that moves the controls of a simulated board, such as tcp:127.0.0.1:40122:WORD; once per board; "
        + more,
    )


def ignore_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--ignore CHANNEL``, for commands that compare."""
    parser.add_argument(
        "--ignore",
        metavar="CHANNEL",
        action="append",
        default=[],
        help="leave this channel out, such as 'met.*'; may be repeated",
    )


def ending_of(path: str, allowed: Sequence[str]) -> str:
    """Return the ending of a file to write, in small letters. Raises `Trouble` if it is none of those `allowed`."""
    ending = os.path.splitext(path)[1].lower()
    if ending not in allowed:
        raise Trouble(f"{printable(path)} does not end in any of {', '.join(allowed)}; the ending chooses the format")
    return ending


def seconds(text: str) -> float:
    """Return a number of seconds above 0, as an argparse type. Raises `ArgumentTypeError`."""
    return _number(text, LONGEST_S, "seconds")


def minutes(text: str) -> float:
    """Return a number of minutes above 0, as an argparse type. Raises `ArgumentTypeError`."""
    return _number(text, LONGEST_S / 60, "minutes")


def _number(text: str, most: float, unit: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number <= most:  # NaN fails both comparisons
        raise argparse.ArgumentTypeError(f"'{printable(text[:40])}' is not a number of {unit} above 0")
    return number
