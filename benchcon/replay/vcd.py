"""Value change dump, IEEE 1364-2005 clause 18: captures for any waveform viewer.

There is one scope per board and one variable per channel, as wide as its kind needs. Times are in microseconds since
the capture began. A value that is not known is ``x``. Units and labels are comments; notes are comments and events.
"""

from __future__ import annotations

import re
from typing import NamedTuple, TextIO

from benchcon.capture.form import wall_time
from benchcon.replay.contents import UNITS, LastValues, board_name, whole_state
from benchcon.state import BenchState, ChannelState
from benchcon.state.changes import DARK, OF_BOARDS, Changes
from benchcon.state.quantities import number_and_unit
from benchcon.state_reader import StateReader
from benchcon.text import printable
from benchcon.wire import events as ev
from benchcon.wire.items import digits_in
from benchcon.wire.records import BENCH, LINK

_WIDTHS = {"contact": 1, "selector": 4, "encoder": 16, "pot": 16, "lamp": 10}
_COUNT_WIDTH = 32


class _Variable(NamedTuple):
    code: str
    width: int
    name: str
    comment: str


class _ValueVariable(NamedTuple):
    """A value of a rehearsal: a real number, and a bit that says whether it is known."""

    code: str
    known: str
    name: str
    comment: str


def write_vcd(reader: StateReader, out: TextIO) -> None:
    """Write the whole capture that `reader` reads."""
    state = whole_state(reader)
    variables = _variables(state)
    mark = _code(len(variables))
    out.write(f"$date {wall_time(reader.began, 0)} $end\n$version benchcon $end\n$timescale 1 us $end\n")
    out.write("$comment time 0 is the date above $end\n")
    names: set[str] = set()
    for source in state.boards:
        own = {key: variable for key, variable in variables.items() if key[0] == source}
        for variable in own.values():
            out.write(f"$comment {variable.comment} $end\n")
        out.write(f"$scope module {_unique(_word(board_name(state, source)), names)} $end\n")
        for variable in own.values():
            bits = f" [{variable.width - 1}:0]" if variable.width > 1 else ""
            sort = "reg" if variable.width > 1 else "wire"
            out.write(f"$var {sort} {variable.width} {variable.code} {variable.name}{bits} $end\n")
        out.write("$upscope $end\n")
    values = _values(reader, len(variables) + 1)
    if values:
        for value in values.values():
            out.write(f"$comment {value.comment} $end\n")
        out.write(f"$scope module {_unique('values', names)} $end\n")
        for value in values.values():
            out.write(f"$var real 64 {value.code} {value.name} $end\n")
            out.write(f"$var wire 1 {value.known} {value.name}_known $end\n")
        out.write("$upscope $end\n")
    out.write(f"$scope module {_unique('bench', names)} $end\n$var event 1 {mark} note $end\n$upscope $end\n")
    out.write("$enddefinitions $end\n")
    _write_changes(reader, out, variables, values, mark)


def _write_changes(
    reader: StateReader,
    out: TextIO,
    variables: dict[tuple[int, str], _Variable],
    values: dict[str, _ValueVariable],
    mark: str,
) -> None:
    now = reader.first_us
    out.write(f"#{now}\n$dumpvars\n")
    out.writelines(_value(variable, None) for variable in variables.values())
    out.writelines(f"r0 {value.code}\n0{value.known}\n" for value in values.values())
    out.write("$end\n")
    last_values = LastValues()
    changes = Changes()
    for batch in reader:
        found = changes.feed(batch)
        notes = [event for event in changes.events if isinstance(event, ev.Note)]
        new = [pair for event in changes.events for pair in last_values.new_in(event) if pair[0] in values]
        if (found or notes or new) and batch.at_us != now:
            now = batch.at_us
            out.write(f"#{now}\n")
        for note in notes:
            out.write(f"$comment {_plain(f'{note.kind} {note.text}')} $end\n1{mark}\n")
        for name, text in new:
            number, _ = number_and_unit(text)
            value = values[name]
            # A real variable cannot be x, so whether it is known is a variable of its own.
            out.write(f"0{value.known}\n" if number is None else f"r{number:.10g} {value.code}\n1{value.known}\n")
        for change in found:
            variable = variables.get((change.source, change.channel))
            if variable is not None:
                out.write(_value(variable, change.value))
    if reader.last_us > now:
        out.write(f"#{reader.last_us}\n")


