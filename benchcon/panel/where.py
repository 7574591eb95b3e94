"""The place of everything in a TOML text: the line of each key, and the spans that an edit replaces.

`tomllib` gives values without places, and round-trip writers put a new key after the comment of the *next* table. This
scanner goes through a text that `tomllib` has already accepted and notes places; it does not check the text.
"""

from __future__ import annotations

import re
from typing import NamedTuple

Path = tuple[str | int, ...]
"""Keys and array indexes from the top: ``("controls", "stop_bar", "channels", 1, "pin")``."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_FILLER = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:""|")?' + r"|'''.*?'''(?:''|')?" + r'|"(?:[^"\\\n]|\\.)*"' + r"|'[^'\n]*'", re.DOTALL
)
_DEEPEST = 24
"""Longest path that is noted; no file of ours has a longer one."""
_SCALAR = re.compile(r"[^,\]}#\r\n]+")


class Pair(NamedTuple):
    """One ``key = value`` outside an inline table."""

    section: Path
    """Path of the header that it is below."""
    path: Path
    start: int
    """Offset at which its key begins."""
    end: int
    """Offset just after its value."""


class Places(NamedTuple):
    """The places in a text; offsets are in characters."""

    lines: dict[Path, int]
    """Line (from 1) of every key, table and array element."""
    keys: list[tuple[Path, int, int]]
    """Every place where the last key of a path is written: path, start, end."""
    values: dict[Path, tuple[int, int]]
    """Start and end of every value, inline tables and array elements included."""
    pairs: list[Pair]
    headers: dict[Path, int]
    """For each table with a header, the offset just after its ``]``."""


def places_in(text: str) -> Places:
    """Return the places of everything in the valid TOML `text`."""
    scanner = _Scanner(text)
    return Places(scanner.lines, scanner.keys, scanner.values, scanner.pairs, scanner.headers)


def lines_of(text: str) -> dict[Path, int]:
    """Return the line (from 1) of every key, table and array element of the valid TOML `text`."""
    return _Scanner(text).lines


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.counted = 0
        self.lines: dict[Path, int] = {(): 1}
        self.keys: list[tuple[Path, int, int]] = []
        self.values: dict[Path, tuple[int, int]] = {}
        self.pairs: list[Pair] = []
        self.headers: dict[Path, int] = {}
        self.last: dict[Path, int] = {}
        """Index of the last element of each array of tables so far."""
        table: Path = ()
        self.skip(_FILLER)
        while self.at < len(text):
            if text[self.at] == "[":
                table = self.header()
                self.headers[table] = self.at
            else:
                start = self.at
                path = self.pair(table)
                self.pairs.append(Pair(table, path, start, self.at))
            self.skip(_FILLER)

    def skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            # Not TOML that this scanner knows: stop with the places found so far, rather than guess.
            self.at = len(self.text)
            return ""
        self.at = match.end()
        return match[0]

    def here(self) -> int:
        self.line += self.text.count("\n", self.counted, self.at)
        self.counted = self.at
        return self.line

    def note(self, path: Path) -> None:
        if len(path) <= _DEEPEST and path not in self.lines:
            self.lines[path] = self.here()

    def named(self, path: Path, begin: int, end: int) -> None:
        if len(path) <= _DEEPEST:
            self.keys.append((path, begin, end))

    def key(self) -> list[tuple[str, int, int]]:
        parts: list[tuple[str, int, int]] = []
        while True:
            self.skip(_BLANK)
            start = self.at
            quoted = self.text[self.at : self.at + 1] in ("'", '"')
            name = _plain(self.skip(_STRING)) if quoted else self.skip(_BARE)
            parts.append((name, start, self.at))
            self.skip(_BLANK)
            if self.text[self.at : self.at + 1] != ".":
                return parts
            self.at += 1

    def resolve(self, start: Path, keys: list[tuple[str, int, int]]) -> Path:
        path = start
        for key, begin, end in keys:
            path = (*path, key)
            self.named(path, begin, end)
            self.note(path)
            if path in self.last:
                path = (*path, self.last[path])
        return path

    def header(self) -> Path:
        array = self.text.startswith("[[", self.at)
        self.at += 2 if array else 1
        keys = self.key()
        if not array:
            path = self.resolve((), keys)
        else:
            name, begin, end = keys[-1]
            path = (*self.resolve((), keys[:-1]), name)
            self.named(path, begin, end)
            self.note(path)
            self.last[path] = self.last.get(path, -1) + 1
            path = (*path, self.last[path])
            self.note(path)
        self.at += 2 if array else 1
        return path

    def pair(self, table: Path) -> Path:
        path = table
        for key, begin, end in self.key():
            path = (*path, key)
            self.named(path, begin, end)
            self.note(path)
        self.at += 1  # =
        self.value(path)
        return path

    def value(self, path: Path) -> None:
        self.skip(_BLANK)
        start = self.at
        first = self.text[self.at : self.at + 1]
        if first == "[":
            self.at += 1
            self.elements(path)
        elif first == "{":
            self.at += 1
            self.inline(path)
        elif first in ("'", '"'):
            self.skip(_STRING)
        else:
            written = self.skip(_SCALAR)
            self.at -= len(written) - len(written.rstrip())
        if len(path) <= _DEEPEST:
            self.values[path] = (start, self.at)

    def elements(self, path: Path) -> None:
        index = 0
        while self.at < len(self.text):
            self.skip(_FILLER)
            if self.text[self.at : self.at + 1] == "]":
                self.at += 1
                return
            self.note((*path, index))
            self.value((*path, index))
            index += 1
            self.skip(_FILLER)
            if self.text[self.at : self.at + 1] == ",":
                self.at += 1

    def inline(self, path: Path) -> None:
        while self.at < len(self.text):
            self.skip(_FILLER)
            if self.text[self.at : self.at + 1] == "}":
                self.at += 1
                return
            self.pair(path)
            self.skip(_FILLER)
            if self.text[self.at : self.at + 1] == ",":
                self.at += 1


def _plain(quoted: str) -> str:
    if quoted.startswith("'"):
        return quoted[1:-1]
    if "\\" not in quoted:
        return quoted[1:-1]
    import tomllib

    return str(tomllib.loads(f"k = {quoted}")["k"])
