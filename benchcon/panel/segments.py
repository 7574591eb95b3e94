"""Seven-segment figures: text and numbers to segments and back. 80h is the point, 40h A … 01h G; 1 is lit."""

from __future__ import annotations


def places_of_format(form: str) -> int:
    """Return how many places the format `form` (``000``, ``0000.0``) fills.

    Raises ValueError with a sentence that says what is allowed.
    """
    whole, point, part = form.partition(".")
    if not whole or set(whole + part) - {"0"} or (point and not part):
        raise ValueError('is no format; noughts with at most one point between are allowed, such as "000" or "0000.0"')
    return len(whole) + len(part)
