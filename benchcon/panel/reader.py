"""Reads the tables of a TOML file; each mistake is noted with file, line and key, and reading goes on."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar

from benchcon.errors import Trouble
from benchcon.panel.where import Path
from benchcon.text import counted, did_you_mean, first_of, near, near_key, nearest, nearest_key, printable
from benchcon.units import quantity

NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
BOARD_NAME = re.compile(r"[a-z][a-z0-9_]{0,15}")
CHANNEL_ID = re.compile(r"[a-z][a-z0-9_]{0,7}")


_Read = TypeVar("_Read")

_MOST_LISTED = 24
_MOST_NOTED = 1000
"""Most findings that are noted about one file; with more, the first are to be mended and the file checked again."""


class PanelRemark(NamedTuple):
    """One finding about a file: a mistake, or advice."""

    file: str
    line: int
    """Line, from 1; 0 stands for the file as a whole."""
    text: str
    """Key, what was found, and what is allowed, in one printable line."""
    grave: bool = True
    """True: a mistake, with which the file cannot be used; False: advice."""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return f"{where}: {'' if self.grave else 'advice: '}{self.text}"


def in_order(findings: Iterable[PanelRemark]) -> list[PanelRemark]:
    """Return the findings by line, each once."""
    return sorted(dict.fromkeys(findings), key=lambda finding: finding.line)


def as_finding(file: str, message: str) -> PanelRemark:
    """Return the finding in a `Trouble`'s message ``FILE:LINE: text`` about `file`; the line is 0 if it names none."""
    shown_file = printable(file)
    match = re.match(r":(?: line )?(\d{1,9}): ", message.removeprefix(shown_file))
    if message.startswith(shown_file) and match:
        return PanelRemark(shown_file, int(match[1]), message[len(shown_file) + match.end() :])
    return PanelRemark(shown_file, 0, message.removeprefix(shown_file).lstrip(": "))


def has_heading(text: str, *headings: str) -> bool:
    """Return whether a line of `text` begins with one of `headings`, such as ``[[faults]]`` or ``[values.``.

    Spaces are ignored. The text is not parsed, so any file takes no more than one pass, however long and odd it is.
    """
    return any(
        "".join(line.split()).startswith(headings) for line in text.removeprefix("\ufeff").splitlines() if "[" in line
    )


def options(allowed: Iterable[str]) -> str:
    """Return the allowed words as a list for a message, cut off after as many as can be read."""
    return first_of(list(allowed), _MOST_LISTED)


def shown(value: object) -> str:
    """Return a value from the file as text for a message, bounded and printable."""
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
    """Return `path` as messages write it: ``controls.stop_bar.channels[2].pin`` (elements count from 1)."""
    out = ""
    for step in path:
        if isinstance(step, int):
            out += f"[{step + 1}]"
        else:
            plain = re.fullmatch(r"[A-Za-z0-9_-]{1,40}", step)
            out += ("." if out else "") + (step if plain else shown(step))
    return out or "the file"


@dataclass
class _Once:
    """A finding that is noted once although it holds in many places."""

    at: int
    """Its index among the findings."""
    text: str = ""
    homes: list[Path] = field(default_factory=list)


