"""In which line of a TOML text each key and each element of an array stands.

`tomllib` gives values without places. This scanner walks the same text, which `tomllib` has already accepted, and notes
the line of every path; it judges nothing.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]
"""Keys and array indexes from the top: ``("controls", "stop_bar", "channels", 1, "pin")``."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_FILLER = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:""|")?' + r"|'''.*?'''(?:''|')?" + r'|"(?:[^"\\\n]|\\.)*"' + r"|'[^'\n]*'", re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}#\r\n]+")


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
        self.last: dict[Path, int] = {}
        """Index of the last element of each array of tables so far."""
        table: Path = ()
        self.skip(_FILLER)
        while self.at < len(text):
            if text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)
            self.skip(_FILLER)

    def skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            # Not TOML as we know it: stop here with what was found, rather than guess.
            self.at = len(self.text)
            return ""
        self.at = match.end()
        return match[0]

    def here(self) -> int:
        self.line += self.text.count("\n", self.counted, self.at)
        self.counted = self.at
        return self.line

    def note(self, path: Path) -> None:
        self.lines.setdefault(path, self.here())

    def key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self.skip(_BLANK)
            if self.text[self.at : self.at + 1] in ("'", '"'):
                parts.append(_plain(self.skip(_STRING)))
            else:
                parts.append(self.skip(_BARE))
            self.skip(_BLANK)
            if self.text[self.at : self.at + 1] != ".":
                return parts
            self.at += 1

    def resolve(self, start: Path, keys: list[str]) -> Path:
        path = start
        for key in keys:
            path = (*path, key)
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
            path = (*self.resolve((), keys[:-1]), keys[-1])
            self.note(path)
            self.last[path] = self.last.get(path, -1) + 1
            path = (*path, self.last[path])
            self.note(path)
        self.at += 2 if array else 1
        return path

    def pair(self, table: Path) -> None:
        path = table
        for key in self.key():
            path = (*path, key)
            self.note(path)
        self.at += 1  # =
        self.value(path)

    def value(self, path: Path) -> None:
        self.skip(_BLANK)
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
            self.skip(_SCALAR)

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
