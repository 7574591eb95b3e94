"""What is said of a recording while it loses records, and when it goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.capture.writer import Figures


class Loss:
    """Remembers what was said, so that each loss is reported once when it begins and once when it is over.

    A loss may begin and end between two looks: then `look` says both at once.
    """

    def __init__(self) -> None:
        self._path = ""
        self._missing = ""
        self._missed = 0  # how many were reported as lost, or are being lost just now
        self._trouble = ""

    def look(self, figures: Figures | None, trouble: str = "") -> list[str]:
        """Return what is new, one printable line each. `trouble`: why no capture could be begun."""
        from benchcon.text import printable

        lines = []
        if trouble and trouble != self._trouble:
            lines.append(trouble)
        self._trouble = trouble
        if figures is None or figures.path != self._path:
            self._missing, self._missed = "", 0
        if figures is None:
            return lines
        self._path = figures.path
        path = printable(figures.path)
        more = figures.missed > self._missed
        if (figures.missing or more) and not self._missing:
            why = figures.missing or figures.missed_why
            lines.append(f"{path}: records are being LOST ({printable(why)}); {_advice(why)}")
        if not figures.missing and (self._missing or more):
            lines.append(f"{path}: recording again; {figures.missed} records are MISSING from it")
        self._missing = figures.missing
        self._missed = max(self._missed, figures.missed)
        return lines


def _advice(why: str) -> str:
    if why.startswith("disk"):
        return "make room or see to the disk: recording goes on by itself"
    if why.startswith("the file"):
        return "recording goes on in a new file of that name"
    return "the disk is slower than the bench"
