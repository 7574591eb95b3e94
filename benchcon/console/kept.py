"""Small things that the console keeps between runs, each a JSON file in the user's folder. None is worth an error."""

from __future__ import annotations

import contextlib
from typing import Any

from benchcon.files import write_whole
from benchcon.link.known_ports import home


def read(name: str) -> dict[str, Any]:
    """Return the object in the file `name`; empty if it cannot be read, or is not a JSON object."""
    try:
        text = (home() / name).read_bytes()
    except OSError:
        return {}
    import json  # only where something was kept: the first frame does not wait for it

    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def write(name: str, what: dict[str, Any]) -> None:
    """Save `what` in the file `name`; if that fails, it is lost at the end of the run."""
    import json

    with contextlib.suppress(Exception):
        home().mkdir(parents=True, exist_ok=True)
        write_whole(str(home() / name), json.dumps(what).encode(), force=True)