class SourceFile:
    """A file that is being read: its name, the lines of its keys, and the findings so far."""

    def __init__(self, file: str, lines: dict[Path, int]) -> None:
        self.file = printable(file)
        self.lines = lines
        self.homes: dict[Path, Path] = {}
        """For the path of each part that another table makes, the path of that table in the file."""
        self.findings: list[PanelRemark] = []
        self.said = 0
        """Number of findings, those included that were noted already."""
        self._noted: dict[tuple[Path, str], int] = {}
        self._once: dict[str, _Once] = {}

    def line(self, path: Path) -> int:
        """Return the line of `path`, of the table that made it, or of the nearest table around it; else 0."""
        for length in range(len(path), -1, -1):
            if found := self.lines.get(path[:length]):
                return found
            if home := self.homes.get(path[:length]):
                return self.line((*home, *path[length:]))
        return 0

    def say(self, path: Path, text: str, *, grave: bool = True) -> None:
        """Note the finding ``KEY text`` about `path`.

        A finding that holds for several parts made by one table is noted once, for that table.
        """
        self.said += 1
        home = self._home(path)
        known = self._noted.setdefault((home, text), len(self.findings))
        if known < len(self.findings):
            self.findings[known] = self.findings[known]._replace(text=f"{dotted(home)} {text}")
        else:
            # A lamp in a control has no table of its own: it is named by the place where the file has it.
            where = home if home[:1] != path[:1] else path
            self.say_at(self.line(path), f"{dotted(where)} {text}", grave=grave)

    def say_once(self, path: Path, text: str) -> None:
        """Note a finding that may have one cause in many places once: the first place, and the number of others."""
        once = self._once.setdefault(text, _Once(len(self.findings)))
        home = self._home(path)
        if not once.homes or home == once.homes[0]:
            self.say(path, text)
            once.text = self.findings[once.at].text if once.at < len(self.findings) else ""
        else:
            self.said += 1
        if home not in once.homes:
            once.homes.append(home)
        if once.text and len(once.homes) > 1:
            more = counted(len(once.homes) - 1, "more place")
            self.findings[once.at] = self.findings[once.at]._replace(text=f"{once.text} (and in {more})")

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
    """One table of a file. A reading method that finds a mistake notes it and returns the default."""

    def __init__(self, source: SourceFile, path: Path, values: object) -> None:
        self.source = source
        self.path = path
        self.asked: set[str] = set()
        self._lacking: list[tuple[frozenset[str], str, str | None]] = []
        self.values: dict[str, Any] = {}
        if isinstance(values, dict):
            self.values = values
        else:
            source.say(path, f"is {shown(values)}; a table is allowed")

    @property
    def line(self) -> int:
        """Line of the table in the file, from 1."""
        return self.source.line(self.path)

    def say(self, key: str | None, text: str, *, grave: bool = True) -> None:
        """Note a finding about `key`, or about the whole table where it is None."""
        self.source.say(self.path if key is None else (*self.path, key), text, grave=grave)

    def get(self, key: str) -> Any | None:
        """Return the value of `key` as TOML gave it, None if it is missing. `done` then takes the key as known."""
        self.asked.add(key)
        return self.values.get(key)

    def lacks(self, text: str, *keys: str, at: str | None = None) -> None:
        """Let `done` note that the table lacks one of `keys`, unless one is there but misspelt.

        The finding is about the key `at`, or about the whole table where it is None.
        """
        self._lacking.append((frozenset(keys), text, at))

    def misspells(self, key: str) -> bool:
        """Return whether `key` is missing, and another key is so near to it that it must be a misspelling."""
        return self.misspelling(key) is not None

    def misspelling(self, key: str) -> str | None:
        """Return the key that must be a misspelling of `key`, which is missing; None if there is none."""
        return None if key in self.values else nearest(key, self.values, _HARDLY_ANOTHER)

    def done(self) -> None:
        """Note each key that no reading method has asked for, with the allowed keys and the nearest of them."""
        meant: set[str | None] = set()
        for key in [key for key in self.values if key not in self.asked][:_MOST_NOTED]:
            now = FORMER.get(key)
            if now in self.asked:
                form = f"{now} = …" if self.path else f"[{now}.NAME]"
                self.say(key, f"is called {now} now; write {form} instead")
            elif key in _OF_A_CHANNEL and "channel" in self.asked:
                self.say(key, f'is said of a channel; write channel = {{ id = "board.id", {key} = … }}')
            else:
                # A lamp in a control has its place from there, and may have none of its own.
                elsewhere = {"at"} if (*self.path, "at") in self.source.homes else set()
                allowed = ", ".join(sorted(self.asked - elsewhere))
                self.say(key, f"is unknown here; allowed: {allowed}{near_key(key, self.asked)}")
                now = nearest_key(key, self.asked)
            meant.add(now)
        for keys, text, at in self._lacking:
            if not keys & meant:
                self.say(at, text)

    def text(self, key: str, default: str = "", longest: int = 80) -> str:
        """Return a printable text of up to `longest` characters."""
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
            self.source.say(path, f"is {shown(value)}; control characters and invisible ones are not allowed")
        elif len(value) > longest:
            self.source.say(path, f"is {shown(value)}, {len(value)} characters; at most {longest} are allowed")
        else:
            return value
        return default

    def word(self, key: str, allowed: Sequence[str], default: str) -> str:
        """Return the value of `key`, which must be one of the words in `allowed`; else `default`."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, str) and value in allowed:
            return value
        hint = _meant(value, allowed) if isinstance(value, str) else ""
        self.say(key, f"is {shown(value)}; allowed: {', '.join(allowed)}{hint}")
        return default

    def matching(self, key: str, pattern: re.Pattern[str], what: str, default: str = "") -> str:
        """Return a text that `pattern` matches as a whole; a finding says `what` is allowed."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, str) and pattern.fullmatch(value):
            return value
        self.say(key, f"is {shown(value)}; {what}")
        return default

    def flag(self, key: str, default: bool) -> bool:
        """Return the value of `key`, which must be true or false; else `default`."""
        value = self.get(key)
        if value is None or isinstance(value, bool):
            return default if value is None else value
        self.say(key, f"is {shown(value)}; allowed: true, false")
        return default

    def whole(self, key: str, default: int, least: int, most: int) -> int:
        """Return the value of `key`, which must be a whole number from `least` to `most`; else `default`."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, int) and not isinstance(value, bool) and least <= value <= most:
            return value
        self.say(key, f"is {shown(value)}; a whole number from {least} to {most} is allowed")
        return default

    def quantity(self, key: str, unit: str, default: float, least: float, most: float, bounds: str) -> float:
        """Return a quantity, written in quotes with its unit, as a number of `unit` from `least` to `most`.

        A finding says which `bounds` are allowed: ``from "1 mm" to "1 m"``.
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
                good = least <= value * per <= most  # only a bare number that is within bounds gets a hint
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
        """Return a pair of lengths, such as ``["60 mm", "200 mm"]``, in mm; None if it is missing or wrong."""
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
        """Return the table at `key`, an empty one if it is missing or is not a table."""
        value = self.get(key)
        return TomlTable(self.source, (*self.path, key), {} if value is None else value)

    def tables(self, key: str, pattern: re.Pattern[str], what: str) -> list[tuple[str, TomlTable]]:
        """Return the named tables below `key`, in file order.

        Those whose name `pattern` does not match as a whole are left out; the finding says `what` is allowed.
        """
        value = self.get(key)
        found: list[tuple[str, TomlTable]] = []
        if isinstance(value, dict):
            for name, inner in value.items():
                if not pattern.fullmatch(name):
                    near_name = name_from(name)
                    hint = did_you_mean(near_name if pattern.fullmatch(near_name) else None)
                    self.source.say((*self.path, key, name), f"is not a name for {_ONE[key]}; {what}{hint}")
                    continue
                table = TomlTable(self.source, (*self.path, key, name), inner)
                if isinstance(inner, dict):
                    found.append((name, table))
        elif value is not None:
            self.say(key, f"is {shown(value)}; tables with names are allowed, such as [{key}.stop_bar]")
        return found


