"""The mark of each verdict of a walk, on paper and on screens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchcon.diagnosis.evidence import NOT_DONE
from benchcon.text import counted

MARKS = {
    "passed": ("✓", "passed"),
    "faulty": ("✗", "faulty"),
    "possibly faulty": ("?", "possibly faulty"),
    "skipped": ("–", "skipped"),
    "not wired": ("–", "not wired yet"),
    "not asked": ("–", "not asked"),
}
"""For each verdict its sign and its words; a verdict is never shown by colour alone."""

FAULTY = ("faulty", "possibly faulty")
"""The verdicts of parts that a finding names."""

UNTESTED = (*NOT_DONE, "not asked")
"""The verdicts of parts of which nothing is known."""


def count_words(report: Mapping[str, Any]) -> str:
    """Return in words how many parts of a walk's report have each verdict, and how many boards had trouble."""
    counts = report["counts"].items()
    text = ", ".join(f"{number} {MARKS[verdict][1]}" for verdict, number in counts if number) or "no parts"
    upset = {board for each in report["findings"] if not each["parts"] for board in each["channels"]}
    return f"{text}; {counted(len(upset), 'board')} in trouble" if upset else text
