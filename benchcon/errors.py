"""The one kind of error a user is meant to read."""

from __future__ import annotations

import os

from benchcon.text import printable

TRACEBACK = "BENCHCON_TRACEBACK"
"""Variable of the environment with which the traceback of an unexpected error is let through, for contributors."""


def wants_traceback() -> bool:
    """Return whether an unexpected error is to be shown with its traceback."""
    return bool(os.environ.get(TRACEBACK))


class Trouble(Exception):
    """Something could not be done; `str()` is one clear line: what is wrong, where, what to do.

    Whatever control codes are in the message are made printable here, line ends aside; pass text from boards, captures
    or files through `benchcon.text.printable` first all the same, so that it adds no lines.
    """

    def __init__(self, message: str = "") -> None:
        super().__init__("\n".join(printable(line) for line in message.split("\n")))
