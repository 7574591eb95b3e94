"""What is missing in a capture, according to its own ``missed`` and ``unrecorded`` records."""

from __future__ import annotations

from collections import Counter

from benchcon.text import decimal, printable
from benchcon.wire.quote import unquoted_pairs
from benchcon.wire.records import LINK, Batch

_MOST_DIGITS = 15
_MOST_WHYS = 8


class Missing:
    """Sums up what is missing in a capture; feed it every batch."""

    def __init__(self) -> None:
        self.records: Counter[str] = Counter()
        """Why, printable → how many records are in no file."""
        self.bytes = 0
        """How many bytes a tap passed on but did not record."""

    def feed(self, batch: Batch) -> None:
        """Take a batch."""
        if batch.kind != LINK:
            return
        for body in batch.bodies:
            word, *pairs = body.decode("utf-8", "backslashreplace").split(" ")
            if word not in ("missed", "unrecorded"):
                continue
            detail = unquoted_pairs(pairs)
            if word == "unrecorded":
                self.bytes += decimal(detail.get("bytes", ""), _MOST_DIGITS) or 0
                continue
            why = printable(detail.get("why", "")) or "no reason given"
            if why not in self.records and len(self.records) >= _MOST_WHYS:
                why = "other reasons"
            self.records[why] += decimal(detail.get("records", ""), _MOST_DIGITS) or 0

    def words(self) -> str:
        """Return how much is missing and why, such as ``12 records are MISSING (slow)``; empty if nothing is."""
        parts = []
        if self.records:
            whys = [f"{why}: {number}" if len(self.records) > 1 else why for why, number in self.records.most_common()]
            count = self.records.total()
            parts.append(f"{count} {'record is' if count == 1 else 'records are'} MISSING ({'; '.join(whys)})")
        if self.bytes:
            are = "byte is" if self.bytes == 1 else "bytes are"
            parts.append(f"{self.bytes} {are} MISSING (passed on by the tap, but not recorded)")
        return " and ".join(parts)
