"""The evidence of each single wire (contact or lamp), on which causes of many wires' faults are tried."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import Net

LEAST = 3
"""Least number of faulty wires for one cause to be likelier than as many single faults (common practice, no source)."""


@dataclass(slots=True)
class WireEvidence:
    """What was asked of one wire and what was seen, as masks of the moments of its `kind` (contacts or lamps)."""

    key: str
    kind: str
    pins: tuple[int, ...]
    """Pins of its plug that its wires are on, as far as they are known."""
    on: int = 0
    known: int = 0
    seen: int = 0
    sure: int = 0
    own: int = 0
    lasting: bool = True
    """Whether it stays as it is until it changes; see `Net.lasting`."""
    dead: bool = False
    """It never showed anything, although it was asked to."""
    tested: bool = False

    def off_by(self, on: int, known: int) -> int:
        """Return at how many moments it showed something other than `on`; a lasting difference counts once."""
        wrong = (on ^ self.seen) & known & self.sure
        return (wrong & ~(wrong << 1) if self.lasting else wrong).bit_count()

    def off_behind(self, source: WireEvidence, through: WireEvidence) -> int:
        """Return at how many moments it differed from `source` with its ground going through the contact `through`.

        While `through` is open nothing shows, whatever `source` does. `through` itself works, so before anybody worked
        it, it was in the position that it read.
        """
        at, sure = through.on | through.seen & ~through.known, through.known | through.sure
        nothing = source.known & ~source.on | sure & ~at
        return self.off_by(source.on & at, source.known & sure | nothing)

    @property
    def wrong(self) -> bool:
        """Whether it did not do what was asked of its own part."""
        return self.wrong_at(-1)

    def wrong_at(self, judged: int) -> bool:
        """Return the same as `wrong`, for the moments in the mask `judged` only."""
        return bool((self.on ^ self.seen) & self.known & self.sure & self.own & judged)


def wires_of(
    layout: PanelIndex, nets: Sequence[Net | None], dead: Collection[str], tested: Collection[str]
) -> dict[str, WireEvidence]:
    """Return the wires of `nets`, and of the knobs and displays that were `tested`, by channel."""
    out: dict[str, WireEvidence] = {}
    for net in nets:
        for number, name in enumerate(net.names if net else ()):
            assert net is not None
            key = name if name in layout.spots else layout.channels_of(name)[0]
            wire = WireEvidence(key, layout.spots[key].kind, _pins(layout, key), lasting=net.lasting)
            wire.on, wire.known, wire.seen = net.on[number], net.known[number], net.seen[number]
            wire.sure, wire.own = net.sure[number], net.own[number]
            asked = wire.on & wire.known & wire.sure & wire.own
            wire.tested, wire.dead = bool(asked), bool(asked) and not wire.seen & wire.sure
            out[key] = wire
    for key, spot in layout.spots.items():
        if key in tested and spot.kind not in ("contact", "lamp"):
            out[key] = WireEvidence(key, spot.kind, _pins(layout, key), dead=key in dead, tested=True)
    return out


def _pins(layout: PanelIndex, key: str) -> tuple[int, ...]:
    texts = layout.spots[key].channel.wire.connector_pin.split("/")
    return tuple(map(int, texts)) if all(text.isdecimal() for text in texts) else ()
