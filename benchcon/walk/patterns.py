"""The fewest pictures that reveal every single flaw of a display that looking at it can reveal.

Within one digit, each of the eight segments (A to G and the point) must be lit in at least one picture, or a dead one
would not be seen, and dark in at least one, or a stuck one would not. No two may be lit in exactly the same pictures,
or a swap of their wires would not be seen. So each segment has its own word of T bits for T pictures, neither all 0 nor
all 1. There are 2^T − 2 such words and eight are needed, so T is at least 4, for any number of digits. Four are enough:
`WORDS` has all six words with two bits set and two with one. From digit to digit the words move on by one segment, so
that no two digits show the same in all pictures, and swapped digits are seen as well.
"""

from __future__ import annotations

from collections.abc import Iterator

PICTURES = 4
"""Number of looks that a display needs."""

WORDS = (0b0011, 0b0101, 0b1001, 0b0110, 0b1010, 0b1100, 0b0001, 0b1000)
"""For each segment of the first digit, G (bit 0) to the point (bit 7): the pictures in which it is lit."""


def pictures(digits: int) -> list[bytes]:
    """Return the four pictures for a display of 1 to 8 digits, leftmost digit first."""
    return [bytes(_digit(digit, number) for digit in range(digits)) for number in range(PICTURES)]


def _digit(digit: int, picture: int) -> int:
    return sum((WORDS[(bit + digit) % 8] >> picture & 1) << bit for bit in range(8))


def within(digits: int, segment_ma: float, budget_ma: float) -> list[bytes]:
    """Return pictures that each draw at most `budget_ma`; if all digits at once are too much, with some at a time.

    A single digit is never divided: if one digit exceeds the budget, the display cannot be tested.
    """
    whole = pictures(digits)
    for at_once in range(digits, 0, -1):
        groups = [range(start, min(start + at_once, digits)) for start in range(0, digits, at_once)]
        out = [bytes(byte if digit in group else 0 for digit, byte in enumerate(p)) for group in groups for p in whole]
        if at_once == 1 or all(lit(picture) * segment_ma <= budget_ma for picture in out):
            return out
    return whole


def one_by_one(digits: int, segment_ma: float, budget_ma: float) -> list[bytes]:
    """Return pictures for a display that looked wrong: each segment alone in all digits, then each digit alone.

    Segments go from A to the point; digits from the left, with all segments. Pictures above `budget_ma` are left out.
    """
    segments = [bytes([0x40 >> n if n < 7 else 0x80]) * digits for n in range(8)]
    whole = [bytes(0xFF if digit == n else 0 for digit in range(digits)) for n in range(digits)] if digits > 1 else []
    return [picture for picture in (*segments, *whole) if lit(picture) * segment_ma <= budget_ma]


def lit(picture: bytes) -> int:
    """Return the number of segments that `picture` lights."""
    return sum(byte.bit_count() for byte in picture)


def single_flaws(digits: int) -> Iterator[tuple[str, tuple[int, ...], tuple[int, ...]]]:
    """Yield every single flaw that the pictures reveal: its kind, segments by bit, and digits (empty: all).

    The kinds are those of `benchcon.diagnosis.segments.Flaw`: dead and stuck cells, segment wires and digits, wires
    swapped or touching in all digits or in one, two digits swapped.
    """
    every = [(p,) for p in range(digits)] if digits > 1 else []
    for kind in ("dead", "stuck"):
        yield kind, (), ()
        yield from ((kind, (), digit) for digit in every)
        for bit in range(8):
            yield kind, (bit,), ()
            yield from ((kind, (bit,), digit) for digit in every)
    for kind in ("swap", "together"):
        for a in range(8):
            for b in range(a + 1, 8):
                yield kind, (a, b), ()
                yield from ((kind, (a, b), digit) for digit in every)
    for p in range(digits):
        for q in range(p + 1, digits):
            order = list(range(digits))
            order[p], order[q] = q, p
            yield "digits", (), tuple(order)
