"""What a capture itself says is missing in it: its ``missed`` and ``untold`` records."""

from __future__ import annotations

from collections import Counter

from benchcon.text import decimal, printable
from benchcon.wire.quote import unquoted_pairs
from benchcon.wire.records import LINK, Batch

_MOST_DIGITS = 15
_MOST_WHYS = 8


class Missing:
    """Feed it every batch of a capture."""

    def __init__(self) -> None:
        self.records: Counter[str] = Counter()
        """Records that are in no file, by why, printable."""
        self.bytes = 0
        """Bytes that a tap passed on and did not record."""

    def feed(self, batch: Batch) -> None:
        """Take a batch."""
        if batch.kind != LINK:
            return
        for body in batch.bodies:
            word, *pairs = body.decode("utf-8", "backslashreplace").split(" ")
            if word not in ("missed", "untold"):
                continue
            detail = unquoted_pairs(pairs)
            if word == "untold":
                self.bytes += decimal(detail.get("bytes", ""), _MOST_DIGITS) or 0
                continue
            why = printable(detail.get("why", "")) or "it is not said why"
            if why not in self.records and len(self.records) >= _MOST_WHYS:
                why = "other reasons"
            self.records[why] += decimal(detail.get("records", ""), _MOST_DIGITS) or 0

    def words(self) -> str:
        """Return how much is missing and why, such as ``12 records are MISSING (slow)``; empty if nothing is."""
        told = []
        if self.records:
            whys = [f"{why}: {number}" if len(self.records) > 1 else why for why, number in self.records.most_common()]
            count = self.records.total()
            told.append(f"{count} {'record is' if count == 1 else 'records are'} MISSING ({'; '.join(whys)})")
        if self.bytes:
            are = "byte is" if self.bytes == 1 else "bytes are"
            told.append(f"{self.bytes} {are} MISSING (passed on by the tap, and not recorded)")
        return " and ".join(told)
