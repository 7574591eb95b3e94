"""One wire of a panel, contact or lamp, with what was asked of it and what was seen: what whole causes are tried on."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.net import Net

LEAST = 3
"""This many wires must be wrong for one cause to be likelier than as many faults (common practice, no source)."""


@dataclass(slots=True)
class WireEvidence:
    """What was asked of one wire and what was seen, as masks of moments of its own `kind`."""

    key: str
    kind: str
    pins: tuple[int, ...]
    """Pins of its plug that its wires sit on, as far as they are known."""
    on: int = 0
    known: int = 0
    seen: int = 0
    sure: int = 0
    own: int = 0
    standing: bool = True
    dead: bool = False
    """It never showed anything, though it was asked to."""
    tested: bool = False

    def off_by(self, on: int, known: int) -> int:
        """At how many moments it showed something else than this; what stands counts once."""
        wrong = (on ^ self.seen) & known & self.sure
        return (wrong & ~(wrong << 1) if self.standing else wrong).bit_count()

    def off_behind(self, source: WireEvidence, through: WireEvidence) -> int:
        """At how many moments it showed something else than `source` does that has its ground by way of `through`.

        While the one is open nothing shows, wherever the other stands. `through` works: before anybody had worked it,
        it stood where it read.
        """
        at, sure = through.on | through.seen & ~through.known, through.known | through.sure
        nothing = source.known & ~source.on | sure & ~at
        return self.off_by(source.on & at, source.known & sure | nothing)

    @property
    def wrong(self) -> bool:
        """Whether it did not do what was asked of it itself."""
        return self.wrong_at(-1)

    def wrong_at(self, judged: int) -> bool:
        """The same, at the moments of the mask `judged`."""
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
            wire = WireEvidence(key, layout.spots[key].kind, _pins(layout, key), standing=net.standing)
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
