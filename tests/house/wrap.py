"""Wrap the prose of the written documents at one width: `python tests/house/wrap.py` rewrites all of them.

Tables, code, headings and pictures stay as they are. A code span and a short link are never broken,
so that what a reader copies or searches for stands on one line.
"""

import re
from collections.abc import Iterator
from pathlib import Path

WIDTH = 100
ROOT = Path(__file__).resolve().parents[2]

_ATOM = re.compile(r"`[^`\n]+`|!?\[[^\]\n]{1,50}\]\([^)\s]*\)")
_ITEM = re.compile(r"( *)([-*]|\d+\.) +")
_STARTS_A_BLOCK = re.compile(r"(?:[-+*]|#{1,6}|\d+[.)]|[=-]+|[>|].*|·.*|—.*)$")
_NOT_PROSE = re.compile(r"\||#{1,6} |!\[|<!--")


def documents() -> list[Path]:
    """The documents that a reader is pointed to: those at the top, and all under `protocols/`."""
    return sorted([*ROOT.glob("*.md"), *(ROOT / "protocols").rglob("*.md")])


def prose(text: str) -> Iterator[tuple[bool, int, list[str]]]:
    """Split a document into blocks: whether it is prose, the number of its first line, its lines."""
    lines = text.split("\n")
    block: list[str] = []
    start = fence = 0
    in_list = False
    for number, line in enumerate(lines, 1):
        opens = line.lstrip().startswith("```")
        blank = not line.strip()
        code = line.startswith("    ") and not block and not in_list
        if block and (blank or opens or fence or _NOT_PROSE.match(line) or _ITEM.match(line)):
            yield True, start, block
            block = []
        if opens:
            fence = not fence
        if fence or opens or blank or code or _NOT_PROSE.match(line):
            in_list = in_list and (blank or line.startswith(" "))
            yield False, number, [line]
        else:
            in_list = (in_list and line.startswith(" ")) or _ITEM.match(line) is not None or (in_list and bool(block))
            if not block:
                start = number
            block.append(line)
    if block:
        yield True, start, block


def wrapped(text: str, width: int = WIDTH) -> str:
    """The same document with its prose wrapped at `width`."""
    out: list[str] = []
    for is_prose, _, lines in prose(text):
        out += _fill(lines, width) if is_prose else lines
    return "\n".join(out)


def _fill(lines: list[str], width: int) -> list[str]:
    item = _ITEM.match(lines[0])
    first = item.group() if item else lines[0][: len(lines[0]) - len(lines[0].lstrip())]
    first = re.sub(r" +$", " ", first) if item else first
    hang = " " * len(first)
    joined = " ".join(" ".join(lines).removeprefix(item.group() if item else "").split())
    words: list[str] = []
    for word in _ATOM.sub(lambda atom: atom.group().replace(" ", "\0"), joined).split(" "):
        if words and _STARTS_A_BLOCK.match(word):
            words[-1] += "\0" + word  # at the start of a line it would begin a block of its own
        else:
            words.append(word)
    out, line = [], first
    for word in words:
        if line.strip() and line not in (first, hang) and len(line) + 1 + len(word) > width:
            out.append(line)
            line = hang
        line += word if line in (first, hang) else " " + word
    return [filled.replace("\0", " ") for filled in [*out, line]]


if __name__ == "__main__":
    for path in documents():
        path.write_text(wrapped(path.read_text("utf-8")), "utf-8")
