"""Reads panel files: TOML in, `Panel` out, each mistake as one line. See `protocols/panel-file.md`."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import os
import re
import stat
import tomllib
import unicodedata
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from benchcon.errors import Trouble
from benchcon.panel import parts, rules, supplies
from benchcon.panel.composed import Origin, taken_apart
from benchcon.panel.electrics import SERIES
from benchcon.panel.lightness import DAY, at_level
from benchcon.panel.model import SIDES, Control, Display, ForeignTable, Lamp, Panel
from benchcon.panel.reader import PanelRemark, SourceFile, TomlTable, in_order, shown, without_mistakes
from benchcon.panel.where import lines_of
from benchcon.text import did_you_mean, nearest, printable

LARGEST = 256 << 10
"""Largest panel file that is read, in bytes: enough for a thousand parts with every key that they can have."""

MOST_PARTS = 2000
"""More parts than any plate holds. Comparing each part with each other one takes two seconds at this number."""
_MOST_FINDINGS = 200
_LONGEST_LINE = 4000
_MOST_POINTS = 100


def load(path: str | Path, *, currents: bool = True) -> Panel:
    """Read the panel file `path`; without `currents`, currents are not checked.

    Raises `Trouble` with file, line and key for the first mistake; `inspect` gives all of them.
    """
    return loads(slurp(path, LARGEST + 1, whole=False), str(path), currents=currents)


def slurp(path: str | Path, largest: int = LARGEST, *, whole: bool = True) -> bytes:
    """Return the bytes of `path`, or, without `whole`, the first `largest` of them.

    Raises `Trouble` if it cannot be read or, with `whole`, is larger than `largest` bytes.
    """
    shown = printable(str(path))
    try:
        with open(path, "rb", opener=_opened) as file:
            raw = file.read(largest + whole)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise Trouble(f"{shown} cannot be read: {printable(why)}{_beside(Path(path))}") from None
    if len(raw) > largest:
        raise Trouble(f"{shown} is larger than {largest} bytes: that is no such file")
    return raw


PIPE_WAIT_S = 2.0


def _opened(path: str, flags: int) -> int:
    """Open `path` and return its descriptor. Raises OSError for a pipe without a writer: reading would not end."""
    found = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    if stat.S_ISFIFO(os.fstat(found).st_mode):
        import select

        if not select.select([found], [], [], PIPE_WAIT_S)[0]:
            os.close(found)
            raise OSError(errno.EAGAIN, "it is a pipe, and nobody writes to it")
    if hasattr(os, "set_blocking"):
        os.set_blocking(found, True)
    return found


def loads(text: str | bytes, name: str = "panel file", *, currents: bool = True) -> Panel:
    """Return the panel that `text` describes; messages call the file `name`.

    Without `currents`, currents are not checked: nothing burns where a capture carries the panel or boards are
    simulated, and limits that have become stricter must not make an old capture unreadable. Raises `Trouble` for the
    first mistake.
    """
    panel, findings = inspect(text, name, currents=currents)
    return without_mistakes(panel, findings, name, "panel file")


def inspect(
    text: str | bytes, name: str = "panel file", *, currents: bool = True
) -> tuple[Panel | None, list[PanelRemark]]:
    """Return the panel, as far as it could be read, and all findings about its file, in line order.

    The panel is None where the file is not TOML at all. Nothing in the file makes this raise.
    """
    file = printable(name)
    table, findings = open_table(text, name, "panel file")
    if table is None:
        return None, findings
    source = table.source
    panel = _panel(table, decode(text, file), name)
    if not panel.parts:
        source.say((), "has no controls, lamps or displays yet", grave=False)
    if len(panel.parts) > MOST_PARTS:
        source.say((), f"has {len(panel.parts)} parts; a panel has {MOST_PARTS} at most: make it several panels")
    if not any(finding.grave for finding in source.findings):
        rules.check(panel, source, currents=currents)
    found = in_order(source.findings)
    if len(found) > _MOST_FINDINGS:
        found.sort(key=lambda finding: not finding.grave)
        grave = found[_MOST_FINDINGS].grave
        more = PanelRemark(file, 0, f"and {len(found) - _MOST_FINDINGS} more; mend these first", grave)
        found = [*in_order(found[:_MOST_FINDINGS]), more]
    return panel, found


def _beside(path: Path) -> str:
    """Return ``; did you mean "desk.toml"?`` with the nearest file beside `path` if that is missing; else nothing."""
    try:
        if path.exists():
            return ""
        suffix = nearest(path.suffix or ".toml", [".toml"]) or path.suffix
        names = [each.stem for each in path.parent.iterdir() if each.suffix == suffix]
    except (OSError, ValueError):  # there is no such folder, or no file can have such a name
        return ""
    found = nearest(path.stem, names)
    return did_you_mean(found and found + suffix)


def file_beside(table: TomlTable, key: str, name: str, *, strange: bool = False) -> Path | None:
    """Return the file that `key` names, relative to the folder of the file `name`; a finding if it does not exist.

    In a `strange` file, which somebody else may have sent, it is a finding too if it is not in that folder or below.
    """
    text = table.text(key, "", 500)
    if not text:
        return None
    folder, beside = Path(name).parent, printable(Path(name).name)
    path = folder / text
    if strange and not _is_below(path, folder):
        table.say(key, f"is {shown(text)}; it must be beside {beside}, or in a folder there")
    elif not path.is_file():
        table.say(key, f"is {shown(text)}; there is no such file beside {beside}")
    return path


def _is_below(path: Path, folder: Path) -> bool:
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):
        return False


def open_table(text: str | bytes, name: str, what: str) -> tuple[TomlTable | None, list[PanelRemark]]:
    """Return the top table of a TOML file and no findings, or None and what is wrong with it.

    Messages call the file `name`; `what` says what it should be: ``panel file``, ``scenario``.
    """
    file = printable(name)
    if len(text) > LARGEST:
        return None, [PanelRemark(file, 0, f"is larger than {LARGEST} bytes: that is not a {what}")]
    try:
        decoded = decode(text, file, what)
        _bound_lines(decoded, file, what)
        data = _parsed(decoded, file, what)
        return TomlTable(SourceFile(name, lines_of(decoded)), (), data), []
    except _Bad as bad:
        return None, [bad.finding]
    except RecursionError:
        return None, [PanelRemark(file, 0, f"is nested too deep for a {what}")]


class _Bad(Exception):
    def __init__(self, finding: PanelRemark) -> None:
        super().__init__(str(finding))
        self.finding = finding


_BEGINNINGS = {
    # The first bytes of files that are not text, and what they are (from each format's specification).
    b"%PDF-": "a PDF",
    b"\x89PNG": "a picture (PNG)",
    b"\xff\xd8\xff": "a picture (JPEG)",
    b"GIF8": "a picture (GIF)",
    b"PK\x03\x04": "a ZIP archive, or a document that is kept as one",
    b"\x1f\x8b": "packed (gzip)",
    b"\x7fELF": "a program",
}


def decode(raw: str | bytes, file: str, what: str = "panel file") -> str:
    """Return the text of a file in UTF-8, without its byte order mark. `what` says what the file should be.

    Raises `_Bad` if it is not text, or not in UTF-8.
    """
    if isinstance(raw, str):
        return raw.removeprefix("\ufeff")
    for begins, name in _BEGINNINGS.items():
        if raw.startswith(begins):
            raise _Bad(PanelRemark(file, 0, f"is {name}, not a {what}, which is plain text"))
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _Bad(PanelRemark(file, 1, "is UTF-16; save it as UTF-8"))
    try:
        return raw.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        if any(byte < 0x20 and byte not in b"\t\n\f\r" for byte in raw):
            raise _Bad(PanelRemark(file, 0, f"is not text, and so not a {what}")) from None
        line = raw.count(b"\n", 0, error.start) + 1
        raise _Bad(
            PanelRemark(file, line, f"holds the byte {raw[error.start]:02X}h, which is not UTF-8; save it as UTF-8")
        ) from None


def _bound_lines(text: str, file: str, what: str) -> None:
    """Raise `_Bad` for lines that no person writes: a key with thousands of dots keeps the parser busy for hours."""
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > _LONGEST_LINE or line.count(".") > _MOST_POINTS:
            raise _Bad(PanelRemark(file, number, f"is longer, or has more points in it, than any line of a {what}"))


_TWICE = re.compile(r"cannot (?:declare|overwrite|mutate)(.*?)(?: twice|$)")
_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


_BARE_WORD = re.compile(r"[^\W\d][\w-]{0,39}(?=\s*([],}#]|$))")
_BARE_NUMBER = re.compile(r"(?<![\w.\"'])\d{1,9}(?:\.\d{1,9})?\s*$")
_BARE_UNIT = re.compile(r"(?:[^\W\d]{1,9}|%)(?![\w.-]*\s*=)")
_MEANT = {"yes": "true", "on": "true", "true": "true", "no": "false", "off": "false", "false": "false"}


def _without_quotes(line: str, at: int) -> str:
    """Return what to write for the word or quantity without quotes at `at`, where the parser stopped; or nothing."""
    number, unit = _BARE_NUMBER.search(line[:at]), _BARE_UNIT.match(line[at:])
    if number and unit:
        return f'{number[0].strip()} {unit[0]} is without quotes; write "{number[0].strip()} {unit[0]}"'
    word = _BARE_WORD.match(line[at:])
    if not word or not line[:at].rstrip().endswith(("=", "[", ",")):
        return ""
    meant = _MEANT.get(word[0].lower())
    either = f"{meant}, or as text " if meant else ""
    return f'{word[0]} is without quotes; write {either}"{word[0]}"'


_TYPOGRAPHIC = "“”„‟«»‘’‚"
_NAME_GOES = re.compile(r"(\[{1,2})((?:[\w-]+\.)*)([^\[\].]+)(\]{1,2})")


def _not_a_name(line: str) -> str:
    """Return what is wrong with the name in a heading that is closed properly: spaces, or letters that are not a-z."""
    heading = _NAME_GOES.fullmatch(re.sub(r"\s+#.*", "", line).strip())
    if not heading:
        return ""
    bare = unicodedata.normalize("NFKD", heading[3].strip()).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "_", bare).strip("_")
    instead = f"; write {heading[1]}{heading[2]}{name}{heading[4]}" if name else ""
    return f"a name has only a-z, 0-9 and _, and no spaces{instead}"


def _of_the_line(said: str, line: str, at: int) -> str:
    """Return what is wrong at `at` in `line`, where the parser stopped, if the line itself shows it; or nothing."""
    here = line[at : at + 1]
    if line.lstrip().startswith(("//", "/*", "--", ";")):
        return "a comment begins with #"
    if here and here in _TYPOGRAPHIC:
        return f'{here} is a quote of a word processor; write plain ones, "like this"'
    if said.startswith("Expected ']"):
        return _not_a_name(line)
    if said == "Invalid initial character for a key part":
        if here == "}":
            return "nothing follows the last comma; leave that comma out"
        if not here and line.count("{") > line.count("}"):
            return "what is in { } goes on one line, up to the }"
    return ""


_PLAINER = {
    # What the TOML parser says, and what the mistake usually is.
    printable("Illegal character '\\n'"): "the quote that ends the text is missing",
    "Expected '\"'": "the quote that ends the text is missing",
    'Expected "\'"': "the quote that ends the text is missing",
    "Unterminated string": "the quotes that end the text are missing",
    "Invalid value": 'a value is missing, or text is without quotes; it is written "40 mm"',
    "Unclosed array": "a comma or ] is missing",
    "Unclosed inline table": "a comma or } is missing",
    "Expected '=' after a key in a key/value pair": "the = behind the key is missing",
    "Expected ']' at the end of a table declaration": "the ] that ends the heading is missing",
    "Expected ']]' at the end of an array declaration": "the ]] that ends the heading is missing",
    "Expected newline or end of document after a statement": (
        'something follows the value; text is written in quotes, "40 mm", and each key on a line of its own'
    ),
}


def _around(line: str, at: int) -> str:
    """Return the part of `line` around `at` as a message quotes it, however long the line is."""
    begin = at - 40 if at > 50 else 0
    end = begin + 60
    shown = printable(line[begin:end].strip())
    return f'"{"…" if begin else ""}{shown}{"…" if line[end:].strip() else ""}"'


def _parsed(text: str, file: str, what: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        match = _PLACE.search(message)
        line = int(match[1]) if match and match[1] else 0
        column = f", column {match[2]}" if match and match[2] else "" if line else ", at the end"
        said = printable(_PLACE.sub("", message))
        if said == 'Expected "\'"':
            # The parser looks for the closing quote up to the end of the file, but such text ends in its own line.
            odd = [number for number, each in enumerate(text.split("\n"), 1) if each.count("'") % 2]
            line, column = (odd[-1], "") if odd else (line, column)
        found = text.splitlines()[line - 1 : line] if line else []
        line = line or text.count("\n") + 1
        at = int(match[2]) - 1 if match and match[2] else 0
        plain = _of_the_line(said, found[0], at) or _without_quotes(found[0], at) if found else ""
        said = plain or _PLAINER.get(said) or said[:1].lower() + said[1:]
        if twice := _TWICE.search(said):
            key = re.match(r"\s*([\w.-]+)\s*=", text.split("\n")[line - 1])
            name = ".".join(re.findall(r"'([^']*)'", twice[1])) or (key[1] if key else "this key")
            raise _Bad(PanelRemark(file, line, f"{name} is there twice; give one of the two another name")) from None
        stands = f": {_around(found[0], at)}" if found and found[0].strip() else ""
        raise _Bad(PanelRemark(file, line, f"is not TOML here{column}: {said}{stands}")) from None
    except ValueError:  # Python refuses to convert a number of thousands of digits
        raise _Bad(PanelRemark(file, 0, f"holds a gigantic number; a {what} has none")) from None


def _panel(top: TomlTable, text: str, name: str) -> Panel:
    head = top.table("panel")
    title = head.text("title", "", 60)
    serial = head.text("serial", "", 40)
    width = head.quantity("width", "mm", 0.0, 10, 10_000, 'from "10 mm" to "10 m"')
    height = head.quantity("height", "mm", 0.0, 10, 10_000, 'from "10 mm" to "10 m"')
    depth = head.quantity("depth", "mm", 0.0, 5, 1000, 'from "5 mm" to "1 m"')
    day = head.quantity("day", "permille", 1000, 10, 1000, parts.BRIGHT)
    night = head.quantity("night", "permille", 0.0, 10, 1000, parts.BRIGHT)
    look = head.quantity("look", "mcd", 0.0, 0.1, 1e6, parts.INTENSITIES)
    resistors = head.word("resistors", tuple(SERIES), "E24")
    labels = head.word("labels", SIDES, "above")
    head.text("note", "", 400)
    if ("width" in head.values) != ("height" in head.values):
        head.lacks("has only one of width and height; both or none are allowed", "width", "height")
    head.done()
    origins = taken_apart(top)
    boards = parts.boards(top)
    # Under a misspelt heading are boards as well: one line about the heading is enough.
    misspelt = top.values.get(top.misspelling("boards") or "")
    names = [*(board.name for board in boards), *(misspelt if isinstance(misspelt, dict) else ())]
    matrices = parts.matrices(top, names)
    controls = tuple(parts.in_matrix(_from(origins, control), matrices) for control in parts.controls(top, names))
    panel = Panel(
        title=title,
        serial=serial,
        width_mm=width,
        height_mm=height,
        depth_mm=depth,
        labels=labels,
        look_mcd=look,
        day_permille=round(day),
        night_permille=round(night),
        resistors=resistors,
        boards=boards,
        controls=controls,
        lamps=tuple(_from(origins, lamp) for lamp in parts.lamps(top, names)),
        displays=tuple(_from(origins, display) for display in parts.displays(top, names)),
        matrices=matrices,
        supplies=supplies.supplies(top),
        triggers=_triggers(top),
        text=text,
        digest=hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest(),
        path=name,
    )
    top.done()
    return at_level(panel, DAY)


P = TypeVar("P", Control, Lamp, Display)


def _from(origins: Mapping[tuple[str, str], Origin], part: P) -> P:
    """Return `part` with the origin that `composed.taken_apart` noted for it, if it has no table of its own."""
    section = "controls" if isinstance(part, Control) else "lamps" if isinstance(part, Lamp) else "displays"
    origin = origins.get((section, part.name))
    if origin is None:
        return part
    if isinstance(part, Lamp):
        return dataclasses.replace(part, made_by=origin.key, inside=origin.inside, engraved=origin.engraved)
    return dataclasses.replace(part, made_by=origin.key)


def _triggers(top: TomlTable) -> tuple[ForeignTable, ...]:
    value = top.get("triggers")
    if value is None:
        return ()
    if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
        top.say("triggers", "is not a list of tables; each trigger begins with [[triggers]]")
        return ()
    lines = top.source.line
    return tuple(
        ForeignTable(lines(("triggers", i)), each, {key: lines(("triggers", i, key)) for key in each})
        for i, each in enumerate(value)
    )
