"""The decorators with which a rule names what it drives.

They return the function unchanged: `benchcon.rehearse.rules_file` reads the names from the file's text, so that a file
can be checked without running it, and what was checked is what runs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

Rule = TypeVar("Rule", bound=Callable[..., Any])


def lamp(*names: str) -> Callable[[Rule], Rule]:
    """Mark a rule that drives these lamps of the panel.

    It returns True (on), False (off), a lightness from 0 to 1, or None (no data: off). For several lamps it returns
    one value for all, or a tuple with one for each.
    """
    return _as_it_is


def display(
    *names: str, format: str = "", convert: tuple[str, str] | None = None, scale: float = 1
) -> Callable[[Rule], Rule]:
    """Mark a rule that drives these displays of the panel.

    It returns a number, text, or None (no data: bars). A number is multiplied by `scale`, converted from one unit to
    the other of `convert`, and written by `format` in Python's format language (``"07.2f"``); without one, by the
    display's own format in the panel file. A comma in what is shown becomes a point.
    """
    return _as_it_is


def derived(name: str) -> Callable[[Rule], Rule]:
    """Mark a function that works out a quantity which other rules then take as a parameter of this name."""
    return _as_it_is


def _as_it_is(rule: Rule) -> Rule:
    return rule
