"""Text that every room shows: a stranger's made harmless, numbers with their nouns, lists, what was likely meant."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterable

_MOST_COMPARED = 200

JOINERS = "\u200c\u200d"
"""Zero-width non-joiner and joiner: Persian, Hindi, Sinhala and others are written with them."""


def harmless(text: str, at: int) -> bool:
    """Return whether the character at `at` can be shown as it is.

    That is a printable one, or a joiner behind a letter that joins. A joiner stands behind a letter without case or a
    mark, in no script that has cases (Unicode 16, section 23.2), and never behind another joiner: it does not hide
    between the letters of an English word.
    """
    char = text[at]
    return char.isprintable() or (
        char in JOINERS and at > 0 and unicodedata.category(text[at - 1]) in ("Lo", "Mn", "Mc")
    )


def _escaped(char: str) -> str:
    code = ord(char)
    return f"\\x{code:02X}" if code < 0x100 else f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"


def printable(raw: bytes | str) -> str:
    """Return `raw` with every control character, and every byte that is no UTF-8, written as an escape.

    So are marks that turn the direction of writing, split lines or hide, and code points that are nobody's: all that
    Unicode does not class as printable (`str.isprintable`), joiners excepted (`harmless`). What comes back holds no
    control codes. It may still hold markup brackets: hand it to a terminal library as plain text, never as markup.
    """
    text = raw.decode("utf-8", "backslashreplace") if isinstance(raw, bytes) else raw
    if text.isprintable():
        return text
    return "".join(char if harmless(text, at) else _escaped(char) for at, char in enumerate(text))


def path_for_others(path: str) -> str:
    """Return `path` as it may stand on a page that is sent on: only the end of an absolute one, which tells a login."""
    whole = os.path.isabs(path) or ".." in path.split(os.sep)
    return printable(os.path.basename(path) if whole else path)


def decimal(text: str, most_digits: int = 9) -> int | None:
    """Return the number that a stranger wrote in ASCII digits; None if `text` is none, or has more than `most_digits`.

    Python raises ValueError for a number of some thousand digits, and takes digits of other scripts for digits.
    """
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= most_digits else None


def counted(number: int, word: str) -> str:
    """Return a number with its noun: ``1 lamp``, ``2 lamps``."""
    return f"{number} {word}{'' if number == 1 else 's'}"


def times(count: int) -> str:
    """Return how often: ``once``, ``2 times``."""
    return "once" if count == 1 else f"{count} times"


def listed(items: Iterable[object]) -> str:
    """Return words or numbers as a sentence lists them: ``Mains, Standby and Battery``; empty if there are none."""
    words = [str(item) for item in items]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def near(word: str, known: Iterable[str], quote: str = '"', cutoff: float = 0.5) -> str:
    """Return ``; did you mean "red"?`` for that of the `known` words which is nearest to `word`, or nothing.

    Letters may be capitals in `word`. `quote` is what stands round the proposal, `cutoff` how alike the two must be, 0
    to 1. What comes back is printable.
    """
    import difflib

    # Both may be a stranger's: comparing takes time with the square of their lengths.
    found = difflib.get_close_matches(word[:64].lower(), list(known)[:_MOST_COMPARED], 1, cutoff)
    return f"; did you mean {quote}{printable(found[0])}{quote}?" if found else ""
