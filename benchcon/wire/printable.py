"""Making text from a stranger harmless before it is kept as text or shown."""

from __future__ import annotations

_TABLE = {code: f"\\x{code:02X}" for code in [*range(0x20), *range(0x7F, 0xA0)]}
# Marks that turn writing round, split lines or hide: they could make a screen lie about what a board said.
_TABLE |= {
    code: f"\\u{code:04X}"
    for code in [
        0x061C,
        0x200B,
        0x200E,
        0x200F,
        0x2028,
        0x2029,
        *range(0x202A, 0x202F),
        *range(0x2060, 0x206A),
        0xFEFF,
    ]
}


def printable(raw: bytes | str) -> str:
    """Return `raw` with every control character and every byte that is no UTF-8 shown as ``\\xHH``.

    What comes back holds no control codes. It may still hold markup brackets: hand it to a terminal library as plain
    text, never as markup.
    """
    text = raw.decode("utf-8", "backslashreplace") if isinstance(raw, bytes) else raw
    return text.translate(_TABLE)
