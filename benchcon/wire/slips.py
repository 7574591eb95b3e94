"""What is wrong with a line that a board sent: what came, what was expected, and the likely slip behind it.

Whoever writes firmware makes the same few mistakes: the space before the ``#`` left out of the check, hex digits in
lower case, another 16-bit CRC. Each leaves its trace in the bytes. `benchcon conform`, `benchcon ports`, `record` and
the console all use these functions. They are pure, and what they return is printable.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Callable, Sequence

from benchcon.text import printable
from benchcon.wire.codec import LINE_MOST, UP, check_of, seal

VERSION = 1
"""The version of the line protocol that this program speaks."""
LEAST_BUFFER = 32
"""Bytes that every board can take; its answer to ``hello`` may say more."""

_CHECKED = re.compile(rb"(.*?)( ?)#([0-9A-Fa-f]{4})", re.DOTALL)
_RESEMBLES = re.compile(
    rb"<(?:0x)?[0-9A-Fa-f]{1,4} {1,2}[A-Za-z]|!(?:0x)?[0-9A-Fa-f]{1,4} {1,2}(?:0x)?[0-9A-Fa-f]{1,8} "
)
_IDENT = re.compile(r"[a-z][a-z0-9_]{0,15}")
_HEX = re.compile(r"[0-9A-F]+")
_HELLO = (("version", 2), ("number of items", 2), ("receive buffer", 4), ("boot number", 4))
"""The words before the ident in the answer to ``hello``, and how many hex digits each has."""
HELLO_FORM = "hello VERSION ITEMS BUFFER BOOT IDENT, as in 'hello 01 0B 0080 0007 lighting'"


def _reflected(poly: int, start: int, last: int = 0) -> Callable[[bytes], int]:
    def crc(data: bytes) -> int:
        value = start
        for byte in data:
            value ^= byte
            for _ in range(8):
                value = (value >> 1) ^ (poly if value & 1 else 0)
        return value ^ last

    return crc


# Other 16-bit checks that libraries offer under the same or a similar name. The names and parameters are those of the
# catalogue of parametrised CRC algorithms.
_OTHER_CHECKS: tuple[tuple[str, Callable[[bytes], int]], ...] = (
    ("the check began at 0000; it begins at FFFF", lambda data: crc_hqx(data, 0)),
    ("the check began at 1D0F; it begins at FFFF", lambda data: crc_hqx(data, 0x1D0F)),
    ("the check was inverted at the end; leave out that XOR", lambda data: crc_hqx(data, 0xFFFF) ^ 0xFFFF),
    ("that is CRC-16/MODBUS: polynomial 1021h, not reflected, is wanted", _reflected(0xA001, 0xFFFF)),
    ("that is CRC-16/ARC: polynomial 1021h, not reflected, starting at FFFF, is wanted", _reflected(0xA001, 0)),
    ("the check's bits are reflected (CRC-16/MCRF4XX): leave that out", _reflected(0x8408, 0xFFFF)),
    (
        "the check's bits are reflected (CRC-16/KERMIT): not reflected, starting at FFFF, is wanted",
        _reflected(0x8408, 0),
    ),
    (
        "that is CRC-16/IBM-SDLC: not reflected and without the XOR at the end is wanted",
        _reflected(0x8408, 0xFFFF, 0xFFFF),
    ),
    ("that is the plain sum of the bytes; the check is a CRC-16", lambda data: sum(data) & 0xFFFF),
)


def line_slip(raw: bytes) -> str:
    """Return the likely slip behind `raw`, bytes from a board that are not a good line; empty if it cannot be told."""
    raw = raw.rstrip(b"\r\n")
    if len(raw) > LINE_MOST:
        return f"more than {LINE_MOST + 1} bytes with the line end; a line has {LINE_MOST + 1} at most"
    if raw[:1] == b">" or raw[:2] == b"@@":
        return "the board sends back what it receives: switch its echo off, and check that TX and RX do not touch"
    if b"\0" in raw:
        return "a NUL byte in the line: the end of a C string was sent with it"
    if raw[:1] not in (b"<", b"!"):
        if all(0x20 <= byte < 0x7F or byte == 9 for byte in raw) and raw:
            if re.fullmatch(rb"[0-9A-F]{2,4} .* #[0-9A-F]{4}", raw):
                return "the '<' of an answer or the '!' of a notification is missing in front, or was lost on the way"
            return "text that is not a line of the protocol: take debugging prints out of the firmware"
        return "not text: check the rate and the wiring"
    if any(byte < 0x20 or byte > 0x7E for byte in raw):
        if b"\t" in raw:
            return "a tab; words are separated by single spaces"
        return (
            "bytes outside printable ASCII: write them %HH in text; in an ident or name they may be left over in the "
            "board's memory from another sketch"
        )
    if b"#" not in raw:
        return "no check: a space, '#' and four hex digits end a line"
    found = _CHECKED.fullmatch(raw)
    if found is None or b"#" in found[1]:
        return "'#' begins the check, four hex digits that end the line, and appears nowhere else"
    body, space, check = found.groups()
    if not space:
        return "no space before '#'"
    return _form_slip(body) if seal(body)[-4:] == check else _check_slip(body, check) or _form_slip(body)


def _check_slip(body: bytes, check: bytes) -> str:
    """Return what is wrong with `check`, which is not that of `body` and its space; empty if it cannot be told."""
    sent = int(check, 16)
    covered = body + b" "
    if sent == check_of(covered):
        return "the check's hex digits are lower case; all hex digits are upper case"
    if sent == check_of(body):
        return "the check leaves out the space before '#'; it covers everything before the '#'"
    if sent == check_of(covered + b"#"):
        return "the check includes the '#'; it covers everything before it"
    if sent == check_of(body[1:] + b" ") or sent == check_of(body[1:]):
        return "the check leaves out the first character; it covers everything before the '#'"
    if sent == int.from_bytes(check_of(covered).to_bytes(2, "little"), "big"):
        return "the check's two bytes are swapped; the high byte comes first"
    for what, crc in _OTHER_CHECKS:
        if sent in (crc(covered), crc(body)):
            return what
    return ""


def _form_slip(body: bytes) -> str:
    """Return what is wrong with the form of `body`, a line without its check; empty if its form is good."""
    if UP.fullmatch(seal(body)):
        return ""
    if b"  " in body or body[-1:] == b" ":
        return "two spaces together; words are separated by single spaces, and only one space precedes the '#'"
    words = body.split(b" ")
    answer = body[:1] == b"<"
    heads = words[:1] if answer else words[:2]
    widths = (3,) if answer else (5, 8)
    for head, width, what in zip(heads, widths, ("tag" if answer else "running number", "clock"), strict=False):
        digits = head[1:] if width != 8 else head
        whole = width if width == 8 else width - 1
        if re.fullmatch(rb"0x.*", digits):
            return f"'0x' in front of the {what}; only the hex digits belong there"
        if digits != digits.upper() and re.fullmatch(rb"[0-9A-Fa-f]+", digits):
            return f"the {what} has hex digits in lower case; they are upper case"
        if len(digits) != whole or not re.fullmatch(rb"[0-9A-F]+", digits):
            return f"the {what} is '{printable(digits)}'; it has {whole} hex digits"
    word = words[len(heads)] if len(words) > len(heads) else b""
    if word != word.lower():
        return f"the word '{printable(word)}' has capitals; words are lower case"
    if not re.fullmatch(rb"[a-z][a-z0-9_]{0,11}", word):
        return "the word after the tag is missing" if answer else "the word after the clock is missing"
    return "a reserved character (< > ! # @ %) in a text; it is written %HH"


def resembles_line(raw: bytes) -> bool:
    """Return whether `raw`, not a good line, was clearly meant as an answer or notification of the protocol."""
    return _RESEMBLES.match(raw) is not None


def explain_line(raw: bytes) -> str:
    """Return what came, what was expected if that is known, and the likely slip, as one printable line."""
    raw = raw.rstrip(b"\r\n")
    slip = line_slip(raw)
    said = f"'{printable(raw)}' is not a good line"
    found = _CHECKED.fullmatch(raw)
    if found and raw[:1] in (b"<", b"!") and len(raw) <= LINE_MOST:
        meant = seal(found[1])
        if UP.fullmatch(meant) and meant != raw:
            said += f" ('{printable(meant)}' was expected)"
    if slip:
        return f"{said}: {slip}"
    if found and raw[:1] in (b"<", b"!"):
        return f"{said}: its check is wrong; was a bit flipped on the way?"
    return said


def hello_slip(words: Sequence[str]) -> str:
    """Return what is wrong with the words of an answer to ``hello`` (after the tag); empty if nothing is.

    Another version of the protocol does not count as wrong: see `other_version`.
    """
    if tuple(words[:1]) == ("no",):
        why = printable(" ".join(words[1:])) or "no reason"
        return f"'hello' was refused ({why}); the only refusal allowed is 07, busy"
    if len(words) != 6:
        return f"{len(words) - 1} words after 'hello'; there must be five"
    for (what, width), word in zip(_HELLO, words[1:5], strict=True):
        if not _HEX.fullmatch(word) or len(word) != width:
            lower = word != word.upper() and _HEX.fullmatch(word.upper()) and len(word) == width
            return f"the {what} is '{printable(word)}'; it has {width} hex digits" + (" in upper case" if lower else "")
    if not _IDENT.fullmatch(words[5]):
        return (
            f"the ident '{printable(words[5])}' is not an ident: a lower-case letter, then lower-case letters, "
            "digits and '_', 16 at most (is it left over in the board's memory from another sketch?)"
        )
    if words[1] != f"{VERSION:02X}":
        return ""
    if int(words[3], 16) < LEAST_BUFFER:
        return f"a receive buffer of {int(words[3], 16)} bytes; {LEAST_BUFFER} is the least"
    return ""


def explain_hello(words: Sequence[str]) -> str:
    """Return what came for ``hello``, what was expected and the likely slip, as one line; empty if it was right."""
    slip = hello_slip(words)
    if not slip:
        return ""
    return f"'hello' was answered '{printable(' '.join(words))}': {slip}. Expected: {HELLO_FORM}"


def other_version(words: Sequence[str]) -> str:
    """Return one line about a board that speaks another version of the protocol than this program; else empty."""
    if len(words) == 6 and words[0] == "hello" and words[1] != f"{VERSION:02X}":
        return f"the board speaks version {printable(words[1])} of the line protocol, this program {VERSION:02X}"
    return ""
