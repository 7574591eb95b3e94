"""Small settings that the console keeps between runs, as JSON files in the user's folder; failures are ignored."""

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
    import json  # imported only if there is a file, so that the first frame does not wait for it

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
