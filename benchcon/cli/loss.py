"""Reports that a recording is losing records, and that it is complete again."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.capture.writer import Figures


class Loss:
    """Reports each loss of records once when it begins and once when it is over.

    If a loss begins and ends between two calls of `look`, the second call reports both.
    """

    def __init__(self) -> None:
        self._path = ""
        self._missing = ""
        self._missed = 0  # records reported as lost so far, with those of a loss that still goes on
        self._trouble = ""

    def look(self, figures: Figures | None, trouble: str = "") -> list[str]:
        """Return what is new, one printable line each. `trouble`: why no capture could be started, if none could."""
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
        return "free some space or check the disk; recording then goes on by itself"
    if why.startswith("the file"):
        return "recording goes on in a new file of the same name"
    return "the disk is slower than the bench"
