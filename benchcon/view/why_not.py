"""Why a key that works on a live bench does nothing in a replay or on a tap."""

from __future__ import annotations

from benchcon.panel.unplug import to_pull
from benchcon.view.dark_keys import DARK_KEYS, END_DARK_KEYS
from benchcon.view.model import ViewModel

_DARK = (*DARK_KEYS, *END_DARK_KEYS)
_WORKING = ("plus", "equals_sign", "minus", "b", "enter")
_PORTS = ("l", "o", "w", "e")

NOTHING_TO_LIGHT = "this is a capture: nothing can be lit from it"

_IN_A_RECORDING = {
    "r": "this is a capture: there is nothing to record",
    "k": "this is a capture: there is nothing to save",
    "m": "this is a capture: marks were set while it was recorded; n goes to the next one",
    "t": "this is a capture: a walk needs a bench",
    **dict.fromkeys(_DARK, NOTHING_TO_LIGHT),
    **dict.fromkeys(_WORKING, "this is a capture: nothing can be moved in it"),
    **dict.fromkeys("0123456789", "this is a capture: nothing can be moved in it; g goes to a time"),
    **dict.fromkeys(_PORTS, "this is a capture: it has no ports"),
}
_ON_A_TAP = (*_WORKING, *"0123456789", *_PORTS, "space", "delete", "full_stop", "a", "t", "v")


def why_not(model: ViewModel, key: str) -> str:
    """Return in one line why `key` does nothing in this session; empty for a key that has no meaning anywhere."""
    session = model.session
    if not session.live:
        return _IN_A_RECORDING.get(key, "")
    if session.bench is not None:
        return ""
    if key in _DARK:
        boards = to_pull(model.panel, model.boards)
        pull = f"; for dark, pull the plug: {'; '.join(boards)}" if boards else ""
        return f"{session.undriven}{pull}"
    return session.undriven if key in _ON_A_TAP else ""
