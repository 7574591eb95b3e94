"""Changes a TOML text and leaves every other byte as it is: comments, order, spacing, line ends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeAlias

from benchcon.errors import Trouble
from benchcon.panel.where import Path, Places, places_in

Value: TypeAlias = bool | int | float | str | Sequence["Value"] | Mapping[str, "Value"]
"""The TOML values that panel files use."""


def written(value: Value) -> str:
    """Return `value` in TOML; strings become basic strings, which have the escapes of JSON."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        import json

        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {written(inner)}" for key, inner in value.items()) + " }"
    return "[" + ", ".join(written(inner) for inner in value) + "]"


def line_end(text: str) -> str:
    """Return the line end that `text` uses."""
    return "\r\n" if "\r\n" in text else "\n"


def with_key_renamed(text: str, path: Path, name: str) -> str:
    """Return `text` with the last key of `path` renamed to `name`, in every heading and assignment that has it."""
    spans = [(start, end) for each, start, end in places_in(text).keys if each == path]
    for start, end in reversed(spans):
        text = text[:start] + name + text[end:]
    return text


def with_value(text: str, table: Path, key: str | int, value: Value) -> str:
    """Return `text` with `key` of the table at path `table` set: replaced, or added after the table's last key.

    An element that an array at that path has is replaced in the same way; its `key` is its index. Raises `Trouble` if
    there is no such table, or if the key is a table with a header of its own.
    """
    places = places_in(text)
    span = places.values.get((*table, key))
    if span:
        return text[: span[0]] + written(value) + text[span[1] :]
    if (*table, key) in places.lines:
        where = f"line {places.lines[*table, key]}"
        raise Trouble(f"{'.'.join(map(str, (*table, key)))} is a table of its own ({where}): change it there by hand")
    at, new = _room(text, places, table, f"{key} = {written(value)}")
    return text[:at] + new + text[at:]


def with_table(text: str, name: str, values: Mapping[str, Value]) -> str:
    """Return `text` with a table ``[name]`` added at its end."""
    end = line_end(text)
    gap = "" if not text.strip() else end if text.endswith("\n") else end + end
    lines = [f"[{name}]", *(f"{key} = {written(value)}" for key, value in values.items())]
    return text + gap + end.join(lines) + end


def _room(text: str, places: Places, table: Path, assignment: str) -> tuple[int, str]:
    """Return the offset at which a new assignment in `table` is inserted, and its text there."""
    span = places.values.get(table)
    if span and text[span[0]] == "{":
        inner = text[span[0] + 1 : span[1] - 1]
        at = span[0] + 1 + len(inner.rstrip())
        return at, f", {assignment}" if inner.strip() else f" {assignment} "
    own = [pair for pair in places.pairs if pair.section == table]
    if own:
        indent = text[text.rfind("\n", 0, own[-1].start) + 1 : own[-1].start]
        return _new_line(text, own[-1].end, indent + assignment)
    if table in places.headers:
        return _new_line(text, places.headers[table], assignment)
    for pair in reversed(places.pairs):
        if pair.path[: len(table)] == table:  # written with dotted keys: lamps.stop_bar.label = …
            steps = table[len(pair.section) :]
            return _new_line(text, pair.end, ".".join(map(str, steps)) + "." + assignment)
    # Only tables below it have headers: TOML allows to put its own before them.
    starts = [start for path, start, _ in places.keys if path[: len(table)] == table]
    shown = ".".join(map(str, table))
    if not starts:
        raise Trouble(f"there is no table {shown}")
    at = text.rfind("\n", 0, starts[0]) + 1
    end = line_end(text)
    return at, f"[{shown}]{end}{assignment}{end}{end}"


def _new_line(text: str, behind: int, line: str) -> tuple[int, str]:
    end = line_end(text)
    stop = text.find("\n", behind)
    return (len(text), end + line) if stop < 0 else (stop + 1, line + end)
