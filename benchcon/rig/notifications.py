"""Turns what a board's scan has seen into notifications. Edges of one contact that are close together share a line."""

from __future__ import annotations

from collections.abc import Callable

from benchcon.rig.timeline import Action, Timeline
from benchcon.wire.board import BoardSide

EDGES_MOST = 8
"""Most further edges in one notification."""
EDGES_US = 4_000
"""How long an edge waits for others to share its line."""
GAP_MOST = 0xFFFF


class _Edges:
    """Edges of one contact that are to share a line."""

    def __init__(self, at_us: int, level: int) -> None:
        self.at_us = at_us
        self.level = level
        self.gaps: list[int] = []
        self.last_us = at_us
        self.due: list[Action] = []


class ScanReporter:
    """Passes what a scan sees to one board's protocol side, and then calls `pump` to send it (see `ScanListener`)."""

    def __init__(self, side: BoardSide, timeline: Timeline, pump: Callable[[int], None]) -> None:
        self.side = side
        self.timeline = timeline
        self.pump = pump
        self._edges: dict[str, _Edges] = {}

    def stop(self) -> None:
        """Report nothing more, since the board is gone."""
        for edges in self._edges.values():
            edges.due.clear()
        self._edges.clear()

    def changed(self, at_us: int, values: dict[str, int]) -> None:
        """Report inputs that changed in one scan."""
        self.side.change(values, at_us)
        self.pump(at_us)

    def edge(self, at_us: int, id_: str, level: int) -> None:
        """Report a raw edge to this level (an encoder: A·2+B); edges that are close together share a line."""
        if self.side.channels[id_].kind == "encoder":
            self.side.edge(id_, level, at_us)
            self.pump(at_us)
            return
        edges = self._edges.get(id_)
        if edges is None:
            edges = self._edges[id_] = _Edges(at_us, level)
            edges.due = self.timeline.at(at_us + EDGES_US, lambda when_us: self._tell_edges(when_us, id_))
            return
        clock = self.side.clock_us
        edges.gaps.append(min(clock(at_us) - clock(edges.last_us), GAP_MOST))
        edges.last_us = at_us
        if len(edges.gaps) == EDGES_MOST:
            self._tell_edges(at_us, id_)

    def _tell_edges(self, at_us: int, id_: str) -> None:
        edges = self._edges.pop(id_)
        edges.due.clear()
        if id_ in self.side.raw:
            words = ("edge", f"{id_}={edges.level}", *(f"{gap:04X}" for gap in edges.gaps))
            self.side.say(words, edges.at_us)
            self.pump(at_us)

    def reading(self, at_us: int, id_: str, counts: int) -> None:
        """Report a raw reading of a potentiometer."""
        self.side.reading(id_, counts, at_us)
        self.pump(at_us)

    def skipped(self, at_us: int, id_: str, count: int) -> None:
        """Report an encoder's count of invalid transitions since reset."""
        self.side.say(("skip", f"{id_}={count:04X}"), at_us)
        self.pump(at_us)

    def ghost(self, at_us: int, ids: list[str]) -> None:
        """Report contacts that read made and may be ghosts."""
        self.side.say(("ghost", *ids), at_us)
        self.pump(at_us)
