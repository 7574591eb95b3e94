"""Reading tables of a TOML file with findings: every mistake noted with file, line and key, and reading goes on."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple, TypeVar

from benchcon.errors import Trouble
from benchcon.panel.where import Path
from benchcon.text import near, printable
from benchcon.units import quantity

NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
BOARD_NAME = re.compile(r"[a-z][a-z0-9_]{0,15}")
CHANNEL_ID = re.compile(r"[a-z][a-z0-9_]{0,7}")


_Read = TypeVar("_Read")

_MOST_LISTED = 24
_MOST_NOTED = 1000
"""Most findings that are listed about one file; whoever has more mends the first and checks again."""


class PanelRemark(NamedTuple):
    """One thing about a file that a person should know."""

    file: str
    line: int
    """From 1; 0: the file as a whole."""
    text: str
    """Key, what was found, what is allowed; printable, one line."""
    grave: bool = True
    """The file cannot be used until it is mended; otherwise: advice."""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return f"{where}: {'' if self.grave else 'advice: '}{self.text}"


def as_finding(file: str, message: str) -> PanelRemark:
    """Return the finding that a message ``FILE:LINE: text`` of a `Trouble` about `file` tells."""
    shown_file = printable(file)
    match = re.match(r":(?: line )?(\d{1,9}): ", message.removeprefix(shown_file))
    if message.startswith(shown_file) and match:
        return PanelRemark(shown_file, int(match[1]), message[len(shown_file) + match.end() :])
    return PanelRemark(shown_file, 0, message.removeprefix(shown_file).lstrip(": "))


def has_heading(text: str, *headings: str) -> bool:
    """Tell whether a line of TOML begins with one of `headings`, such as ``[[faults]]`` or ``[values.``.

    Spaces count for nothing. Line by line: no file, however long and odd, costs more than one look at it.
    """
    return any("".join(line.split()).startswith(headings) for line in text.splitlines() if "[" in line)


def options(allowed: Iterable[str]) -> str:
    """Return allowed words as a list for a message, not longer than can be read."""
    words = list(allowed)
    return ", ".join(words[:_MOST_LISTED]) + (f" and {len(words) - _MOST_LISTED} more" * (len(words) > _MOST_LISTED))


def shown(value: object) -> str:
    """Return what was found in the file as text for a message, bounded and printable."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list" if len(value) > 6 or any(isinstance(v, dict | list) for v in value) else _list(value)
    text = printable(value) if isinstance(value, str) else printable(_bounded(value))
    text = text if len(text) <= 60 else text[:57] + "…"
    return f'"{text}"' if isinstance(value, str) else text


def _bounded(value: object) -> str:
    # str() of an enormous integer is refused by Python itself.
    return "a gigantic number" if isinstance(value, int) and abs(value) >= 10**18 else str(value)


def _list(values: list[Any]) -> str:
    return "[" + ", ".join(shown(value) for value in values) + "]"


def dotted(path: Path) -> str:
    """Return a path as a person would write it: ``controls.stop_bar.channels[2].pin`` (elements from 1)."""
    out = ""
    for step in path:
        if isinstance(step, int):
            out += f"[{step + 1}]"
        else:
            plain = re.fullmatch(r"[A-Za-z0-9_-]{1,40}", step)
            out += ("." if out else "") + (step if plain else shown(step))
    return out or "the file"


class SourceFile:
    """A file that is being read: its name, where its keys stand, and what was found wrong so far."""

    def __init__(self, file: str, lines: dict[Path, int]) -> None:
        self.file = printable(file)
        self.lines = lines
        self.homes: dict[Path, Path] = {}
        """Where that stands in the file which a repeat, a lit control or a lamp of several colours makes."""
        self.findings: list[PanelRemark] = []
        self.said = 0
        """How often anything was found wrong, whether or not it is noted already."""
        self._noted: dict[tuple[Path, str], int] = {}

    def line(self, path: Path) -> int:
        """Return the line of `path`, of what made it, or of the nearest thing around it."""
        for length in range(len(path), -1, -1):
            if found := self.lines.get(path[:length]):
                return found
            if home := self.homes.get(path[:length]):
                return self.line((*home, *path[length:]))
        return 0

    def say(self, path: Path, text: str, *, grave: bool = True) -> None:
        """Note a finding about `path`: ``KEY text``.

        What is true of several parts that one table makes is said once, of that table.
        """
        self.said += 1
        home = self._home(path)
        known = self._noted.setdefault((home, text), len(self.findings))
        if known < len(self.findings):
            self.findings[known] = self.findings[known]._replace(text=f"{dotted(home)} {text}")
        else:
            # A lamp that is in a control has no table of its own: it is known by the place where it is written.
            told = home if home[:1] != path[:1] else path
            self.say_at(self.line(path), f"{dotted(told)} {text}", grave=grave)

    def _home(self, path: Path) -> Path:
        for length in range(len(path), 0, -1):
            if (made := path[:length]) in self.homes:
                return self._home((*self.homes[made], *path[length:]))
        return path

    def say_at(self, line: int, text: str, *, grave: bool = True) -> None:
        """Note a finding about `line`."""
        if len(self.findings) < _MOST_NOTED:
            self.findings.append(PanelRemark(self.file, line, text, grave))


class TomlTable:
    """One table: each reading method notes what is wrong and gives the default; `done` notes unknown keys."""

    def __init__(self, source: SourceFile, path: Path, values: object, what: str = "a table") -> None:
        self.source = source
        self.path = path
        self.asked: set[str] = set()
        self.values: dict[str, Any] = {}
        if isinstance(values, dict):
            self.values = values
        else:
            source.say(path, f"is {shown(values)}; {what} is allowed")

    @property
    def line(self) -> int:
        return self.source.line(self.path)

    def say(self, key: str | None, text: str, *, grave: bool = True) -> None:
        """Note a finding about `key`, or about the whole table where it is None."""
        self.source.say(self.path if key is None else (*self.path, key), text, grave=grave)

    def get(self, key: str) -> Any | None:
        """Return the value of `key` as TOML gave it, None if it is not there; `done` then knows the key."""
        self.asked.add(key)
        return self.values.get(key)

    def done(self) -> None:
        """Note every key that no reading method has asked for, with what is allowed and which key is nearest."""
        for key in [key for key in self.values if key not in self.asked][:_MOST_NOTED]:
            now = FORMER.get(key)
            if now in self.asked:
                form = f"{now} = …" if self.path else f"[{now}.NAME]"
                self.say(key, f"is called {now} now; write {form} instead")
            else:
                self.say(key, f"is unknown here; allowed: {', '.join(sorted(self.asked))}{near(key, self.asked)}")

    def text(self, key: str, default: str = "", longest: int = 80) -> str:
        """Return a text of up to `longest` characters, printable."""
        value = self.get(key)
        return default if value is None else self.a_text((key,), value, default, longest)

    def a_text(self, keys: Path, value: object, default: str, longest: int) -> str:
        """Return `value`, found at `keys` below this table, as a text of up to `longest` characters; else `default`."""
        path = (*self.path, *keys)
        if not isinstance(value, str):
            self.source.say(
                path, f'is {shown(value)}; text in quotes is allowed, such as "{_example(value, path[-1])}"'
            )
        elif printable(value) != value:
            self.source.say(path, f"is {shown(value)}; control characters are not allowed")
        elif len(value) > longest:
            self.source.say(path, f"is {shown(value)}, {len(value)} characters; at most {longest} are allowed")
        else:
            return value
        return default

    def word(self, key: str, allowed: Sequence[str], default: str) -> str:
        """Return one of the `allowed` words."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, str) and value in allowed:
            return value
        hint = _meant(value, allowed) if isinstance(value, str) else ""
        self.say(key, f"is {shown(value)}; allowed: {', '.join(allowed)}{hint}")
        return default

    def matching(self, key: str, pattern: re.Pattern[str], what: str, default: str = "") -> str:
        """Return a text that matches `pattern`; `what` says in a finding what is allowed."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, str) and pattern.fullmatch(value):
            return value
        self.say(key, f"is {shown(value)}; {what}")
        return default

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self.get(key)
        if value is None or isinstance(value, bool):
            return default if value is None else value
        self.say(key, f"is {shown(value)}; allowed: true, false")
        return default

    def whole(self, key: str, default: int, least: int, most: int) -> int:
        """Return a whole number from `least` to `most`."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, int) and not isinstance(value, bool) and least <= value <= most:
            return value
        self.say(key, f"is {shown(value)}; a whole number from {least} to {most} is allowed")
        return default

    def quantity(self, key: str, unit: str, default: float, least: float, most: float, bounds: str) -> float:
        """Return a quantity, written with its unit in quotes, as a number of `unit`s from `least` to `most`.

        `bounds` says in a finding what is allowed.
        """
        value = self.get(key)
        if value is None:
            return default
        found = self.a_quantity((key,), value, unit, least, most, bounds)
        return default if found is None else found

    def a_quantity(self, keys: Path, value: object, unit: str, least: float, most: float, bounds: str) -> float | None:
        """Return `value`, found at `keys` below this table, in `unit`, from `least` to `most`; else None."""
        path = (*self.path, *keys)
        if not isinstance(value, str):
            written, per = {"permille": ("%", 10), "mV": ("V", 1000)}.get(unit, (unit, 1))
            hint = ""
            if isinstance(value, int | float) and not isinstance(value, bool):
                good = least <= value * per <= most  # its unit alone may not make it so
                hint = f', such as "{value:g} {written}"' if good else f": {bounds}"
            self.source.say(path, f"is {shown(value)}; a quantity with its unit in quotes is allowed{hint}")
            return None
        try:
            number = quantity(value, unit)
        except ValueError as why:
            self.source.say(path, f"is {shown(value)}: it {why}")
            return None
        if not least <= number <= most:
            self.source.say(path, f"is {shown(value)}; {bounds} is allowed")
            return None
        return number

    def pair(self, key: str, least: float, most: float, bounds: str) -> tuple[float, float] | None:
        """Return a pair of lengths in mm, ``["60 mm", "200 mm"]``."""
        value = self.get(key)
        if value is None:
            return None
        if not isinstance(value, list) or len(value) != 2:
            self.say(key, f'is {shown(value)}; two lengths are allowed, across and down, such as ["60 mm", "200 mm"]')
            return None
        found = [self.a_quantity((key, i), each, "mm", least, most, bounds) for i, each in enumerate(value)]
        return None if found[0] is None or found[1] is None else (found[0], found[1])

    def texts(
        self, key: str, longest: int = 24, most: int = 16, such_as: str = '["off", "on"]'
    ) -> tuple[str, ...] | None:
        """Return a list of 1 to `most` texts of up to `longest` characters each; None if it is missing or wrong."""
        value = self.get(key)
        if value is None:
            return None
        if not isinstance(value, list) or not 0 < len(value) <= most:
            self.say(key, f"is {shown(value)}; a list of 1 to {most} words is allowed, such as {such_as}")
            return None
        before = self.source.said
        found = tuple(self.a_text((key, index), each, "", longest) for index, each in enumerate(value))
        return found if self.source.said == before else None

    def table(self, key: str) -> TomlTable:
        """Return the table at `key`, an empty one if there is none."""
        value = self.get(key)
        return TomlTable(self.source, (*self.path, key), {} if value is None else value)

    def tables(self, key: str, pattern: re.Pattern[str], what: str) -> list[tuple[str, TomlTable]]:
        """Return the named tables below `key`, in file order; others are noted and left out."""
        value = self.get(key)
        found: list[tuple[str, TomlTable]] = []
        if isinstance(value, dict):
            for name, inner in value.items():
                if not pattern.fullmatch(name):
                    near_name = name_from(name)
                    hint = f'; did you mean "{near_name}"?' if pattern.fullmatch(near_name) else ""
                    self.source.say((*self.path, key, name), f"is not a name for {_ONE[key]}; {what}{hint}")
                    continue
                table = TomlTable(self.source, (*self.path, key, name), inner)
                if isinstance(inner, dict):
                    found.append((name, table))
        elif value is not None:
            self.say(key, f"is {shown(value)}; tables with names are allowed, such as [{key}.stop_bar]")
        return found


FORMER = {"digits": "displays", "places": "digits"}
"""Keys of early panel files, and what they are called now. They are not read, but who has such a file learns why."""

_ONE = {
    "boards": "a board",
    "matrices": "a matrix",
    "controls": "a control",
    "supplies": "a supply",
    "lamps": "a lamp",
    "displays": "a display",
    "values": "a value",
}


def name_from(label: str) -> str:
    """Return a name made of a label: ``Stop bar`` → ``stop_bar``; empty if nothing in it can stand in a name."""
    plain = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    return re.sub(r"^[^a-z]+|_+$", "", re.sub(r"[^a-z0-9]+", "_", plain))[:32].rstrip("_")


_ALSO_CALLED = {
    "yellow": "amber",
    "orange": "amber",
    "potentiometer": "pot",
    "fader": "pot",
    "pushbutton": "button",
    "key": "button",
    "toggle": "switch",
    "rotary": "switch",
    "selector": "switch",
}
"""What people say (common practice, no source), and what it is called in the files."""


def _meant(value: str, allowed: Sequence[str]) -> str:
    """Which of the `allowed` words is meant by `value`: by its meaning, else by its letters."""
    called = _ALSO_CALLED.get(re.sub(r"[^a-z]", "", value[:40].lower()))
    if called in allowed:
        return f'; did you mean "{called}"?'
    return near(value, allowed)


def _example(value: object, key: str | int) -> str:
    """Return `value` as text for `key`, if it is a number that a person could have meant as text."""
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e9:
        if key == "pin" and isinstance(value, int):
            return f"D{value}"
        return f"{value:g}"
    return "Stop bar"


def without_mistakes(read: _Read | None, findings: Iterable[PanelRemark], name: str, kind: str) -> _Read:
    """Return what was `read` of the file `name`, a `kind`. Raises `Trouble` for the first mistake, or if it is none."""
    for finding in findings:
        if finding.grave:
            raise Trouble(str(finding))
    if read is None:
        raise Trouble(f"{printable(name)}: this is not a {kind}")
    return read
