"""Counts the parts that have passed, are faulty or were skipped so far, as in the report, on a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from benchcon.errors import Trouble
from benchcon.view.palette import BAD, BRASS, ENGRAVED, GOOD, WARN
from benchcon.walk.journal import FinishedStep
from benchcon.walk.marks import MARKS

if TYPE_CHECKING:
    from benchcon.panel.model import Panel


BRIEF = 45
"""Columns below which the row of `progress` has signs in place of words."""


class Tally:
    """Counts on a thread of its own, so that the walk does not wait for the diagnosis; only the newest state counts."""

    def __init__(self, panel: Panel, tell: Callable[[Mapping[str, int]], None]) -> None:
        """`tell` is called on the thread with the counts by verdict (see `benchcon.report.walk.VERDICTS`)."""
        self.panel, self.tell = panel, tell
        self._known: tuple[object, ...] | None = None
        self._newest: list[FinishedStep] | None = None
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self._ended = False

    def count(self, done: Sequence[FinishedStep]) -> None:
        """Count these groups, unless they are those counted last."""
        known = tuple((each.group.name, each.how, id(each)) for each in done)
        if known == self._known:
            return
        self._known = known
        with self._changed:
            self._newest = list(done)
            self._changed.notify()
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="tally", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """End the thread."""
        with self._changed:
            self._ended = True
            self._changed.notify()

    def _work(self) -> None:
        from benchcon.report.walk import counts

        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._ended or self._newest is not None)
                if self._ended:
                    return
                done, self._newest = self._newest or [], None
            try:
                self.tell(counts(self.panel, done))
            except Trouble:
                continue


def progress(number: int, of: int, counts: Mapping[str, int], width: int) -> Text:
    """Return the row with the number of the current part and the counts by verdict; `number` 0: the walk is over."""
    wide, broad = width > BRIEF, width >= 66
    wrong, left = counts.get("faulty", 0), counts.get("skipped", 0) + counts.get("not wired", 0)
    gap = "   " if broad else "  " if wide else " "
    text = Text()
    if number:
        text.append((f"Part {number} of {of}" if broad else f"{number} of {of}" if wide else f"{number}/{of}") + gap)
        text.stylize(f"bold {BRASS}")
    for verdict, count, colour in (
        ("passed", counts.get("passed", 0), GOOD),
        ("faulty", wrong, BAD if wrong else ENGRAVED),
        ("skipped", left, WARN),
        ("possibly faulty", counts.get("possibly faulty", 0), WARN),
    ):
        mark, word = MARKS[verdict]
        if count or verdict in ("passed", "faulty"):
            text.append((f"{mark} {count} {word}" if wide else f"{mark}{count}") + gap, colour)
    return text
