"""Text for people: untrusted text made printable, numbers with their nouns, lists, what was likely meant."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable, Sequence

_MOST_COMPARED = 200

JOINERS = "\u200c\u200d"
"""Zero-width non-joiner and joiner, which Persian, Hindi, Sinhala and other languages need."""


def harmless(text: str, at: int) -> bool:
    """Return whether the character at index `at` can be shown as it is: it is printable, or a joiner in its place.

    A joiner is in its place after a letter without case or after a mark (Unicode 16, section 23.2), and not after
    another joiner. So it cannot hide between the letters of an English word.
    """
    char = text[at]
    return char.isprintable() or (
        char in JOINERS and at > 0 and unicodedata.category(text[at - 1]) in ("Lo", "Mn", "Mc")
    )


def _escaped(char: str) -> str:
    code = ord(char)
    return f"\\x{code:02X}" if code < 0x100 else f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"


def printable(raw: bytes | str) -> str:
    """Return `raw` with every character that is not printable, and every byte that is not UTF-8, as an escape.

    Not printable (`str.isprintable`) are control characters, invisible ones, marks that change the writing direction or
    end a line, and unassigned code points; joiners are let through (`harmless`). The result may still contain markup
    brackets: hand it to a terminal library as plain text, never as markup.
    """
    text = raw.decode("utf-8", "backslashreplace") if isinstance(raw, bytes) else raw
    if text.isprintable():
        return text
    return "".join(char if harmless(text, at) else _escaped(char) for at, char in enumerate(text))


_FORMULA = ("=", "+", "-", "@")
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?")


def spreadsheet_cell(text: str) -> str:
    """Return any text as a cell of a CSV file that is harmless to a terminal and a spreadsheet.

    A spreadsheet takes what begins with one of ``= + - @`` for a formula, which may fetch or start something (OWASP,
    CSV injection): such a text gets a ``'`` in front. Numbers stay as they are.
    """
    text = printable(text)
    return f"'{text}" if text.startswith(_FORMULA) and not _NUMBER.fullmatch(text) else text


def path_for_others(path: str) -> str:
    """Return `path` for a page that others will see: of an absolute path only the end, as the rest may name a user."""
    whole = os.path.isabs(path) or ".." in path.split(os.sep)
    return printable(os.path.basename(path) if whole else path)


def decimal(text: str, most_digits: int = 9) -> int | None:
    """Return the number that untrusted `text` writes in ASCII digits; None if it is not one, or is too long.

    `int` would raise ValueError for some thousand digits, and accept digits of other scripts.
    """
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= most_digits else None


def counted(number: int, word: str) -> str:
    """Return a number with its noun: ``1 lamp``, ``2 lamps``."""
    return f"{number} {word}{'' if number == 1 else 's'}"


def capitalised(text: str) -> str:
    """Return `text` with a capital at its beginning, and the rest as it is: the beginning of a sentence."""
    return text[:1].upper() + text[1:]


def cut(text: str, most: int) -> str:
    """Return `text` if it has at most so many characters, or else its beginning and ``…``."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def as_typed(path: str) -> str:
    """Return a path, printable, as it is typed in a shell: quoted if it has to be."""
    import shlex

    return shlex.quote(printable(path))


def label_from(name: str) -> str:
    """Return the label of what has only a name: ``Stop bar`` for ``stop_bar``."""
    return name.replace("_", " ").capitalize()


def times(count: int) -> str:
    """Return a count in words: ``once``, ``2 times``."""
    return "once" if count == 1 else f"{count} times"


def repeated(text: str, count: int) -> str:
    """Return `text` with how often it came, if it came more than once: ``… , 3 times``."""
    return f"{text}, {count} times" if count > 1 else text


def listed(items: Iterable[object]) -> str:
    """Return `items` as a sentence lists them: ``Mains, Standby and Battery``; empty if there are none."""
    words = [str(item) for item in items]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def about(name: str, text: str) -> str:
    """Return `text`, which says something about `name`, with that in front unless it begins with it."""
    return text if text.startswith(name) else f"{name}: {text}"


def first_of(items: Sequence[object], most: int, between: str = ", ") -> str:
    """Return the first `most` of `items`, and how many more there are: ``J1, J2, J3 and 4 more``."""
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return between.join(str(item) for item in items[:most]) + more


def near(word: str, known: Iterable[str], quote: str = '"') -> str:
    """Return ``; did you mean "red"?`` with the one of the `known` words nearest to `word`; empty if none is near.

    Case is ignored. `quote` is put around the proposal. The result is printable.
    """
    return did_you_mean(nearest(word, known), quote)


def did_you_mean(found: str | None, quote: str = '"') -> str:
    """Return ``; did you mean "red"?`` with what was found, printable; empty if nothing was."""
    return f"; did you mean {quote}{printable(found)}{quote}?" if found else ""


_OF_KEYS = 0.7
"""Least similarity of a key and a slip in it, by `difflib`: ``colour`` and ``connector`` have 0.53, ``wrie`` and
``wire`` 0.75."""


def near_key(key: str, known: Iterable[str], quote: str = '"') -> str:
    """Return what `near` does, but only for a slip of the hand or a key written shorter or longer.

    ``positon`` is ``position`` and ``ident`` is ``id``, but ``colour`` is not ``connector``: a list of the known keys
    stands beside it, and a proposal that is far from what was written only misleads.
    """
    return did_you_mean(nearest_key(key, known), quote)


def nearest_key(key: str, known: Iterable[str]) -> str | None:
    """Return the one of the `known` keys that `near_key` proposes for `key`, or None."""
    words = list(known)
    # Of two or three letters, one more or less or two swapped are already a large share.
    brief = [word for word in words if len(word) <= 3 and abs(len(word) - len(key)) <= 1 and _is_one_slip(key, word)]
    begins = [
        word for word in words if min(len(word), len(key)) >= 2 and (key.startswith(word) or word.startswith(key))
    ]
    return nearest(key, words, _OF_KEYS) or next(iter((*brief, *begins)), None)


def _is_one_slip(one: str, other: str) -> bool:
    """Return whether a letter is left out, doubled or added, or two are swapped."""
    one = one.lower()
    longer, shorter = (one, other) if len(one) > len(other) else (other, one)
    if len(longer) > len(shorter):
        return any(longer[:at] + longer[at + 1 :] == shorter for at in range(len(longer)))
    return any(one[:at] + one[at : at + 2][::-1] + one[at + 2 :] == other for at in range(len(one) - 1))


def nearest(word: str, known: Iterable[str], cutoff: float = 0.5) -> str | None:
    """Return the one of the `known` words that `near` proposes for `word`, or None."""
    import difflib

    # Both may be untrusted and long, and comparing takes time with the square of their lengths.
    found = difflib.get_close_matches(word[:64].lower(), list(known)[:_MOST_COMPARED], 1, cutoff)
    return found[0] if found else None
