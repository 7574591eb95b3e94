"""Quantities as people write them, to and from plain numbers, by the program's only unit registry.

pint is imported by the first quantity that needs it, so that `benchcon --help` does not wait for it.
"""

from __future__ import annotations

import functools
import math
import re
from typing import TYPE_CHECKING, Any

from benchcon.text import near

if TYPE_CHECKING:
    import pint

USUAL: dict[str, tuple[str, ...]] = {
    "mm": ("mm", "cm", "m", "in"),
    "mA": ("mA", "A", "uA"),
    "mV": ("V", "mV"),
    "ms": ("ms", "s", "us", "min", "h"),
    "us": ("s", "ms", "us", "min", "h"),
    "s": ("s", "min", "h", "ms"),
    "ppm": ("ppm",),
    "Hz": ("Hz", "kHz"),
    "permille": ("%",),
    "mcd": ("mcd", "cd"),
    "ohm": ("ohm", "kohm"),
    "mW": ("mW", "W"),
    "hPa": ("hPa", "inHg"),
    "B": ("B", "kB", "MB", "KiB", "MiB"),
    "1/s": ("1/s", "1/min", "Hz"),
}
"""For each unit that the program counts in, the units that people are offered."""

_WHAT = {
    "mm": "a length",
    "mA": "a current",
    "s": "a time",
    "kg": "a mass",
    "kelvin": "a temperature",
    "V": "a voltage",
    "ohm": "a resistance",
    "W": "a power",
    "hPa": "a pressure",
    "m/s": "a speed",
    "1/s": "a rate",
    "B": "an amount of data",
    "permille": "a plain share",
    "mcd": "a luminous intensity",
}
_EXAMPLE = {
    "mm": '"150 mm" or "6 in"',
    "mA": '"20 mA"',
    "mV": '"5 V"',
    "ms": '"10 ms"',
    "us": '"150 ms" or "2 s"',
    "s": '"2 s" or "10 min"',
    "mW": '"250 mW"',
    "B": '"100 MB"',
    "Hz": '"20 Hz"',
    "ppm": '"500 ppm"',
    "permille": '"80 %"',
    "mcd": '"200 mcd"',
    "ohm": '"150 ohm"',
    "hPa": '"1013.25 hPa"',
    "1/s": '"5 1/s"',
}
# Number and unit are separated here: an expression handed to pint as a whole could be `9**9**9 mm`.
_QUANTITY = re.compile(r"\s*([+-]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})(?:[eE][+-]?\d{1,2})?)\s*(\S.*?)?\s*", re.ASCII)
_COMMA = re.compile(r"\s*([+-]?\d{1,15}),(\d{1,15})\s*([A-Za-zµμΩ°%‰1/]*)\s*", re.ASCII)
_UNIT = re.compile(r"(?:1/)?[A-Za-zµμΩ°%‰]{1,24}(?:/[A-Za-zµμ]{1,24})?")

EVERYDAY: dict[str, dict[str, float]] = {
    "mm": {"mm": 1, "cm": 10, "m": 1000, "in": 25.4},
    "mA": {"mA": 1, "A": 1000},
    "mV": {"mV": 1, "V": 1000},
    "us": {"us": 1, "µs": 1, "ms": 1000, "s": 1e6, "min": 6e7},
    "s": {"s": 1, "ms": 0.001, "min": 60, "h": 3600},
    "ms": {"us": 0.001, "ms": 1, "s": 1000, "min": 60_000},
    "permille": {"%": 10, "permille": 1},
    "ppm": {"ppm": 1},
    "ohm": {"ohm": 1, "kohm": 1000},
    "mcd": {"mcd": 1, "cd": 1000},
    "Hz": {"Hz": 1, "kHz": 1000},
    "hPa": {"hPa": 1, "inHg": 33.86388640341},
}
"""The units that people write every day, converted without pint, whose import would take a third of a second at every
start and in every simulated board. A test compares each factor with the registry."""

