"""The three desks of the demo, as simulated boards."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from benchcon.rig import boards as simulated
from benchcon.rig.boards import SimulatedBoards as Demo

__all__ = ["Demo", "panel_path", "start"]


def panel_path() -> Path:
    """Return the demo's panel file."""
    return Path(__file__).with_name("ostrey.toml")


def start(
    faults: Path | None = None,
    tcp: bool = False,
    *,
    panel: Path | None = None,
    boards: Sequence[str] = (),
    separate: bool = False,
    seed: int | None = None,
) -> Demo:
    """Start the demo's desks, or those of another `panel` file, as `benchcon.rig.boards.start` does.

    By its panel file the power desk feeds the other two, and mains is on at the start; `separate` leaves supplies out.
    """
    return simulated.start(panel or panel_path(), faults=faults, tcp=tcp, boards=boards, seed=seed, separate=separate)
