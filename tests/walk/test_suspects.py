"""The search for faults ends soon, however little the evidence tells the wires apart."""

from __future__ import annotations

from benchcon.diagnosis.suspects import MOST_CHAINS, Suspects


def test_where_each_wire_fits_each_other_the_search_for_rings_ends() -> None:
    """On a walk of half of a panel with 60 wires, of which much was contradicted, it went on for hours."""
    asked = set()

    class Alike(Suspects):
        def __init__(self) -> None:
            self.base = dict.fromkeys(range(40), 1)  # type: ignore[assignment]

        def _fits(self, wire: int, other: int) -> bool:
            asked.add((wire, other))
            return other != 0  # so that no ring through wire 0 is ever closed

    assert list(Alike()._rings(0, list(range(40)))) == []
    assert len(asked) == 40 * 39
    assert MOST_CHAINS > 12 * 16, "as many rings as are tried, each as long as a ring may be"