FORMER = {"digits": "displays", "places": "digits"}
"""Keys of early panel files, and their names today. They are not read, but the finding names the new key."""

_HARDLY_ANOTHER = 0.75
"""Least similarity of a key and its misspelling, such as position and positions, chanel and channel."""

_OF_A_CHANNEL = ("pin", "connector", "connector_pin", "wire", "active")

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
    """Return a name made from a label: ``Stop bar`` → ``stop_bar``; empty if the label has no letter for it."""
    plain = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    return re.sub(r"^[^a-z]+|_+$", "", re.sub(r"[^a-z0-9]+", "_", plain))[:32].rstrip("_")


_ALSO_CALLED = {
    "yellow": "amber",
    "orange": "amber",
    "potentiometer": "pot",
    "fader": "pot",
    "slider": "pot",
    "knob": "encoder pot",
    "dial": "encoder pot",
    "rotaryencoder": "encoder",
    "pushbutton": "button",
    "key": "button",
    "toggle": "switch",
    "rotary": "switch",
    "selector": "switch",
}
"""Words that people use (common practice, no source), and the words of the files for them: one, or either of two."""


def _meant(value: str, allowed: Sequence[str]) -> str:
    """Return ``; did you mean "…"?`` with the allowed word nearest to `value` in meaning or letters; or nothing."""
    called = _ALSO_CALLED.get(re.sub(r"[^a-z]", "", value[:40].lower()), "").split()
    if called and set(called) <= set(allowed):
        return f"; did you mean {' or '.join(shown(word) for word in called)}?"
    return near(value, allowed)


def _example(value: object, key: str | int) -> str:
    """Return `value` as text for `key`, if it is a number that a person could have meant as text."""
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e9:
        if key == "pin" and isinstance(value, int):
            return f"D{value}"
        return f"{value:g}"
    return "Stop bar"


def without_mistakes(read: _Read | None, findings: Iterable[PanelRemark], name: str, kind: str) -> _Read:
    """Return `read`, what was made of the file `name`, which should be a `kind`.

    Raises `Trouble` for the first mistake in `findings`, or if `read` is None.
    """
    for finding in findings:
        if finding.grave:
            raise Trouble(str(finding))
    if read is None:
        raise Trouble(f"{printable(name)}: this is not a {kind}")
    return read
