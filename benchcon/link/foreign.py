"""A port on which the line protocol is not spoken: which rates to try, what to tell the user. No I/O."""

from __future__ import annotations

from collections.abc import Mapping

from benchcon.text import printable

RATES = (115200, 9600, 19200, 38400, 57600, 230400, 250000, 500000, 1000000)
"""Usual rates in baud, the most likely one first. Without 1200: it starts the boot loader of some boards."""
SHOWN_BYTES = 48

_PLAIN = frozenset(range(0x20, 0x7F)) | {0x09, 0x0A, 0x0D}


def plain_share(raw: bytes) -> float:
    """Return the share of `raw` that is printable ASCII or a line end, 0 to 1; 0 for no bytes."""
    return sum(byte in _PLAIN for byte in raw) / len(raw) if raw else 0.0


def best_rate(heard: Mapping[int, bytes]) -> int:
    """Return the rate at which the bytes heard look most like text; of equals, the first in `RATES`.

    `heard`: rate in baud → bytes heard at it.
    """
    return max(heard, key=lambda rate: (round(plain_share(heard[rate]), 2), -_order(rate)))


def _order(rate: int) -> int:
    return RATES.index(rate) if rate in RATES else len(RATES)


def explain(heard: Mapping[int, bytes]) -> str:
    """Return one printable line: what was heard, what it likely is, what to do.

    `heard`: rate in baud → bytes heard at it; rate 0 stands for a network port.
    """
    rate = best_rate(heard)
    raw = heard[rate][:SHOWN_BYTES]
    share = plain_share(raw)
    at = f" at {rate} baud" if rate else ""
    shown = printable(raw.replace(b"\r", b"\n").strip(b"\n")).replace("\\x0A", " / ")
    if share >= 0.9:
        likely = "another firmware, or a boot loader: flash firmware that speaks the line protocol"
    elif len(set(raw)) <= 3:
        likely = "not data from a board: look for an inverted or open line, or a level converter the wrong way round"
    elif rate:
        likely = "an unusual rate, or another kind of device: look up the rate in its firmware"
    else:
        likely = "another network service: check host and port"
    tried = f"; tried {', '.join(str(each) for each in heard)} baud" if rate and len(heard) > 1 else ""
    return f"does not speak the line protocol; heard{at}: “{shown}”. Likely {likely}{tried}"
