"""Reading a keyframe, the whole state of a bench as one line of JSON, which may be damaged or written by anybody."""

from __future__ import annotations

import itertools
from typing import NamedTuple

from benchcon.state.board import BoardState
from benchcon.state.quantities import MOST_QUANTITIES, Quantity
from benchcon.wire.observer import Observer

FORM = 1
"""Version of the keyframe's JSON."""
MOST_BOARDS = 256
"""Most boards of one stream that are kept; a bench has a few. Records of others are left out and counted."""


class Keyframe(NamedTuple):
    """The contents of a keyframe, limited in size and with every field of the right type."""

    boards: dict[int, BoardState]
    """Number of a board → the board."""
    observer: Observer
    """An observer that can go on with the records after the keyframe."""
    values: dict[str, Quantity]
    """The values of a rehearsal, by name."""
    records: int
    notes: int
    panel_text: str
    """The whole panel file; empty if there was none."""
    panel_digest: str


def read_keyframe(body: bytes) -> Keyframe:
    """Read the body of a keyframe record (section 4 of `protocols/capture-file.md`).

    Raises `ValueError`, which says in a few words why, if it cannot be read; nothing else, whatever the body is.
    """
    import json

    try:
        whole = json.loads(body)
    except (ValueError, RecursionError):
        raise ValueError("it is not JSON") from None
    if not isinstance(whole, dict):
        raise ValueError("it is not a JSON object")
    if whole.get("form") != FORM:
        raise ValueError(f"it is not of form {FORM}")
    try:
        boards = {int(fields["source"]): BoardState.from_json(fields) for fields in whole["boards"][:MOST_BOARDS]}
        observer = Observer()
        observer.restore(whole["observer"])
        panel = whole["panel"]
        values = {
            str(name): Quantity(str(text), int(at_us), int(changes))
            for name, (text, at_us, changes) in itertools.islice(whole.get("values", {}).items(), MOST_QUANTITIES)
        }
        text, digest = panel["text"], panel["digest"]
        if not isinstance(text, str) or not isinstance(digest, str):
            raise TypeError
        return Keyframe(boards, observer, values, int(whole["records"]), int(whole["notes"]), text, digest)
    except (ValueError, TypeError, AttributeError, LookupError, OverflowError, RecursionError):
        raise ValueError("a field is missing or of another type") from None
