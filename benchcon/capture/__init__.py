"""Captures: the stream of records as a file (`protocols/capture-file.md`), written without being in the bench's way.

`Writer` records, `Reader` reads, in order or from any moment; `Ring` keeps what came before a trigger.
"""

from benchcon.capture.reader import Reader
from benchcon.capture.ring import Ring
from benchcon.capture.writer import Writer

__all__ = ["Reader", "Ring", "Writer"]
