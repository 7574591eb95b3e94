"""What is said of a recording while it loses records, and when it goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.capture.writer import Figures


class Loss:
    """Remembers what was said, so that each loss is told once when it begins and once when it is over."""

    def __init__(self) -> None:
        self._missing = ""
        self._trouble = ""

    def look(self, figures: Figures | None, trouble: str = "") -> list[str]:
        """Return what is new, one printable line each. `trouble`: why no capture could be begun."""
        from benchcon.wire.printable import printable

        lines = []
        if trouble and trouble != self._trouble:
            lines.append(trouble)
        self._trouble = trouble
        if figures is None:
            self._missing = ""
            return lines
        path = printable(figures.path)
        if figures.missing and not self._missing:
            lines.append(f"{path}: records are being LOST ({printable(figures.missing)}); {_advice(figures.missing)}")
        elif self._missing and not figures.missing:
            lines.append(f"{path}: recording again; {figures.missed} records are MISSING in it")
        self._missing = figures.missing
        return lines


def _advice(why: str) -> str:
    if why.startswith("disk"):
        return "make room or see to the disk: recording goes on by itself"
    if why.startswith("the file"):
        return "recording goes on in a new file of that name"
    return "the disk is slower than the bench"
