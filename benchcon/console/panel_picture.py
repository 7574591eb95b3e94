"""A picture of the panel, written from the command palette."""

from __future__ import annotations

import itertools
from pathlib import Path

from benchcon.files import write_whole
from benchcon.panel.model import Panel
from benchcon.panel.reader import name_from


def write_picture(panel: Panel) -> str:
    """Write `panel` as an SVG at 1 : 1 into the current folder, under a new name; return the name.

    Raises `Trouble` if it cannot be written.
    """
    from benchcon.drawing.picture import picture

    stem = f"{name_from(panel.title) or 'panel'}-face"
    names = itertools.chain([f"{stem}.svg"], (f"{stem}-{number}.svg" for number in itertools.count(2)))
    name = next(name for name in names if not Path(name).exists())
    write_whole(name, picture(panel).encode(), force=False, way_out="")
    return name
