"""The serial ports of this machine and what is known about them; none is opened."""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Any, NamedTuple

from benchcon.errors import Trouble
from benchcon.link import known_ports
from benchcon.link.lock import holder
from benchcon.text import printable


class PortFound(NamedTuple):
    """A serial port. All text is printable; a field is empty if it is not known."""

    port: str
    what: str
    """What the system calls the device, such as the product's name."""
    maker: str
    hardware: str
    """``VID:PID:serial`` in hex, for a USB device with a serial number of its own; else empty."""
    usb: str
    """``VID:PID`` in hex, for a USB device."""
    place: str
    """Where on the bus it is plugged in; ``hand HAND`` for a simulated board."""
    remembered: bool
    """Whether the user opened it by name before and it is remembered."""
    ident: str
    """The ident of the board that answered there last, if it is remembered."""
    in_use: str
    """Who has it open, according to its lock file."""


def find_ports(simulated: Iterable[tuple[str, str, str]] = ()) -> list[PortFound]:
    """Return the machine's serial ports, in natural order, then those of `simulated` boards. Opens none.

    `simulated`: name, port and HAND of boards that run on this machine.
    """
    from serial.tools import list_ports

    try:
        among = known_ports.remembered()
    except Trouble:  # a damaged file is reported elsewhere; the list is useful without it
        among = []
    found = []
    for info in sorted(list_ports.comports()):
        hardware = hardware_of(info)
        entry = known_ports.find(info.device, hardware, among)
        usb = f"{info.vid:04X}:{info.pid:04X}" if info.vid is not None and info.pid is not None else ""
        what = info.product or (info.description if info.description not in (None, "n/a") else "")
        found.append(
            PortFound(
                info.device,
                printable(what or ""),
                printable(info.manufacturer or ""),
                hardware,
                usb,
                printable(info.location or ""),
                entry is not None,
                entry.ident if entry else "",
                holder(info.device),
            )
        )
    for name, port, hand in simulated:
        what = printable(f"simulated board '{name}'")
        found.append(PortFound(port, what, "", "", "", f"hand {printable(hand)}", False, "", holder(port)))
    return found


def hardware_of(info: Any) -> str:
    """Return ``VID:PID:serial`` of one of pyserial's port descriptions; empty if it has no serial number."""
    if info.vid is None or info.pid is None or not info.serial_number:
        return ""
    return printable(f"{info.vid:04X}:{info.pid:04X}:{info.serial_number}")


def hardware_at(port: str) -> str:
    """Return ``VID:PID:serial`` of the USB device behind `port`; empty if it has no serial number or is none."""
    if "://" in port:
        return ""
    from serial.tools import list_ports

    real = os.path.realpath(port)
    for info in list_ports.comports():
        if info.device in (port, real):
            return hardware_of(info)
    return ""


def remembered_ports() -> list[str]:
    """Return the remembered ports that are present now. Raises `Trouble` if the file of ports is damaged."""
    return _present(known_ports.remembered())


def _present(among: list[known_ports.KnownPort]) -> list[str]:
    if not among:
        return []
    from serial.tools import list_ports

    here = {info.device: hardware_of(info) for info in sorted(list_ports.comports())}
    found = [device for device, hardware in here.items() if known_ports.find(device, hardware, among)]
    for entry in among:  # ports that the system does not list, such as the links under /dev/serial/by-id
        real = os.path.realpath(entry.port)
        if (
            entry.port
            and not entry.hardware
            and real not in found
            and entry.port not in found
            and os.path.exists(entry.port)
        ):
            found.append(entry.port)
    return found


def where_again(ident: str, hardware: str) -> list[str]:
    """Return the ports present now on which a lost board may be.

    These are the remembered ports on which `ident` has answered, and any port where the very USB device that was open
    (`hardware`: its ``VID:PID:serial``, or empty) is plugged in now.
    """
    try:
        among = [entry for entry in known_ports.remembered() if entry.ident == ident]
    except Trouble:
        among = []  # a damaged file is reported elsewhere; the device itself can be found all the same
    if hardware:
        among.append(known_ports.KnownPort("", hardware, ident, ""))
    return _present(among)
