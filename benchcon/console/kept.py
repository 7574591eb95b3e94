"""Small things that the console keeps between runs, each a JSON file in the user's folder. None is worth an error."""

from __future__ import annotations

import contextlib
from typing import Any

from benchcon.files import write_whole
from benchcon.link.known_ports import home


def read(name: str) -> dict[str, Any]:
    """Return what was kept in the file `name`; nothing if it cannot be read or holds no object."""
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
    """Keep `what` in the file `name`. Where that cannot be written it holds for this run."""
    import json

    with contextlib.suppress(Exception):
        home().mkdir(parents=True, exist_ok=True)
        write_whole(str(home() / name), json.dumps(what).encode(), force=True)
