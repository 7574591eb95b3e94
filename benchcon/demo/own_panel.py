"""The user's copy of the demo's panel file, in which parts can be named without writing into the program itself.

The demo is the same at every start: a copy that was changed is then renamed with a number, so that nothing is lost.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from benchcon.demo.desks import panel_path
from benchcon.errors import Trouble
from benchcon.files import write_whole
from benchcon.link.known_ports import home
from benchcon.text import printable


def own_panel() -> tuple[Path, str]:
    """Return the path of a fresh copy in the user's folder, and a line that says where an earlier one is now, or "".

    If that folder cannot be written, the copy is in a temporary one.
    """
    shipped = panel_path().read_bytes()
    path = home() / "demo" / panel_path().name
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        notice = _put_aside(path, shipped)
        write_whole(path, shipped)
    except (OSError, Trouble):
        path = Path(tempfile.mkdtemp(prefix="benchcon-demo-")) / path.name
        write_whole(path, shipped)
        return path, ""
    return path, notice


def _put_aside(path: Path, shipped: bytes) -> str:
    if not path.exists() or path.read_bytes() == shipped:
        return ""
    number = 1
    while (aside := path.with_name(f"{path.stem}.{number}{path.suffix}")).exists():
        number += 1
    path.rename(aside)
    return f"what was changed in the demo's panel file last time is in {printable(str(aside))}"
