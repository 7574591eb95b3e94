"""No one or two flipped bits turn a machine line into another line that is accepted.

Why it holds: this CRC has a Hamming distance of 4 up to 32 751 bits of data (P. Koopman, T. Chakravarty, "Cyclic
Redundancy Code (CRC) Polynomial Selection for Embedded Networks", DSN 2004; the figure from memory, counted out below
for the lengths that matter). But the check is sent as hex digits, in which one flipped bit can change up to three bits
of the check. So what two flips can do to data and check together is counted out below as well, for every length of
line.
"""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire.vector_files import blocks, only

from benchcon.wire.codec import LINE_MOST, Splitter, answer, check_of, notification, request
from benchcon.wire.records import LINE_DOWN, LINE_UP

MACHINE = [only(block, "line").encode() for block in blocks("lines-good.txt") if only(block, "kind") != "by-hand"]
PAIRED = [
    notification(0x0A3F, 0x0012ABCD, ("is", "sw3=1")),
    notification(0x0A3F, 0x0012ABCD, ("edge", "sw3=1", "0123")),
    notification(4, 1_000_000, ("alive", "0007", "0000", "0000", "0000", "01F4", "1388", "00")),
    request(0x01, ("hello",)),
    request(0x0F, ("set", "l1=1F4")),
    request(0x10, ("dark",)),
    request(0x11, ("light",)),
    answer(0x0F, ("set", "0012ABCD")),
    answer(0x07, ("no", "03", "no", "such", "channel")),
]
HEX = b"0123456789ABCDEF"


def accepted(stream: bytes) -> set[bytes]:
    """Every line that either side would accept of what is on the wire, whichever way it went."""
    lines: set[bytes] = set()
    for splitter in (Splitter("up"), Splitter("down", by_hand=True)):
        for kind, bodies in splitter.feed(stream):
            if kind in (LINE_UP, LINE_DOWN):
                lines.update(bodies)
    return lines


def flipped(stream: bytes, *bits: int) -> bytes:
    changed = bytearray(stream)
    for bit in bits:
        changed[bit >> 3] ^= 1 << (bit & 7)
    return bytes(changed)


@pytest.mark.parametrize("line", MACHINE, ids=bytes.decode)
def test_no_one_flipped_bit_makes_another_line(line: bytes) -> None:
    assert accepted(line + b"\n") == {line}
    for bit in range(8 * len(line)):
        assert accepted(flipped(line + b"\n", bit)) == set()


OTHERS = [pytest.param(line, marks=pytest.mark.slow) for line in MACHINE if line not in PAIRED]


@pytest.mark.parametrize("line", [*PAIRED, *OTHERS], ids=lambda line: line.decode())
def test_no_two_flipped_bits_make_another_line(line: bytes) -> None:
    up, down = Splitter("up"), Splitter("down", by_hand=True)
    for pair in combinations(range(8 * len(line)), 2):
        stream = flipped(line + b"\n", *pair)
        for splitter in (up, down):
            runs = splitter.feed(stream)
            assert all(kind not in (LINE_UP, LINE_DOWN) for kind, _ in runs), (pair, runs)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_no_two_flipped_bits_anywhere_in_two_lines_and_their_ends_make_another(data: st.DataObject) -> None:
    first, second = data.draw(st.sampled_from(MACHINE)), data.draw(st.sampled_from(MACHINE))
    stream = first + b"\n" + second + b"\n"
    bit = st.integers(0, 8 * len(stream) - 1)
    bits = data.draw(st.sets(bit, min_size=1, max_size=2))
    assert accepted(flipped(stream, *bits)) <= {first, second}


def test_the_check_finds_every_pair_of_flips_in_data_and_check_digits() -> None:
    """For every length: no flip in the data is made good by another, or by one in a hex digit of the check."""
    one_flip_in_a_digit = {
        HEX.index(digit) ^ HEX.index(other)
        for digit in HEX
        for other in HEX
        if digit != other and (digit ^ other).bit_count() == 1
    }
    assert max(pattern.bit_count() for pattern in one_flip_in_a_digit) == 3, "B and C: the reason for this test"
    in_the_check = {pattern << 4 * place for pattern in one_flip_in_a_digit for place in range(4)}
    zeros = bytes(LINE_MOST)
    plain = check_of(zeros)
    in_the_data = [check_of(flipped(zeros, bit)) ^ plain for bit in range(8 * LINE_MOST)]
    assert len(set(in_the_data)) == len(in_the_data), "two flips in the data cancel out"
    assert 0 not in in_the_data
    assert not in_the_check & set(in_the_data)


def test_the_check_finds_every_pattern_of_up_to_three_bits_in_data_and_check() -> None:
    """The Hamming distance itself, on binary data: weight up to 3 for the longest line, by exhaustion."""
    bits = 8 * LINE_MOST
    zeros = bytes(LINE_MOST)
    plain = check_of(zeros)
    syndromes = [check_of(flipped(zeros, bit)) ^ plain for bit in range(bits)] + [1 << bit for bit in range(16)]
    singles = set(syndromes)
    assert len(singles) == len(syndromes)
    pairs = {one ^ other for one, other in combinations(syndromes, 2)}
    assert 0 not in pairs
    assert not pairs & singles
