"""Link records: what only the link can know. `protocols/capture-file.md` lists them all, with their keys."""

from __future__ import annotations

from benchcon.wire.quote import quote
from benchcon.wire.records import LINK, Batch


def link_record(at_us: int, source: int, word: str, /, **detail: str | int) -> Batch:
    """Return a batch with one link record, ``WORD key=text …``; each text is quoted as on the wire."""
    pairs = (f"{key}={quote(str(text))}" for key, text in detail.items())
    return Batch(at_us, source, LINK, [" ".join((word, *pairs)).encode()])
