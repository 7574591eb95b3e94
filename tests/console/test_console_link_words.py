"""Every link record that the capture file's document lists is a sentence in the list of events, not the record itself.

A port that could not be opened was listed as `refused port=… why=…`.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchcon.link.records import link_record
from benchcon.view.event_feed import Feed
from benchcon.view.event_text import Names, tell
from benchcon.wire.observer import Observer

DOCUMENT = Path(__file__).parents[2] / "protocols/capture-file.md"


def documented() -> list[str]:
    """The link records of section 9, as they are written there."""
    section = DOCUMENT.read_text("utf-8").partition("## 9 ")[2].partition("## 10 ")[0]
    firsts = re.findall(r"^\| (`.*?) \|", section, re.MULTILINE)
    return [record for cell in firsts for record in re.findall(r"`([^`]*)`", cell)]


RECORDS = [record for record in documented() if not record.startswith(("opened …", "values"))]


@pytest.mark.parametrize("record", RECORDS)
def test_a_link_record_is_told_in_words(record: str) -> None:
    word, *pairs = record.split()
    detail = dict(pair.split("=") for pair in pairs)
    (batch,) = [link_record(1_000, 1, word, **detail)]
    (event,) = Observer().observe(batch)
    text = tell(event, Names(Feed())).text
    assert "=" not in text
    assert text.split() != record.split()
    for said in ("TEXT", "ID", "WHY"):
        if said in detail.values() and word != "held" and detail.get("why") != "duplicate":
            assert said in text
