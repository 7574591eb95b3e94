"""The one kind of error a user is meant to read."""

from __future__ import annotations


class Trouble(Exception):
    """Something could not be done; `str()` is one clear line: what is wrong, where, what to do.

    The message must be printable already: pass text from boards, captures or files through
    `benchcon.text.printable` first.
    """
