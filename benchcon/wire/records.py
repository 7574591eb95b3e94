"""Records: what happened on the bench, when, and on which board, in batches.

A batch is what one read or one write gave: any number of records of one kind, from one board, with one stamp. It is a
plain named tuple because at full speed a few hundred thousand lines a second pass through here.
"""

from __future__ import annotations

from typing import NamedTuple

BENCH = 0
"""Source number of the bench itself (notes, keyframes); boards count from 1."""

LINE_UP = "<"
"""A machine line from a board, whose check is right; body: the line without its end."""
LINE_DOWN = ">"
"""A line sent to a board, by machine or by hand; body: the line without its end."""
BYTES_UP = "("
"""Bytes from a board that are not a good line; body: the raw bytes without the line end, at most 80 of them."""
BYTES_DOWN = ")"
"""Bytes sent to a board that are not a good line (seen by a tap); body: as of `BYTES_UP`."""
LINK = "~"
"""What only the link can know; body: ``WORD key=text …``, see `protocols/capture-file.md`."""
NOTE = "*"
"""A mark, a trigger, or a remark of the user's; body: ``KIND text``, UTF-8, one line."""
KEYFRAME = "="
"""The whole state at this moment; body: one line of JSON, UTF-8."""

NOTE_KINDS = ("mark", "trigger", "expectation", "word")
"""What a note's first word can be."""

KINDS = (LINE_UP, LINE_DOWN, BYTES_UP, BYTES_DOWN, LINK, NOTE, KEYFRAME)


class Batch(NamedTuple):
    """Records of one kind that share a stamp and a source, in order."""

    at_us: int
    """Host time in microseconds since the stream began; never decreases along a stream."""
    source: int
    """Board number on this bench, or `BENCH`."""
    kind: str
    """One of `KINDS`."""
    bodies: list[bytes]
    """The records' bodies."""
