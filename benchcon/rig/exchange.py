"""Two boards with their looms swapped: the parts of one are at the pins of the other.

It makes no difference which of the two was moved, so each simulated board keeps its parts, and behaves like the other's
firmware: where a wire of its loom now ends, it reads and drives the pin as the other board does. Which pin that is
follows from connector and pin, if the panel file names them for both boards, or else from the boards' pins.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from benchcon.rig.wiring import Wiring


class PartsAtPins(Protocol):
    """The parts of a board, by their own channel ids."""

    def reads(self, id_: str) -> int:
        """Return what a contact, selector or encoder reads now."""

    def sample(self, id_: str, raw: bool = False) -> float:
        """Return one reading of a potentiometer; `raw`: with the converter's noise."""

    def restless(self, id_: str) -> bool:
        """Return whether a potentiometer reads differently each time, though nobody turns it."""


_NOTHING = {"contact": 0, "selector": 0, "encoder": 3}
"""Kind of channel → what an input reads if nothing is wired to it: it is pulled up, and so open."""


class LoomExchange:
    """The parts of one board at the pins of another; a scan asks this instead of the parts."""

    def __init__(self, parts: Wiring, firmware: Wiring, pins: PartsAtPins) -> None:
        self.pins = pins
        self.kinds = firmware.kinds
        self.tops = firmware.tops
        there: dict[object, str] = {}
        for id_, places in firmware.places.items():
            for place in places:
                there.setdefault((firmware.kinds[id_], place), id_)
        self.firmware_of: dict[str, str] = {}
        """Channel of a part → the firmware's channel at which its wire ends."""
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
        """Return one reading of the firmware's potentiometer; with nothing wired, about that of a loose wire."""
        part = self.part_of.get(id_)
        return min(self.pins.sample(part, raw), self.tops[id_]) if part else self.tops[id_] * 0.3

    def restless(self, id_: str) -> bool:
        """Return whether the firmware's potentiometer reads differently each time."""
        part = self.part_of.get(id_)
        return self.pins.restless(part) if part else False

    def driven(
        self, values: Mapping[str, int], digits: Mapping[str, int], of_firmware: Mapping[str, int]
    ) -> dict[str, int]:
        """Return the values that the parts get when the firmware drives its outputs with `values`.

        `digits` and `of_firmware`: how many digits the parts' displays and the firmware's have, by id.
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
