"""Free text as one word of a line: every byte with a meaning on the wire is written ``%HH`` (as in RFC 3986)."""

from __future__ import annotations

import re
from collections.abc import Iterable

RESERVED = "<>!#@"
"""Characters that appear only at the beginning of a line and before its check."""

_PLAIN = frozenset(range(0x21, 0x7F)) - frozenset(map(ord, RESERVED + "%="))
_WRITTEN = tuple(chr(code) if code in _PLAIN else f"%{code:02X}" for code in range(256))
_ASCII = {code: written for code, written in enumerate(_WRITTEN[:128]) if len(written) > 1}
_ESCAPED = re.compile(rb"%([0-9A-F]{2})")


def quote(text: str) -> str:
    """Return `text` as one word of printable ASCII. Empty text gives an empty word, which only ``key=`` can hold."""
    if text.isascii():  # nearly always, and much faster
        return text.translate(_ASCII)
    return "".join([_WRITTEN[code] for code in text.encode("utf-8", "backslashreplace")])


def unquoted_pairs(words: Iterable[str]) -> dict[str, str]:
    """Return the texts of ``KEY=TEXT`` words by key; words of another form are left out."""
    return {key: unquote(text) for key, mark, text in (word.partition("=") for word in words) if mark}


def unquote(word: str) -> str:
    """Return the text that `word` stands for; the inverse of `quote`. Never raises.

    A ``%`` that does not begin an escape stays as it is; bytes that are not UTF-8 become ``\\xHH``. The text may hold
    control codes: pass it through `benchcon.text.printable` before you show it.
    """
    if "%" not in word:
        return word
    plain = word.replace("%20", " ")
    if "%" not in plain:
        return plain
    raw = word.encode("utf-8", "backslashreplace")
    raw = _ESCAPED.sub(lambda match: bytes((int(match[1], 16),)), raw)
    return raw.decode("utf-8", "backslashreplace")
