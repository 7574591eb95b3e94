"""Turns what a rule returns into what a lamp or display is to show. Pure.

Whatever does not fit on a display is shown as overflow, and never cut, wrapped, or replaced by an old number.
"""

from __future__ import annotations

import numbers
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.lightness import OFF, level_word
from benchcon.panel.model import Display, Lamp, Panel
from benchcon.panel.segments import digits_of, encode, number_text
from benchcon.rehearse.inputs import Position

NO_DATA = "no data"
OVERFLOW = "overflow"
_TOO_MUCH = 1e12
"""A number this large fits on no display: eight digits are at most 99 999 999, or FFFF FFFF in hexadecimal."""
_NEARLY = 1e-6
"""How far a lightness that was computed in floats may be below 0 or above 1."""
_PRECISION = re.compile(r"\.(\d{1,2})([fF]?)")


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How a display rule writes numbers."""

    format: str = ""
    """Python's format language; empty: the display's own format in the panel file."""
    scale: float = 1.0
    factor: float = 1.0
    offset: float = 0.0
    """`factor` and `offset` convert from one unit to another, after scaling."""


class Shown(NamedTuple):
    """What an output is to show."""

    value: int | bytes
    """A lamp's lightness in permille, before its trim, or a display's segments, one byte per digit."""
    text: str
    """In words: ``on``, ``off``, ``40 %``, or the display's text."""
    why: str = ""
    """Empty, `NO_DATA`, `OVERFLOW`, or what is wrong with the rule."""


def outputs_of(panel: Panel) -> dict[str, Lamp | Display]:
    """Return name → lamp or display of a panel."""
    found: dict[str, Lamp | Display] = {lamp.name: lamp for lamp in panel.lamps}
    return found | {display.name: display for display in panel.displays}


def lamp_off(why: str = NO_DATA) -> Shown:
    """Return what a lamp shows when its rule has no result."""
    return Shown(0, OFF, why)


def bars(display: Display, why: str = NO_DATA) -> Shown:
    """Return what a display shows when its rule has no result: a bar in each digit."""
    return Shown(encode("-" * display.digits, display.digits), "-" * display.digits, why)


def too_much(display: Display) -> Shown:
    """Return what a display shows on overflow: ``OL``, or ``E`` on a single digit (common practice, no source)."""
    text = "OL" if display.digits > 1 else "E"
    return Shown(encode(text, display.digits), text.rjust(display.digits), OVERFLOW)


def lamp_shows(lamp: Lamp, value: Any) -> Shown:
    """Return what `lamp` shows for `value`, which its rule returned. Raises ValueError if a lamp cannot show that."""
    value = plain(value)
    if value is None:
        return lamp_off()
    if isinstance(value, Position):
        if len(value.control.positions) != 2:
            raise ValueError(
                f"returned {value.control.name} itself, which has {len(value.control.positions)} positions; "
                f'compare it with one: {value.control.name} == "{value.word}"'
            )
        value = bool(value)
    if isinstance(value, bool) or (isinstance(value, int) and value in (0, 1)):
        return lamp_level(lamp, lamp.on_permille if value else 0)
    if isinstance(value, int | float) and -_NEARLY <= value <= 1 + _NEARLY:
        return lamp_level(lamp, round(1000 * value))
    raise ValueError(f"returned {_said(value)}; a lamp takes True, False, a lightness from 0 to 1, or None for no data")


def lamp_level(lamp: Lamp, permille: int) -> Shown:
    """Return what a lamp shows at this level, in permille of lightness."""
    return Shown(permille, level_word(lamp, permille))


def display_shows(display: Display, value: Any, look: NumberStyle) -> Shown:
    """Return what `display` shows for `value`, which its rule returned. Raises ValueError if it cannot show that."""
    value = plain(value)
    if value is None or (value.is_nan() if isinstance(value, Decimal) else value != value):
        return bars(display)
    if isinstance(value, bool) or not isinstance(value, str | int | float | Decimal):
        raise ValueError(f"returned {_said(value)}; a display takes a number, text, or None for no data")
    if isinstance(value, str):
        text: str | None = value
    else:
        text = written(display, value, look)
    if text is None:
        return too_much(display)
    text = text.replace(",", ".")
    while text.startswith(" ") and digits_of(text) > display.digits:
        text = text[1:]  # leading blanks of the format
    if digits_of(text) > display.digits:
        return too_much(display)
    try:
        segments = encode(text, display.digits)
    except Trouble as trouble:
        raise ValueError(f"returned text that cannot be shown: {trouble}") from None
    return Shown(segments, text.rjust(len(text) + display.digits - digits_of(text)))


def plain(value: Any) -> Any:
    """Return what a rule returned, with numbers of other libraries (numpy, fractions) turned into Python's own."""
    if value is None or isinstance(value, bool | int | float | str | Decimal | Position):
        return value
    if type(value).__module__ == "numpy" and getattr(value, "ndim", None) == 0:
        return value.item()
    return float(value) if isinstance(value, numbers.Real) else value


def written(display: Display, value: float | Decimal, look: NumberStyle) -> str | None:
    """Return the text for a number; None if it is infinite or does not fit in the display's own format.

    Halves are rounded away from zero, as people do, not to even, as Python's format language would.
    """
    try:
        if isinstance(value, Decimal) or look.scale != 1 or look.factor != 1 or look.offset:
            value = float(f"{float(value) * look.scale * look.factor + look.offset:.12g}")
    except OverflowError:  # a whole number that is too large for a float
        return None
    if not abs(value) < _TOO_MUCH:
        return None
    if not look.format:
        return number_text(display, value)
    return number_by(look.format, value)


def number_by(form: str, value: float) -> str:
    """Return `value` in the format `form` of Python's format language. Raises ValueError if that is not for numbers."""
    number = Decimal(repr(float(value))) if isinstance(value, float) else Decimal(int(value))
    try:
        if form[-1:] in "dbcoxXn" and form:
            return format(int(number.quantize(Decimal(1), ROUND_HALF_UP)), form)
        precision = _PRECISION.search(form)
        if precision is not None and (precision[2] or form.endswith(precision[0])) and form[-1:] not in "eEgG%":
            number = number.quantize(Decimal(1).scaleb(-int(precision[1])), ROUND_HALF_UP)
            if not precision[2]:
                form += "f"
        elif precision is None and number == number.to_integral_value():
            number = number.quantize(Decimal(1))  # 3000.0 is 3,000 and not 3,000.0
        # Python shows -0.0 as negative, which would be confusing on a display.
        return format(abs(number) if number == 0 else number, form)
    except ValueError as error:
        raise ValueError(f'has the format "{form}", which is not one for numbers: {error}') from None


def _said(value: Any) -> str:
    from benchcon.panel.reader import shown

    try:
        return shown(value if isinstance(value, str | int | float | bool | list | dict) else repr(value))
    except Exception:
        return f"a {type(value).__name__}"