def _value(variable: _Variable, value: int | None) -> str:
    if variable.width == 1:
        return f"{'x' if value is None else value & 1}{variable.code}\n"
    bits = "x" if value is None else f"{value & (1 << variable.width) - 1:b}"
    return f"b{bits} {variable.code}\n"


def _values(reader: StateReader, first: int) -> dict[str, _ValueVariable]:
    """Return the variables of a capture's values, by name; their codes are numbered from `first`. Rewinds."""
    units: dict[str, str] = {}
    state = BenchState()
    for batch in reader:
        state.feed(batch)
        if batch.kind == LINK and batch.source == BENCH:
            for name, each in state.values.items():
                units[name] = units.get(name) or each.unit
    for name, each in state.values.items():
        units[name] = units.get(name) or each.unit
    reader.rewind()
    found: dict[str, _ValueVariable] = {}
    names: set[str] = set()
    for number, (name, unit) in enumerate(units.items()):
        comment = _plain(f"values.{name}: in {unit}" if unit else f"values.{name}: a plain number")
        codes = _code(first + 2 * number), _code(first + 2 * number + 1)
        found[name] = _ValueVariable(*codes, _unique(_word(f"{name}_{unit}" if unit else name), names), comment)
    return found


def _variables(state: BenchState) -> dict[tuple[int, str], _Variable]:
    found: dict[tuple[int, str], _Variable] = {}
    for source, board in state.boards.items():
        names: set[str] = set()
        for channel in board.channels.values():
            found[source, channel.id] = _Variable(
                _code(len(found)), _width(channel), _unique(_word(channel.id), names), _comment(state, source, channel)
            )
        for name in OF_BOARDS:
            width = 1 if name == DARK else _COUNT_WIDTH
            text = f"{_plain(board_name(state, source))}.{_word(name)}: {UNITS[name]}"
            # Ids begin with a letter, so an underscore at the beginning keeps these apart.
            found[source, name] = _Variable(_code(len(found)), width, _unique(_word(name), names), text)
    return found


def _width(channel: ChannelState) -> int:
    if channel.kind == "encoder":
        return _WIDTHS["encoder"]
    if channel.kind == "display" and (digits := digits_in(channel.detail, 0)):
        return 8 * digits
    # A stranger's value may be wider than its kind allows: take the greatest that was seen.
    greatest = max(abs(channel.greatest or 0), abs(channel.least or 0), channel.value or 0)
    return max(_WIDTHS.get(channel.kind, 1), greatest.bit_length())


def _comment(state: BenchState, source: int, channel: ChannelState) -> str:
    words = [f"{board_name(state, source)}.{channel.id}:", channel.kind or "unknown kind", UNITS.get(channel.kind, "")]
    words += [f"{key} {channel.detail[key]}" for key in ("label", "pin") if channel.detail.get(key)]
    return _plain(", ".join(filter(None, [" ".join(words[:2]), *words[2:]])))


def _plain(text: str) -> str:
    """Return text that cannot end a comment or begin another keyword: ASCII, without ``$``."""
    return " ".join(printable(text).encode("ascii", "replace").decode().replace("$", "_").split())


def _word(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9_]+", "_", text).rstrip("_")[:40] or "unnamed"


def _unique(name: str, names: set[str]) -> str:
    found, number = name, 2
    while found in names:
        found, number = f"{name}_{number}", number + 1
    names.add(found)
    return found


def _code(number: int) -> str:
    """Return the identifier code for a number, made of the characters ``!`` to ``~``."""
    code = ""
    while True:
        number, digit = divmod(number, 94)
        code += chr(33 + digit)
        if not number:
            return code
        number -= 1
