"""The microcontrollers that firmware can be built for: their pins, memories and boot loaders.

Sources: data sheets of ATmega328P and ATmega2560 (pin configurations, alternate port functions, pin-change interrupts,
memories); boot loaders and the board's own light as on usual boards (common practice, no source).
"""

from __future__ import annotations

from typing import NamedTuple

from benchcon.panel.pins import PORTS
from benchcon.wire.codec import RATE

CLOCK_HZ = 16_000_000
"""Clock of the usual boards; the firmware's timing requires it."""
BAUDS = (RATE, 500_000, 1_000_000)
"""Rates at which the firmware was tested, the usual one first."""


class Chip(NamedTuple):
    """A microcontroller on its usual board."""

    name: str
    """Its name in panel files and for avrdude."""
    core: str
    """The chip whose program this one runs, as compiler and emulator know it."""
    title: str
    boards: str
    """Usual names of boards with this chip."""
    mosi: str
    miso: str
    sck: str
    ss: str
    """`mosi`, `miso`, `sck` and `ss` are the pins of the SPI."""
    light: str
    """Pin of the board's own light."""
    flash_bytes: int
    """Flash that the larger of the usual boot loaders leaves."""
    ram_bytes: int
    programmer: str
    """avrdude's name for the boot loader's protocol."""
    boot_bauds: tuple[int, ...]
    """Rates of the usual boot loaders, newest first."""

    def port_of(self, pin: str) -> tuple[str, int]:
        """Return port letter and bit of the board pin `pin`: D4 → ("D", 4). Raises KeyError if there is none."""
        port = PORTS[self.name][pin]
        if not port.startswith("P"):
            raise KeyError(pin)
        return port[1], int(port[2:])

    def change_number(self, pin: str) -> int | None:
        """Return n of PCINTn, the pin-change interrupt of `pin`; None if it has none."""
        letter, bit = self.port_of(pin)
        return _CHANGES[self.core].get((letter, bit))

    def analogue_only(self, pin: str) -> bool:
        """Return whether `pin` can only be read as a voltage."""
        return PORTS[self.name].get(pin, "").startswith("ADC")


_CHANGES = {
    "atmega328p": {(port, bit): 8 * n + bit for n, port in enumerate("BCD") for bit in range(8)},
    "atmega2560": {("B", bit): bit for bit in range(8)}
    | {("E", 0): 8}
    | {("J", bit): 9 + bit for bit in range(7)}
    | {("K", bit): 16 + bit for bit in range(8)},
}

_SMALL = Chip(
    name="atmega328p",
    core="atmega328p",
    title="ATmega328P",
    boards="Uno or Nano",
    mosi="D11",
    miso="D12",
    sck="D13",
    ss="D10",
    light="D13",
    flash_bytes=32_768 - 2048,
    ram_bytes=2048,
    programmer="arduino",
    boot_bauds=(115_200, 57_600),
)

CHIPS = {
    chip.name: chip
    for chip in (
        _SMALL,
        # Everything that the firmware uses is at the same addresses (data sheets, register summaries; from memory).
        _SMALL._replace(name="atmega328pb", title="ATmega328PB"),
        Chip(
            name="atmega2560",
            core="atmega2560",
            title="ATmega2560",
            boards="Mega 2560",
            mosi="D51",
            miso="D50",
            sck="D52",
            ss="D53",
            light="D13",
            flash_bytes=262_144 - 8192,
            ram_bytes=8192,
            programmer="wiring",
            boot_bauds=(115_200,),
        ),
    )
}


def divisor(baud: int) -> int:
    """Return UBRR for `baud` at double speed, as the firmware sets it."""
    return (CLOCK_HZ // 8 + baud // 2) // baud - 1


def baud_error(baud: int) -> float:
    """Return the relative error of the rate on the wire for `baud`: +0.021 is 2.1 % too fast."""
    return CLOCK_HZ / (8 * (divisor(baud) + 1)) / baud - 1


RECEIVER_BEARS = 0.039
"""Greatest relative difference between the rates of two ends at which every bit is read correctly: 8 data bits at
double speed, +3.90 % and -4.00 % (ATmega328P and ATmega2560 data sheets, receiver baud-rate error; from memory)."""


def baud_words(chip: Chip, baud: int) -> str:
    """Return one line for people about how exact `baud` is on `chip`, and whether to do anything about it."""
    sheet = f"{chip.title} data sheet"
    error = round(100 * baud_error(baud), 1)
    if not error:
        return f"{baud} baud, exact ({sheet}, baud-rate tables, double speed)"
    return (
        f"{baud} baud, which on this chip is {abs(error):.1f} % {'fast' if error > 0 else 'slow'}. Nothing to do: its "
        f"receiver tolerates {100 * RECEIVER_BEARS:.1f} % between the two ends ({sheet}, baud-rate tables and receiver "
        "error, double speed), and the error of a USB serial chip is much less than the rest. If checks still fail now "
        "and then, build with --baud 500000, which is exact"
    )
