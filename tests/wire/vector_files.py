"""Reading the vectors of `protocols/vectors/` (form: its README)."""

from __future__ import annotations

import re

from benchcon.protocol_files import protocols_dir

Block = list[tuple[str, str]]


def blocks(name: str) -> list[Block]:
    """Return the blocks of a vector file: (key, value) pairs in order."""
    found: list[Block] = []
    block: Block = []
    for line in (protocols_dir() / "vectors" / name).read_text("ascii").split("\n"):
        if line.startswith(";"):
            continue
        if line:
            key, _, value = line.partition(" ")
            block.append((key, value))
        elif block:
            found.append(block)
            block = []
    assert not block, f"{name} ends without an empty line"
    return found


def only(block: Block, key: str) -> str:
    """Return the value of a key that stands once."""
    (value,) = (value for name, value in block if name == key)
    return value


def has(block: Block, key: str) -> bool:
    """Whether the block has this key."""
    return any(name == key for name, _ in block)


def raw(value: str) -> bytes:
    """Return the bytes that a value written with escapes stands for."""
    return re.sub(rb"\\x([0-9A-F]{2})", lambda match: bytes((int(match[1], 16),)), value.encode("ascii"))
