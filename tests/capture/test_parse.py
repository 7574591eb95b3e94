"""Taken by blocks or line by line, good, bad or nearly good: the records are the same, and so is what is wrong."""

from __future__ import annotations

from itertools import chain

import pytest
from capture.made import flat, sealed
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.capture.parse import SHAPES_MOST, Parser, Problem, Problems
from benchcon.wire.records import Batch

GOOD = st.sampled_from(
    [
        b"< " + sealed(b"!0A3F 0012ABCD is sw3=1"),
        b"< " + sealed(b"!0A40 0012ABD0 is sw3=0 sw12=1"),
        b"< " + sealed(b"<7F ok"),
        b"> " + sealed(b">1C set l1=3E8"),
    ]
)
# What has the shape of a good line, or nearly: a digit in the word, which could hide a capital; a tag no request has;
# a check of small letters; a wrong check; a line typed by hand; a line of the wrong direction; a body that is empty.
NEARLY = st.sampled_from(
    [
        b"< " + sealed(b"!0A3F 0012ABCD is2 sw3=1"),
        b"< " + sealed(b"!0A3F 0012ABCD isA sw3=1"),
        b"> " + sealed(b">00 set l1=3E8"),
        b"< !0A3F 0012ABCD is sw3=1 #c08e",
        b"< !0A3F 0012ABCD is sw3=1 #0000",
        b"> @@ help",
        b"< " + sealed(b">1C set l1=3E8"),
        b"< ",
        b"( \\x00noise",
        b"* mark here",
        b"~ opened port=p rate=115200",
        b'= {"form":1}',
        b"# records=1 keyframe=-1 prior=-1 note=-1 crc=00000000",
        b"? of no kind",
    ]
)
# Stamps and sources with a capital where a digit should be look the same once their shape is taken.
STAMP = st.one_of(
    st.integers(0, 300).map(b"%d".__mod__),
    st.sampled_from([b"1A0", b"B", b"-5", b"", b"9" * 19, b"007", b"+3", b"1_0"]),
)
SOURCE = st.sampled_from([b"1", b"2", b"9", b"A", b"12", b"1F", b"9999", b"12345", b"-1", b""])
LINE = st.tuples(STAMP, SOURCE, st.one_of(GOOD, NEARLY)).map(b" ".join)
STRETCH = st.tuples(st.integers(200, 300), st.sampled_from([b"1", b"17"]), st.lists(st.one_of(GOOD, GOOD, NEARLY))).map(
    lambda drawn: [b"%d %b %b" % (drawn[0] + turn // 2, drawn[1], body) for turn, body in enumerate(drawn[2])]
)
LINES = st.lists(st.one_of(LINE.map(lambda line: [line]), STRETCH), max_size=20).map(lambda parts: list(chain(*parts)))


def taken(parser: Parser, blocks: list[bytes]) -> list[tuple[int, int, str, bytes]]:
    return flat([batch for block in blocks for batch in parser.block(block)])


def parsed(lines: list[bytes], each: int) -> tuple[list[tuple[int, int, str, bytes]], list[Problem], int]:
    """What a parser makes of the lines, `each` a block, once it has learnt all shapes there are."""
    problems = Problems()
    parser = Parser(problems)
    parser.begin(0, 1, whole=True)
    blocks = [b"".join(line + b"\n" for line in lines[at : at + each]) for at in range(0, len(lines), each)]
    return taken(parser, blocks), problems.kept, parser.records


@pytest.mark.slow
@settings(deadline=None, max_examples=300)
@given(LINES, st.integers(1, 30))
def test_many_lines_at_once_are_what_each_is_by_itself(lines: list[bytes], each: int) -> None:
    alone = parsed(lines, 1)
    assert parsed(lines, each) == alone
    assert parsed(lines, len(lines) or 1) == alone


def test_lines_of_one_read_stay_together() -> None:
    text = b"".join(b"%d 1 < %b\n" % (turn // 5, sealed(b"!%04X 00000000 is sw3=1" % turn)) for turn in range(500))
    batches = Parser(Problems()).block(text)
    assert [(batch.at_us, len(batch.bodies)) for batch in batches] == [(turn, 5) for turn in range(100)]


def test_more_shapes_than_are_remembered_are_read_all_the_same() -> None:
    names = [f"{chr(97 + n % 26)}{chr(97 + n // 26 % 26)}{chr(97 + n // 676)}" for n in range(SHAPES_MOST + 500)]
    bodies = [sealed(b"!0000 00000000 is %b=1" % name.encode()) for name in names]
    problems = Problems()
    parser = Parser(problems)
    for _ in range(2):
        batches = parser.block(b"".join(b"7 1 < %b\n" % body for body in bodies))
        assert flat(batches) == flat([Batch(7, 1, "<", bodies)])
    assert not problems.counts
