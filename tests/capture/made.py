"""Records for the tests of this room: made up, but of the shape a bench gives."""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Iterator
from datetime import UTC, datetime

from benchcon.wire.records import LINE_UP, Batch

BEGAN = datetime(2026, 3, 1, 12, 0, 0, 123456, UTC)


def sealed(body: bytes) -> bytes:
    """A machine line, its check worked out here and not by our codec (CRC-16/IBM-3740, the standard library's CRC)."""
    body += b" "
    return body + b"#%04X" % crc_hqx(body, 0xFFFF)


def notification(number: int, clock_us: int, what: bytes) -> bytes:
    return sealed(b"!%04X %08X %b" % (number & 0xFFFF, clock_us & 0xFFFFFFFF, what))


def batches(count: int, each: int = 5, step_us: int = 500, boards: int = 2, start_us: int = 1000) -> list[Batch]:
    """`count` batches of `each` lines, switches going back and forth on `boards` boards."""
    return list(one_by_one(count, each, step_us, boards, start_us))


def one_by_one(count: int, each: int = 5, step_us: int = 500, boards: int = 2, start_us: int = 1000) -> Iterator[Batch]:
    """As `batches`, for a test that stops when it has had enough."""
    numbers = [0] * (boards + 1)
    for turn in range(count):
        source = turn % boards + 1
        at_us = start_us + turn * step_us
        lines = []
        for _ in range(each):
            number = numbers[source]
            lines.append(notification(number, at_us, b"is sw%d=%d" % (number % 7, number // 7 & 1)))
            numbers[source] += 1
        yield Batch(at_us, source, LINE_UP, lines)


def keyframe(number: int = 0) -> bytes:
    """A keyframe's body that can be told from others by its number, by the table of section 4 of the document."""
    return (
        b'{"form":1,"at_us":0,"records":%d,"notes":0,"panel":{"text":"","digest":""},"boards":[],"observer":{"boards":[]}}'
        % number
    )


def flat(given: list[Batch]) -> list[tuple[int, int, str, bytes]]:
    """Records one by one: how they were batched does not matter."""
    return [(at_us, source, kind, body) for at_us, source, kind, bodies in given for body in bodies]
