"""The looms of two boards swapped: the parts of one are worked by the firmware of the other.

Seen from the parts it makes no difference which of the two went elsewhere, so each simulated board keeps its parts, and
says and does what the other's firmware would: it reads, at the pin where a wire of its loom now ends, what the other
board has there, and drives it so. Where both panel files name connector and pin, a plug of the same name takes its
wires there; else the pins of the board tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from benchcon.rig.wiring import Wiring


class PartsAtPins(Protocol):
    """What is asked of the parts, by their own ids."""

    def reads(self, id_: str) -> int:
        """Return what a contact, selector or encoder reads now."""

    def sample(self, id_: str, raw: bool = False) -> float:
        """Return one reading of a potentiometer; `raw`: with the converter's noise."""

    def restless(self, id_: str) -> bool:
        """Return whether it reads differently each time."""


_NOTHING = {"contact": 0, "selector": 0, "encoder": 3}
"""What an input reads to which nothing is wired: pulled up, and so open."""


class LoomExchange:
    """The parts of one board at the pins of another; what a scan asks in place of the parts."""

    def __init__(self, parts: Wiring, firmware: Wiring, pins: PartsAtPins) -> None:
        self.pins = pins
        self.kinds = firmware.kinds
        self.tops = firmware.tops
        there: dict[object, str] = {}
        for id_, places in firmware.places.items():
            for place in places:
                there.setdefault((firmware.kinds[id_], place), id_)
        self.firmware_of: dict[str, str] = {}
        """Part → the firmware's channel that its wire ends at."""
        for id_, places in parts.places.items():
            ends = (there.get((parts.kinds[id_], place)) for place in places)
            end = next(filter(None, ends), None)
            if end is not None and end not in self.firmware_of.values():
                self.firmware_of[id_] = end
        self.part_of = {end: id_ for id_, end in self.firmware_of.items()}

    def reads(self, id_: str) -> int:
        """Return what the firmware's contact, selector or encoder reads."""
        part = self.part_of.get(id_)
        return self.pins.reads(part) if part else _NOTHING[self.kinds[id_]]

    def sample(self, id_: str, raw: bool = False) -> float:
        """Return one reading of the firmware's potentiometer.

        With nothing wired it is about what a wire in the air picks up.
        """
        part = self.part_of.get(id_)
        return min(self.pins.sample(part, raw), self.tops[id_]) if part else self.tops[id_] * 0.3

    def restless(self, id_: str) -> bool:
        """Return whether the firmware's potentiometer reads differently each time."""
        part = self.part_of.get(id_)
        return self.pins.restless(part) if part else False

    def driven(
        self, values: Mapping[str, int], digits: Mapping[str, int], of_firmware: Mapping[str, int]
    ) -> dict[str, int]:
        """Return what the parts get when the firmware drives its outputs so.

        `digits` and `of_firmware` are the digits of the parts' displays and of the firmware's, by id.
        """
        out = {}
        for id_, value in values.items():
            part = self.part_of.get(id_)
            if part is None:
                continue
            if part in digits:
                shown = value.to_bytes(of_firmware[id_], "big")[: digits[part]].ljust(digits[part], b"\0")
                out[part] = int.from_bytes(shown, "big")
            else:
                out[part] = value
        return out