# fmt: off
PLAIN = frozenset({
    "%", "deg", "degC", "degF", "hPa", "inHg", "kPa", "bar", "psi", "m", "km", "ft", "nmi", "m/s", "km/h", "kt",
    "ft/min", "s", "min", "h", "Hz", "kHz", "MHz", "rpm", "V", "mV", "A", "mA", "W", "kg", "lb", "L",
})
# fmt: on
"""Units that values of a panel often have; a quantity in one of these, where just that one is wanted, needs no pint."""


@functools.cache
def registry() -> pint.UnitRegistry[Any]:
    """Return the registry; the first call imports pint."""
    import pint

    units: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None)
    if "permille" not in units:
        units.define("permille = 0.001 = ‰")
    # As data sheets write it; by default the registry takes these letters for another unit.
    units.define("mcd = 0.001 * candela")
    return units


def number_in(text: str) -> float:
    """Return the number that another program wrote as `text`.

    Raises ValueError if it is not a number; ``1_000`` and digits of other scripts, which Python accepts, are not.
    """
    if "_" in text or not text.isascii():
        raise ValueError(f"{_shown(text)} is not a number")
    return float(text)


def quantity(text: str, unit: str, example: str = "") -> float:
    """Return the quantity `text` (such as ``"150 mm"``, ``"6 in"``) as a number of `unit`.

    Raises ValueError, which says what is wrong, what is allowed, and `example`, a quantity for this place.
    """
    return _quantity(text, unit, f'"{example}"' if example else "")


@functools.lru_cache(maxsize=4096)
def _quantity(text: str, unit: str, example: str) -> float:
    example = example or _EXAMPLE.get(unit, f'"1 {unit}"')
    comma = _COMMA.fullmatch(text[:80])
    if comma is not None:
        wanted = comma[3] or USUAL.get(unit, (unit,))[0]
        thousands = f' or "{comma[1]}{comma[2]} {wanted}"' if len(comma[2]) == 3 else ""
        raise ValueError(
            f'has a comma in its number, where a point is needed; write "{comma[1]}.{comma[2]} {wanted}"{thousands}'
        )
    match = _QUANTITY.fullmatch(text[:80]) if len(text) <= 80 else None
    if match is None:
        raise ValueError(f"is not a quantity; a number and a unit are allowed, such as {example}")
    number, written = float(match[1]), match[2] or ""
    if written[:1].isdigit():  # what the number's pattern left over
        raise ValueError(f"has a number that is too long or too great; one such as {example} is allowed")
    if not written:
        in_example = re.search(r'"[^" ]+ ([^"]+)"', example)
        usual = in_example[1] if in_example else unit
        raise ValueError(f'lacks its unit; write it with one, such as "{match[1]} {usual}"')
    if (factor := EVERYDAY.get(unit, {}).get(written)) is not None:
        return float(f"{number * factor:.12g}")
    if written == unit and unit in PLAIN:
        return float(f"{number:.12g}")
    units = registry()
    found = _unit(written)
    if found is None:
        hint = near(written, USUAL.get(unit, (unit,))).replace('"', f'"{match[1]} ', 1)
        raise ValueError(
            f"has the unknown unit {_shown(written)}; allowed: {', '.join(USUAL.get(unit, (unit,)))}{hint}"
        )
    wanted = units.Unit(unit)
    if found.dimensionality != wanted.dimensionality:
        # "20 ma" is 20 milliyears to the registry; whoever wrote it meant milliamperes.
        meant = [usual for usual in USUAL.get(unit, ()) if usual.lower() == written.lower()]
        hint = f'; did you mean "{match[1]} {meant[0]}"?' if meant else f", such as {example}"
        raise ValueError(f"is {_what(found)}; {_what(wanted)} is needed{hint}")
    value = float(units.Quantity(number, found).to(wanted).magnitude)
    if not math.isfinite(value):
        raise ValueError(f"is out of all bounds; a quantity such as {example} is allowed")
    return float(f"{value:.12g}")  # 6 in is 152.4 mm, not 152.39999999999998


