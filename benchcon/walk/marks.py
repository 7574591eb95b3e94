"""How each verdict of a walk is marked, on paper and on screens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

MARKS = {
    "passed": ("✓", "passed"),
    "faulty": ("✗", "faulty"),
    "possibly faulty": ("?", "possibly faulty"),
    "skipped": ("–", "skipped"),
    "not wired": ("–", "not wired yet"),
    "not asked": ("–", "not asked"),
}
"""For each verdict a sign and its words: never by colour alone."""


def count_words(counts: Mapping[str, Any]) -> str:
    """Say how many parts came out how."""
    return ", ".join(f"{number} {MARKS[verdict][1]}" for verdict, number in counts.items() if number) or "no parts"
