"""A line that is none is explained: what came, what was expected, and the slip that a builder likely made."""

from __future__ import annotations

import pytest
from crc import Calculator, Configuration
from hypothesis import given
from hypothesis import strategies as st

from benchcon.wire import codec
from benchcon.wire.slips import explain_hello, explain_line, hello_slip, line_slip, other_version

BODY = b"<0A read 0003 0004B2C0 00 sw1=1"
GOOD = codec.seal(BODY)


def _with_check(value: int) -> bytes:
    return BODY + b" #%04X" % value


def _crc(poly: int, start: int, last: int, reflected: bool, data: bytes) -> int:
    # Independent library: PyPI `crc`; parameters from the catalogue of parametrised CRC algorithms.
    return Calculator(Configuration(16, poly, start, last, reflected, reflected)).checksum(data)


COVERED = BODY + b" "
SLIPS = {
    "no space before '#'": BODY + GOOD[-5:],
    "leaves out the space before '#'": _with_check(codec.check_of(BODY)),
    "includes the '#'": _with_check(codec.check_of(COVERED + b"#")),
    "check's hex digits are lower case": GOOD[:-4] + GOOD[-4:].lower(),
    "two bytes are swapped": GOOD[:-4] + GOOD[-2:] + GOOD[-4:-2],
    "began at 0000": _with_check(_crc(0x1021, 0, 0, False, COVERED)),
    "began at 1D0F": _with_check(_crc(0x1021, 0x1D0F, 0, False, COVERED)),
    "inverted at the end": _with_check(_crc(0x1021, 0xFFFF, 0xFFFF, False, COVERED)),
    "CRC-16/MODBUS": _with_check(_crc(0x8005, 0xFFFF, 0, True, COVERED)),
    "CRC-16/ARC": _with_check(_crc(0x8005, 0, 0, True, COVERED)),
    "CRC-16/MCRF4XX": _with_check(_crc(0x1021, 0xFFFF, 0, True, COVERED)),
    "CRC-16/KERMIT": _with_check(_crc(0x1021, 0, 0, True, COVERED)),
    "CRC-16/IBM-SDLC": _with_check(_crc(0x1021, 0xFFFF, 0xFFFF, True, COVERED)),
    "plain sum": _with_check(sum(COVERED) & 0xFFFF),
    "no check": BODY,
    "the tag has hex digits in lower case": codec.seal(b"<0a read"),
    "'0x' in front of the tag": codec.seal(b"<0x0A read"),
    "running number is '12'": codec.seal(b"!12 00000001 is sw1=1"),
    "the clock has hex digits in lower case": codec.seal(b"!0012 000000ab is sw1=1"),
    "has capitals": codec.seal(b"<0A HELLO"),
    "two spaces": codec.seal(b"<0A  hello"),
    "reserved character": codec.seal(b"<0A item 00 board name=a<b"),
    "more than 80 bytes": codec.seal(b"<0A read " + b"x" * 80),
    "a tab": codec.seal(b"<0A\thello"),
    "%HH": codec.seal(b"<0A hello 01 0B 0080 0007 \xff\xff\xff"),
    "NUL": GOOD + b"\0",
    "sends back what it receives": codec.seal(b">0A hello"),
    "debugging prints": b"loop 17",
    "missing in front": GOOD[1:],
}


@pytest.mark.parametrize("slip", SLIPS)
def test_each_slip_is_told_by_its_trace(slip: str) -> None:
    assert slip in line_slip(SLIPS[slip])
    told = explain_line(SLIPS[slip])
    assert slip in told
    assert told.isprintable()


def test_what_was_expected_is_shown() -> None:
    assert GOOD.decode() in explain_line(GOOD[:-4] + GOOD[-4:].lower())
    assert GOOD.decode() in explain_line(BODY + GOOD[-5:])


def test_a_flipped_bit_is_called_that() -> None:
    assert "flipped" in explain_line(GOOD.replace(b"sw1=0", b"sw1=1"))


@given(st.binary(max_size=120))
def test_whatever_comes_is_explained_in_one_printable_line(raw: bytes) -> None:
    assert explain_line(raw).isprintable()


@given(st.lists(st.text(max_size=20), max_size=8))
def test_whatever_hello_is_answered_is_explained_in_one_printable_line(words: list[str]) -> None:
    assert explain_hello(words).isprintable()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("hello 1 0B 0080 0007 lighting", "version is '1'; it has 2 hex digits"),
        ("hello 01 0b 0080 0007 lighting", "number of items is '0b'; it has 2 hex digits in upper case"),
        ("hello 01 0B 128 0007 lighting", "receive buffer is '128'; it has 4"),
        ("hello 01 0B 0080 0007", "4 words after 'hello'; there must be five"),
        ("hello 01 0B 0080 0007 Lighting", "the ident 'Lighting' is not an ident"),
        ("hello 01 0B 0010 0007 lighting", "a receive buffer of 16 bytes"),
        ("no 08 left out", "'hello' was refused (08 left out)"),
    ],
)
def test_a_malformed_hello_is_told_with_what_was_expected(words: str, told: str) -> None:
    said = explain_hello(words.split())
    assert told in said
    assert words in said
    assert "hello 01 0B 0080 0007 lighting" in said


def test_a_good_hello_is_no_slip_and_another_version_is_said_as_such() -> None:
    assert hello_slip(["hello", "01", "0B", "0080", "0007", "lighting"]) == ""
    assert other_version(["hello", "01", "0B", "0080", "0007", "lighting"]) == ""
    assert hello_slip(["hello", "02", "0B", "0080", "0007", "lighting"]) == ""
    assert "version 02" in other_version(["hello", "02", "0B", "0080", "0007", "lighting"])