@functools.lru_cache(maxsize=256)
def linear(unit: str, to: str) -> tuple[float, float]:
    """Return factor and offset that convert a number of `unit` to one of `to`: ``degC`` to ``degF`` gives 1.8 and 32.

    Raises ValueError, which says what is wrong, for an unknown unit or two units of different dimensions.
    """
    if unit == to and unit in PLAIN:
        return 1.0, 0.0
    if (factor := EVERYDAY.get(to, {}).get(unit)) is not None:
        return float(factor), 0.0
    if (factor := EVERYDAY.get(unit, {}).get(to)) is not None:
        return float(f"{1 / factor:.12g}"), 0.0
    units, found = registry(), []
    for written in (unit, to):
        known = _unit(written)
        if known is None:
            raise ValueError(f"{_shown(written)} is not a unit that is known")
        found.append(known)
    if found[0].dimensionality != found[1].dimensionality:
        raise ValueError(f"{_shown(unit)} is {_what(found[0])} and {_shown(to)} is {_what(found[1])}")
    zero, far = (float(units.Quantity(number, found[0]).to(found[1]).magnitude) for number in (0.0, 1e6))
    return float(f"{(far - zero) / 1e6:.12g}"), float(f"{zero:.12g}")


def is_unit(written: str) -> bool:
    """Return whether `written` is a known unit."""
    return written in PLAIN or _unit(written) is not None


@functools.lru_cache(maxsize=256)
def _unit(written: str) -> Any | None:
    if not _UNIT.fullmatch(written):
        return None
    units = registry()
    try:
        if written.startswith("1/"):
            return (1 / units.Unit(written[2:])).units if "/" not in written[2:] else None
        return units.Unit("percent" if written == "%" else "permille" if written == "‰" else written)
    except Exception:  # pint's parser lets through whatever its tokenizer, its cache or eval raises
        return None


def _what(unit: Any) -> str:
    if unit.dimensionless:  # bits are dimensionless to pint, too
        return _WHAT["B" if re.search("bit|byte|octet", str(unit)) else "permille"]
    for name, what in _WHAT.items():
        if registry().Unit(name).dimensionality == unit.dimensionality:
            return what
    return f"a quantity in {unit:~}"


def _shown(text: str) -> str:
    from benchcon.text import printable

    return f'"{printable(text)}"'


_SCALES: dict[str, tuple[tuple[float, str], ...]] = {
    "us": ((3.6e9, "h"), (6e7, "min"), (1e6, "s"), (1e3, "ms"), (1, "us")),
    "permille": ((10, "%"),),
    "mV": ((1000, "V"), (1, "mV")),
    "Hz": ((1000, "kHz"), (1, "Hz")),
}


def for_people(value: float, unit: str) -> str:
    """Return `value`, counted in `unit`, in the unit that a person would choose: 10 000 000 us is ``10 s``."""
    scales = _SCALES.get(unit, ((1, unit),))
    if not value:
        return f"0 {'s' if unit == 'us' else scales[0][1]}"
    for size, name in scales[:-1]:
        if abs(value) >= size and not value % (size / 10):
            return written(value / size, name)
    return written(value / scales[-1][0], scales[-1][1])


def volts(millivolts: float) -> str:
    """Return a measured voltage: ``5.02 V``."""
    return f"{millivolts / 1000:.2f} V"


def percent(permille: float) -> str:
    """Return a share in permille as ``80 %`` or ``33.3 %``."""
    return for_people(permille, "permille")


def whole_percent(permille: int) -> str:
    """Return a share in permille rounded to a whole percentage: ``33 %``."""
    return f"{(permille + 5) // 10} %"


def written(value: float, unit: str, places: int = 3) -> str:
    """Return `value` in `unit` with at most `places` decimals and no trailing zeros: ``150 mm``, ``12.7 mm``."""
    number = f"{value:.{places}f}"
    number = number.rstrip("0").rstrip(".") if "." in number else number
    return f"{'0' if number == '-0' else number} {unit}"
