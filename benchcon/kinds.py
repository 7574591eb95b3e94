"""The kinds of fault and of finding, as one table: `kinds.toml`, beside this file.

Whatever names a kind takes its words from there: the faults file and the hand's command ``fault`` (kinds that simulated
boards can be given), the diagnosis and its findings (kinds that a walk can find), the pages of a report, ``benchcon
walk --kinds`` and the console's help. A kind has one name. Where it has to be one word (in a faults file, on the hand's
line) its spaces are written ``_``: ``segment dead``, ``segment_dead``.

**To add a kind**: one entry in `kinds.toml`, and the code that makes it or finds it.

- `means`: what is wrong, in a clause that can stand after the name and a colon.
- `look`: what to look at first, whatever part it is on; a finding says which part and wire besides.
- `found`: whether the diagnosis can name it: then it has its sentence in `diagnosis/wording.py` (boards: `boards.py`,
  supplies: `supplies.py`).
- `made`: whether a simulated board can be given it: then it has a row in `rig/kinds.py` with its settings and bounds.
- `settings`: what its settings mean, where their names do not say it.
- `same`: other kinds that the evidence cannot tell from it; `decide`: the measurement that does.

Tests hold that the table and the code name the same kinds, and that the written documents say the same.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import NamedTuple

from benchcon.text import capitalised


class Kind(NamedTuple):
    """One kind of fault, in the trade's words."""

    name: str
    group: str
    """What it is a fault of: the heading under which people look for it."""
    means: str
    look: str
    found: bool
    made: bool
    settings: str
    same: tuple[str, ...]
    """What the evidence cannot tell from it; the kind itself first. One name: nothing is confused with it."""
    decide: str
    """The measurement that decides between them; empty where there is nothing to decide."""

    @property
    def word(self) -> str:
        """The name as one word."""
        return self.name.replace(" ", "_")


@cache
def kinds() -> Mapping[str, Kind]:
    """Return every kind by its name, in the order of the table."""
    table = tomllib.loads(resources.files(__package__ or "benchcon").joinpath("kinds.toml").read_text("utf-8"))
    return {
        name: Kind(
            name,
            entry["group"],
            entry["means"],
            entry["look"],
            entry["found"],
            entry["made"],
            entry.get("settings", ""),
            (name, *entry.get("same", ())),
            entry.get("decide", ""),
        )
        for name, entry in table.items()
    }


def kinds_text(only_found: bool = False) -> str:
    """Return the table as plain text for people, by groups; `only_found`: only what a walk can find."""
    lines: list[str] = []
    group = ""
    for kind in kinds().values():
        if only_found and not kind.found:
            continue
        if kind.group != group:
            group = kind.group
            lines += ["", f"{capitalised(group)}:", ""] if lines else [f"{capitalised(group)}:", ""]
        made = f" In a faults file: {kind.word}." if kind.made else ""
        lines += [f"  {kind.name}: {kind.means}.", f"      Look first at {kind.look}.{made}"]
    return "\n".join(lines)
