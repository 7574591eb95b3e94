"""Names of pins, and what the pins of the known chips can do.

A pin is written as it is printed on the usual boards (``D4``, ``A0``), or says where on a chain of chips a wire goes:

=============  ====================================================================================
``D4`` ``A0``   a pin of the microcontroller
``165.9``       input 9 of the 74HC165 chain: bit 0 is input A (D0) of the chip nearest the board, 8 that of the next
``595.3``       output 3 of the 74HC595 chain: bit 0 is output QA (Q0) of the chip nearest the board
``7219.5``      row 5 of the MAX7219 chain: 0 is DIG 0 of the chip nearest the board, 8 that of the next; a display of
                several digits starts here with its leftmost and goes on with the next numbers
``keys.r1c2``   row 1, column 2 of the switch matrix called ``keys``, both from 0
``D2/D3``       an encoder's two contacts, A first
=============  ====================================================================================
"""

from __future__ import annotations

import re
from typing import NamedTuple

from benchcon.text import did_you_mean

CHAINS = {"165": "74HC165", "595": "74HC595", "7219": "MAX7219"}
SEGMENT_PINS = {"A": 14, "B": 16, "C": 20, "D": 23, "E": 21, "F": 15, "G": 17, "DP": 22}
"""MAX7219: pins of the segments (data sheet 19-4452, pin configuration)."""
"""For each chain its name in pins, and its chip."""

CHIPS = ("atmega328p", "atmega328pb", "atmega2560")


def _run(port: str, first: int, count: int, step: int = 1) -> list[str]:
    return [f"P{port}{first + step * index}" for index in range(count)]


# The usual boards' pin numbers to the chip's ports: Uno and Nano, and Mega, as printed on the boards (common practice).
_UNO = {f"D{n}": port for n, port in enumerate(_run("D", 0, 8) + _run("B", 0, 6))}
_UNO |= {f"A{n}": port for n, port in enumerate(_run("C", 0, 6))} | {"A6": "ADC6", "A7": "ADC7"}
_MEGA_D = [f"{p}{n}" for p, n in zip("EEEEGEHHHHBBBBJJHHDDDD", "0145533456456710103210", strict=True)]
_MEGA_D += [name[1:] for name in _run("A", 0, 8) + _run("C", 7, 8, -1)]
_MEGA_D += ["D7", "G2", "G1", "G0", *(name[1:] for name in _run("L", 7, 8, -1)), "B3", "B2", "B1", "B0"]
_MEGA = {f"D{n}": f"P{port}" for n, port in enumerate(_MEGA_D)}
_MEGA |= {f"A{n}": port for n, port in enumerate(_run("F", 0, 8) + _run("K", 0, 8))}

# The ATmega328PB is on the same boards; where the other has two supply pins, ADC6 and ADC7, it has ports E0 to E3.
PORTS: dict[str, dict[str, str]] = {"atmega328p": _UNO, "atmega328pb": _UNO, "atmega2560": _MEGA}
"""For each chip: board pin → port pin (``PD4``; ``ADC6``: analogue only)."""

SERIAL = ("D0", "D1")
"""The serial port's pins; nothing else may use them."""

_PIN = re.compile(r"[DA](?:0|[1-9]\d?)")
_CHAINED = re.compile(r"(165|595|7219)\.(0|[1-9]\d{0,2})")
_CROSSING = re.compile(r"([a-z][a-z0-9_]{0,15})\.r(0|[1-9]\d?)c(0|[1-9]\d?)")


class Pin(NamedTuple):
    """Where one wire ends: a pin of the chip, or a place on a chain or in a matrix."""

    kind: str
    """``direct``, ``165``, ``595``, ``7219`` or ``matrix``."""
    name: str
    """The pin as it is written: ``D4``, ``165.9``, ``keys.r1c2``."""
    bit: int = 0
    """Bit or row on the chain, from 0."""
    matrix: str = ""
    row: int = 0
    column: int = 0

    @property
    def chip_number(self) -> int:
        """Number of its chip on the chain; 0 is nearest the board."""
        return self.bit // 8


def read_pin(text: str) -> Pin:
    """Return the pin that `text` names. Raises ValueError with a sentence that says what is allowed."""
    if _PIN.fullmatch(text):
        return Pin("direct", text)
    if match := _CHAINED.fullmatch(text):
        return Pin(match[1], text, int(match[2]))
    if match := _CROSSING.fullmatch(text):
        return Pin("matrix", text, 0, match[1], int(match[2]), int(match[3]))
    bare = text.upper().replace(" ", "")
    instead = did_you_mean(bare if _PIN.fullmatch(bare) else None)
    raise ValueError(f"is not a pin; allowed: {_ALLOWED}{instead}")


_ALLOWED = "D4, A0, 165.0, 595.3, 7219.0, MATRIX.r0c1, and D2/D3 for an encoder"


def read_pins(text: str) -> tuple[Pin, ...]:
    """Return the pins that `text` names: none if it is empty, two for ``D2/D3``. Raises ValueError as `read_pin`."""
    return tuple(read_pin(part) for part in text.split("/")) if text else ()
