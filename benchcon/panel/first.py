"""A first panel file from how large the plate is and how many of what is to be on it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.reader import name_from
from benchcon.units import written


class _Kind(NamedTuple):
    word: str
    """What one of them is called."""
    table: str
    lines: tuple[str, ...]
    width_mm: float
    """From centre to centre, with its label and room for fingers (common practice, no source)."""
    height_mm: float
    id: str


KINDS = {
    # in rows from top to bottom
    "displays": _Kind("display", "digits", ("places = 4",), 60.0, 36.0, "d"),
    "lamps": _Kind("lamp", "lamps", ('colour = "green"',), 24.0, 24.0, "l"),
    "lit buttons": _Kind("lit button", "controls", ('kind = "button"',), 28.0, 30.0, "k"),
    "buttons": _Kind("button", "controls", ('kind = "button"',), 28.0, 30.0, "b"),
    "switches": _Kind("switch", "controls", ('kind = "switch"',), 28.0, 36.0, "s"),
    "encoders": _Kind("encoder", "controls", ('kind = "encoder"',), 38.0, 38.0, "e"),
    "potentiometers": _Kind("potentiometer", "controls", ('kind = "pot"',), 38.0, 38.0, "p"),
}
MOST = 64
"""Of a kind."""
RIM_MM = 8.0
_MOST_DIGITS = 64
"""On a chain of eight display drivers."""


def first_file(title: str, width_mm: float, height_mm: float, counts: Mapping[str, int]) -> str:
    """Return a panel file with so many of each of `KINDS` in rows, the same parts beside each other.

    Raises `Trouble` where they do not fit on the plate, or there is nothing to put on it.
    """
    wanted = {kind: counts.get(kind, 0) for kind in KINDS if counts.get(kind, 0) > 0}
    if not wanted:
        raise Trouble("a panel has at least one part on it; nothing was written")
    for kind, count in wanted.items():
        if count > MOST:
            raise Trouble(f"{count} {kind} are more than can be laid out here; at most {MOST}")
    rows: list[tuple[str, int, int]] = []
    """Kind, how many stand in the row, and the number of the first."""
    for kind, count in wanted.items():
        across = max(1, int((width_mm - 2 * RIM_MM) // KINDS[kind].width_mm))
        rows += [(kind, min(across, count - start), start) for start in range(0, count, across)]
    needs = sum(KINDS[kind].height_mm for kind, _, _ in rows) + 2 * RIM_MM
    if needs > height_mm:
        raise Trouble(
            f"these parts need a plate {written(needs, 'mm', 0)} high at this width, and it has "
            f"{written(height_mm, 'mm', 0)}; take a larger one, or fewer parts (nothing was written)"
        )
    board = name_from(title)[:16].rstrip("_") or "desk"
    out = [
        "# A first panel file: change what is not so. protocols/panel-file.md says what each key means.",
        "[panel]",
        f'title = "{_plain(title)}"',
        f'width = "{written(width_mm, "mm")}"',
        f'height = "{written(height_mm, "mm")}"',
        "",
        f"[boards.{board}]",
    ]
    air = (height_mm - needs) / len(rows)
    top = RIM_MM
    several = {kind for kind in wanted if sum(each == kind for each, _, _ in rows) > 1}
    for kind, count, start in rows:
        its = KINDS[kind]
        # The parts stand evenly across the plate; the label is above the part, so its centre is below the middle.
        pitch = (width_mm - 2 * RIM_MM) / count
        y = top + air / 2 + 0.6 * its.height_mm
        top += air + its.height_mm
        base = its.word.replace(" ", "_")
        name = f"{base}_row_{start // max(1, rows_width(kind, width_mm)) + 1}" if kind in several else base
        label = f"{its.word.capitalize()} {start + 1}"
        out += ["", f"[{its.table}.{name}]", f'label = "{label}"', *its.lines]
        out.append(f'at = ["{written(RIM_MM + pitch / 2, "mm", 1)}", "{written(y, "mm", 1)}"]')
        out.append(f'channel = "{its.id}{start + 1}"')
        if kind == "lit buttons":
            out.append(f'lit = {{ colour = "green", channel = "g{start + 1}" }}')
        if count > 1:
            out.append(f'repeat = {{ columns = {count}, pitch = "{written(pitch, "mm", 1)}" }}')
    return "\n".join(out) + "\n"


def rows_width(kind: str, width_mm: float) -> int:
    """Return how many of `kind` stand in a row of a plate so wide."""
    return max(1, int((width_mm - 2 * RIM_MM) // KINDS[kind].width_mm))


def _plain(text: str) -> str:
    return "".join(c for c in text if c.isprintable()).replace("\\", "/").replace('"', "'")[:60]
