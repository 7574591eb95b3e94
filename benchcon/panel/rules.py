"""What must hold between the parts of a panel: names, channels, pins, places."""

from __future__ import annotations

from benchcon.panel.model import Panel
from benchcon.panel.reader import Source


def check(panel: Panel, source: Source) -> None:
    """Note in `source` what does not fit together on `panel`."""
