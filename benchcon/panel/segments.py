"""Seven-segment characters: text and numbers to segments and back.

A digit is one byte, a set bit is lit: 80h is the point, then 40h A (top), 20h B, 10h C, 08h D (bottom), 04h E, 02h F,
01h G (middle), as the MAX7219/MAX7221 data sheet numbers them in its table 6. Numerals and the letters E, H, L, P are
from that sheet's code B font (table 5); the other letters are the usual ones of the trade (common practice, no source).

Every byte has a text: a shape that is not a character is written by its segments in braces, ``{ACG}``. So
``encode(decode(b), len(b)) == b`` always holds.
"""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal

from benchcon.errors import Trouble
from benchcon.panel.model import Display
from benchcon.text import printable

POINT = 0x80
SEGMENTS = "ABCDEFG"
"""Names of the segments, from bit 40h down to 01h."""

_SHAPES = {
    "0": 0x7E, "1": 0x30, "2": 0x6D, "3": 0x79, "4": 0x33, "5": 0x5B, "6": 0x5F, "7": 0x70, "8": 0x7F, "9": 0x7B,
    "-": 0x01, "E": 0x4F, "H": 0x37, "L": 0x0E, "P": 0x67, " ": 0x00,
    "A": 0x77, "b": 0x1F, "C": 0x4E, "c": 0x0D, "d": 0x3D, "F": 0x47, "G": 0x5E, "h": 0x17, "I": 0x06, "i": 0x10,
    "J": 0x3C, "N": 0x76, "n": 0x15, "o": 0x1D, "q": 0x73, "r": 0x05, "t": 0x0F, "U": 0x3E, "u": 0x1C, "y": 0x3B,
    "_": 0x08, "=": 0x09, "°": 0x63, "'": 0x02, '"': 0x22, "?": 0x65,
}  # fmt: skip
_SAME = {"O": "0", "S": "5", "s": "5", "Z": "2", "z": "2", "l": "L", "B": "b", "D": "d", "R": "r", "T": "t", "Y": "y"}
_SAME |= {"a": "A", "e": "E", "f": "F", "g": "G", "j": "J", "p": "P", "Q": "q", "−": "-", "–": "-", "º": "°"}
_FONT = _SHAPES | {letter: _SHAPES[like] for letter, like in _SAME.items()}
_TEXT = {shape: letter for letter, shape in reversed(_SHAPES.items())}

CHARACTERS = "".join(sorted(_FONT))
"""Every character that `encode` knows, besides the point."""

_CHARACTER = re.compile(r"(\{[A-G]*\}|[^.])(\.?)|(\.)", re.DOTALL)


def encode(text: str, digits: int) -> bytes:
    """Return the segments that show `text` on a display of `digits` digits, leftmost first.

    A point belongs to the character before it and takes no digit of its own. Shorter text is right-aligned.
    ``{ACG}`` lights just these segments. Raises `Trouble` for a character that seven segments cannot show, and for
    text that is too long.
    """
    out = bytearray()
    for match in _CHARACTER.finditer(text):
        character = match[1] or " "
        if character in _FONT:
            shape = _FONT[character]
        elif len(character) > 1:
            shape = sum({0x40 >> SEGMENTS.index(name) for name in character[1:-1]})
        else:
            allowed = "".join(letter for letter in CHARACTERS if letter.isascii()).strip()
            raise Trouble(
                f'seven segments cannot show "{printable(character)}"; allowed: {allowed} space point {{ABCDEFG}}'
            )
        out.append(shape | (POINT if match[2] or match[3] else 0))
    if len(out) > digits:
        shown = printable(text if len(text) <= 40 else text[:40] + "…")
        raise Trouble(f'"{shown}" needs {len(out)} digits; the display has {digits}')
    return bytes(digits - len(out)) + bytes(out)


def digits_of(text: str) -> int:
    """Return how many digits `text` takes, as `encode` shows it."""
    return sum(1 for _ in _CHARACTER.finditer(text))


def segments_of(value: int, digits: int) -> bytes:
    """Return a display's `value`, as on the wire, as one byte of segments for each digit, leftmost first.

    Bits beyond the display's digits are dropped, because a board may send a value of any size.
    """
    return (value & ((1 << 8 * digits) - 1)).to_bytes(digits, "big")


def decode(segments: bytes) -> str:
    """Return the text of `segments`, a character (with its point) for each digit: ``b"\\x7E\\xB0"`` is ``01.``"""
    return "".join(_character(each & 0x7F) + ("." if each & POINT else "") for each in segments)


def or_blank(text: str) -> str:
    """Return in words what a display with this text shows: ``1013``, or ``blank``."""
    return text.strip() or "blank"


def _character(shape: int) -> str:
    return _TEXT.get(shape) or "{" + "".join(name for i, name in enumerate(SEGMENTS) if shape & 0x40 >> i) + "}"


def digits_of_format(form: str) -> int:
    """Return how many digits the format `form` (``000``, ``0000.0``, ``##0.0``) fills.

    Raises ValueError with a sentence that says what is allowed.
    """
    if not re.fullmatch(r"#*0+(?:\.0+)?", form):
        raise ValueError(
            "is not a format; 0 (a numeral), # in front (a numeral, blank where it would be a leading zero) and one "
            'point are allowed, such as "000", "0000.0" or "##0"'
        )
    return len(form.replace(".", ""))


def format_number(display: Display, value: float) -> str:
    """Return the text that shows the number `value` on `display`: exactly as many characters as it has digits.

    It is formatted as by `number_text`; a number that does not fit, and NaN, show as dashes.
    """
    shown = number_text(display, value)
    return "-" * display.digits if shown is None else shown


def number_text(display: Display, value: float) -> str | None:
    """Return the text that shows `value` on `display`; None if it does not fit, or is not a finite number.

    The format is the display's own, or right-aligned without a fraction. Halves are rounded away from zero. The minus
    of a negative number takes a digit.
    """
    form = display.format or "#" * (display.digits - 1) + "0"
    filled = digits_of_format(form)
    whole_form, _, part_form = form.partition(".")
    number = Decimal(repr(float(value)) if isinstance(value, float) else value)
    if not number.is_finite() or abs(number) >= 10 ** len(whole_form):
        return None
    number = number.quantize(Decimal(1).scaleb(-len(part_form)), ROUND_HALF_UP)
    whole, _, part = f"{abs(number):f}".partition(".")
    whole = whole.rjust(whole_form.count("0"), "0")
    minus = "-" if number < 0 else ""
    if minus and len(whole) >= len(whole_form) and whole.startswith("0") and len(whole) > 1:
        whole = whole[1:]  # the minus takes the place of a leading zero
    shown = minus + whole
    if len(shown) > len(whole_form):
        return None
    shown = shown.rjust(len(whole_form) + display.digits - filled)
    return f"{shown}.{part}" if part_form else shown
