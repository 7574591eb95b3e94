"""Captures for other programs: CSV (RFC 4180), JSON lines, and value change dump (`benchcon.replay.vcd`).

All have the same contents: one entry per change of a channel, in host time, all boards on one time axis.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TextIO

from benchcon.capture.form import wall_time
from benchcon.errors import Trouble
from benchcon.panel.segments import decode, segments_of
from benchcon.replay.contents import UNITS, LastValues, board_name, names_in
from benchcon.replay.vcd import write_vcd
from benchcon.state import BenchState
from benchcon.state.board import find_channel
from benchcon.state.changes import OF_BOARDS, Changes, ValueChange
from benchcon.state.quantities import number_and_unit
from benchcon.state_reader import StateReader
from benchcon.text import printable, spreadsheet_cell
from benchcon.wire import events as ev
from benchcon.wire.items import digits_in


def export(source: str | os.PathLike[str], out: TextIO, form: str) -> list[str]:
    """Write a capture to `out` in `form`, one of `FORMS`. Returns what is wrong with the capture, one line each.

    Raises `Trouble` if the capture cannot be read.
    """
    from benchcon.replay.figures import problem_lines

    with StateReader(source) as reader:
        FORMS[form](reader, out)
        return problem_lines(reader)


def form_of(path: str) -> str:
    """Return the form that the suffix of a file's name stands for. Raises `Trouble` if it is none of `FORMS`."""
    suffix = Path(path).suffix.lower().lstrip(".")
    if suffix not in FORMS:
        raise Trouble(f"{printable(path)}: the name must end with .{', .'.join(FORMS)}, which says what to write")
    return suffix


VALUE, OF_BENCH = "value", "bench"
"""Kind of a rehearsal's value, and what stands in place of its board, since it belongs to none."""
OF_THE_BOARD = "whole board"
"""Kind of what is said about a whole board: (dark), (resets), (refused)."""


def _kind(state: BenchState, change: ValueChange) -> str:
    channel = find_channel(state.boards, change.source, change.channel)
    return channel.kind if channel is not None else OF_THE_BOARD if change.channel in OF_BOARDS else ""


def _unit(state: BenchState, change: ValueChange) -> str:
    return UNITS.get(change.channel if change.channel in OF_BOARDS else _kind(state, change), "")


def display_text(state: BenchState, change: ValueChange) -> str:
    """Return the text that a display shows; empty for other channels."""
    channel = find_channel(state.boards, change.source, change.channel)
    digits = digits_in(channel.detail, 0) if channel is not None and channel.kind == "display" else 0
    return decode(segments_of(change.value, digits)) if change.value is not None and digits else ""


CSV_HEAD = ("at_us", "utc", "board", "channel", "kind", "value", "unit", "shows")


def _csv(reader: StateReader, out: TextIO) -> None:
    """Write CSV as in RFC 4180: CRLF, quotes where needed, a header line.

    A value that is not known is empty; a text that a spreadsheet would take for a formula gets a ' in front.
    """
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_HEAD)
    later = names_in(reader)

    def row(at_us: int, board: str, channel: str, kind: str, value: object, unit: str, shows: str) -> None:
        head = (
            at_us,
            wall_time(reader.began, at_us),
            spreadsheet_cell(board),
            spreadsheet_cell(channel),
            spreadsheet_cell(kind),
        )
        writer.writerow((*head, "" if value is None else value, spreadsheet_cell(unit), spreadsheet_cell(shows)))

    changes = Changes()
    values = LastValues()
    for batch in reader:
        found = changes.feed(batch)
        state = changes.state
        for event in changes.events:
            for name, text in values.new_in(event):
                number, unit = number_and_unit(text)
                row(event.at_us, OF_BENCH, name, VALUE, None if number is None else f"{number:.10g}", unit, text)
        for change in found:
            board = board_name(state, change.source, later)
            shows = display_text(state, change)
            row(change.at_us, board, change.channel, _kind(state, change), change.value, _unit(state, change), shows)


def _jsonl(reader: StateReader, out: TextIO) -> None:
    """Write one JSON object per line: changes, and in between notes, resets, gaps and link records."""
    later = names_in(reader)
    changes = Changes()
    for batch in reader:
        found = changes.feed(batch)
        state = changes.state
        for event in changes.events:
            if (entry := _happening(event, state, later)) is not None:
                _put(out, reader, event.at_us, entry)
        for change in found:
            kind = _kind(state, change)
            entry = {
                "board": board_name(state, change.source, later),
                "channel": change.channel,
                "kind": kind,
                "value": change.value,
                "unit": _unit(state, change),
            }
            if shows := display_text(state, change):
                entry["shows"] = shows
            _put(out, reader, change.at_us, entry)


def _happening(event: ev.Event, state: BenchState, later: Mapping[int, str]) -> dict[str, Any] | None:
    if isinstance(event, ev.Note):
        return {"note": printable(event.kind), "text": printable(event.text)}
    if isinstance(event, ev.Link) and event.word == "values":
        return {"values": {printable(name): printable(text) for name, text in event.detail.items()}}
    if event.source not in state.boards:
        return None
    board = board_name(state, event.source, later)
    if isinstance(event, ev.Boot):
        return {"board": board, "reset": printable(event.cause), "boot": event.boot}
    if isinstance(event, ev.Gap):
        return {"board": board, "gap": event.missing}
    if isinstance(event, ev.Link):
        detail = {printable(key): printable(text) for key, text in event.detail.items()}
        return {"board": board, "link": printable(event.word), "detail": detail}
    return None


def _put(out: TextIO, reader: StateReader, at_us: int, entry: dict[str, Any]) -> None:
    whole = {"at_us": at_us, "utc": wall_time(reader.began, at_us), **entry}
    out.write(json.dumps(whole, separators=(",", ":")) + "\n")


FORMS: dict[str, Callable[[StateReader, TextIO], None]] = {"vcd": write_vcd, "csv": _csv, "jsonl": _jsonl}
"""Suffix of the file's name → function that writes this form."""
