"""Writes a first panel file from the size of the plate, the number of parts of each kind, and the kind of board."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.reader import name_from
from benchcon.text import harmless
from benchcon.units import written


class _Kind(NamedTuple):
    word: str
    """What one part of the kind is called."""
    table: str
    lines: tuple[str, ...]
    width_mm: float
    """Distance from centre to centre, with its label and room for fingers (common practice, no source)."""
    above_mm: float
    """Distance from its centre up to the next row, with the label, which is above the part."""
    below_mm: float
    id: str

    @property
    def base(self) -> str:
        """Stem of the names of its tables."""
        return self.word.replace(" ", "_")


KINDS = {
    # In the order of the rows, from top to bottom.
    "displays": _Kind("display", "displays", ("digits = 4",), 56.0, 15.5, 12.0, "d"),
    "lamps": _Kind("lamp", "lamps", ('colour = "green"',), 24.0, 11.5, 7.0, "l"),
    "lit buttons": _Kind("lit button", "controls", ('kind = "button"',), 28.0, 14.5, 10.5, "k"),
    "buttons": _Kind("button", "controls", ('kind = "button"',), 28.0, 14.5, 10.5, "b"),
    "switches": _Kind("switch", "controls", ('kind = "switch"',), 28.0, 16.5, 12.0, "s"),
    "encoders": _Kind("encoder", "controls", ('kind = "encoder"',), 36.0, 20.2, 15.7, "e"),
    "potentiometers": _Kind("potentiometer", "controls", ('kind = "pot"',), 36.0, 20.2, 15.7, "p"),
}
MOST = {kind: 16 if kind == "displays" else 64 for kind in KINDS}
"""Most parts of each kind; of displays (four digits each) as many as a chain of eight drivers serves."""
BOARDS = {"uno": "atmega328p", "nano": "atmega328p", "mega": "atmega2560", "none": ""}
"""The usual boards and the chip on each; with ``none`` the file names no chip and no pins."""
RIM_MM = 4.0
LARGEST_MM = 2000.0
_STEP_MM = 5.0
_DIGITS = 4
_PER_CHIP = 8
_MOST_CHIPS = 8
_TURNED = ("encoders", "potentiometers")
_MOST_TURNED = 8
"""Most encoders, and most potentiometers, that the firmware of one board reads."""
_MOST_DIRECT = 10
"""Most lamps on the microcontroller's own pins: at 10 mA each, as no port group's limit is below 100 mA."""


class TooSmall(Trouble):
    """The parts do not fit on the plate. `plate` is the width and height in mm of one on which they do."""

    def __init__(self, text: str, plate: tuple[float, float]) -> None:
        super().__init__(text)
        self.plate = plate


class _Group(NamedTuple):
    """Parts of one kind, side by side in a row."""

    kind: str
    start: int
    """Number of the first of them among all parts of the kind, from 0."""
    size: int
    """How many there are."""

    @property
    def width_mm(self) -> float:
        return self.size * KINDS[self.kind].width_mm


def first_file(title: str, width_mm: float, height_mm: float, counts: Mapping[str, int], board: str = "none") -> str:
    """Return the text of a panel file with this many of each of `KINDS` in rows, wired to `board`, one of `BOARDS`.

    Raises `TooSmall` if they do not fit on the plate, and `Trouble` if there are no parts, too many to lay out, or more
    than the board has pins for.
    """
    wanted = {kind: counts.get(kind, 0) for kind in KINDS if counts.get(kind, 0) > 0}
    if not wanted:
        raise Trouble("a panel has at least one part on it")
    for kind, count in wanted.items():
        if count > MOST[kind]:
            raise Trouble(f"{count} {kind} are more than can be laid out here; at most {MOST[kind]}")
    rows = _rows(wanted, width_mm)
    if not rows or _high_mm(rows) > height_mm:
        raise _too_small(wanted, width_mm, height_mm)
    pins, chains = _wired(wanted, board)
    name = name_from(title)[:16].rstrip("_") or "desk"
    out = [
        "# A first panel file: change whatever differs. protocols/panel-file.md says what each key means.",
        "[panel]",
        f'title = "{_plain(title)}"',
        f'width = "{written(width_mm, "mm")}"',
        f'height = "{written(height_mm, "mm")}"',
        "",
        f"[boards.{name}]",
        *([f'chip = "{BOARDS[board]}"'] if BOARDS[board] else []),
        *chains,
    ]
    air = (height_mm - _high_mm(rows)) / len(rows)
    top = RIM_MM
    tables: list[tuple[_Group, float, float, float]] = []
    """Each table: its parts, the centre of the first (x, y) and the pitch, all in mm."""
    for row in rows:
        y = top + air / 2 + max(KINDS[group.kind].above_mm for group in row)
        top += air + _row_mm(row)
        wider = (width_mm - 2 * RIM_MM) / sum(group.width_mm for group in row)
        left = RIM_MM
        for group in row:
            # Whole millimetres, as they are scribed with a steel rule; the remainder goes to both ends of a group.
            room = wider * KINDS[group.kind].width_mm
            pitch = float(math.floor(room + 1e-9))
            first = left + (room - pitch) * group.size / 2
            for run in _runs(group, pins):
                tables.append((run, first + (run.start - group.start + 0.5) * pitch, y, pitch))
            left += wider * group.width_mm
    for group, x, y, pitch in sorted(tables, key=lambda each: (list(KINDS).index(each[0].kind), each[0].start)):
        same = [run.start for run, *_ in tables if run.kind == group.kind]
        out += _table(group, sorted(same).index(group.start) + 1 if len(same) > 1 else 0, (x, y), pitch, pins)
    return "\n".join(out) + "\n"


def _table(
    group: _Group, number: int, at: tuple[float, float], pitch: float, pins: Mapping[str, Sequence[str]]
) -> Iterator[str]:
    its, first = KINDS[group.kind], group.start + 1
    yield ""
    yield f"[{its.table}.{its.base}{f'_group_{number}' if number else ''}]"
    yield f'label = "{its.word.capitalize()} {first}"'
    yield from its.lines
    yield f'at = ["{written(at[0], "mm", 0)}", "{written(at[1], "mm", 0)}"]'
    yield f"channel = {_channel(f'{its.id}{first}', pins.get(group.kind), group.start)}"
    if group.kind == "lit buttons":
        yield f'lit = {{ colour = "green", channel = {_channel(f"g{first}", pins.get("lit"), group.start)} }}'
    if group.size > 1:
        yield f'repeat = {{ columns = {group.size}, pitch = "{written(pitch, "mm", 0)}" }}'


def _channel(channel: str, pins: Sequence[str] | None, number: int) -> str:
    return f'{{ id = "{channel}", pin = "{pins[number]}" }}' if pins else f'"{channel}"'


# --- rows ---------------------------------------------------------------------------------------------------------


def _rows(wanted: Mapping[str, int], width_mm: float) -> list[list[_Group]]:
    """Return the rows; each group goes into the first row with room for it. Empty if a part is wider than the plate."""
    room = width_mm - 2 * RIM_MM
    rows: list[list[_Group]] = []
    for kind, count in wanted.items():
        across = int(room // KINDS[kind].width_mm)
        if not across:
            return []
        for start in range(0, count, across):
            group = _Group(kind, start, min(across, count - start))
            for row in rows:
                if sum(each.width_mm for each in row) + group.width_mm <= room:
                    row.append(group)
                    break
            else:
                rows.append([group])
    return rows


def _row_mm(row: Sequence[_Group]) -> float:
    kinds = [KINDS[group.kind] for group in row]
    return max(kind.above_mm for kind in kinds) + max(kind.below_mm for kind in kinds)


def _high_mm(rows: Sequence[Sequence[_Group]]) -> float:
    return sum(map(_row_mm, rows)) + 2 * RIM_MM


def _too_small(wanted: Mapping[str, int], width_mm: float, height_mm: float) -> Trouble:
    """Return the error for a plate that is too small, with the smallest plate that is not: higher, wider, or both."""
    widths = [width_mm, *(_STEP_MM * step for step in range(1, int(LARGEST_MM / _STEP_MM) + 1))]
    plates = []
    for width in widths:
        rows = _rows(wanted, width) if width >= width_mm else []
        high = max(height_mm, -(-_high_mm(rows) // _STEP_MM) * _STEP_MM)
        if rows and high <= LARGEST_MM:
            plates.append((width, high))
    if not plates:
        return Trouble(f"so many parts do not fit on a plate of up to {written(LARGEST_MM / 1000, 'm')}; take fewer")
    # Keep one side as it is, if that is enough.
    plate = min(plates, key=lambda each: (each[0] != width_mm and each[1] != height_mm, each[0] * each[1]))
    has, needs = (f"{size[0]:g} × {size[1]:g} mm" for size in ((width_mm, height_mm), plate))
    return TooSmall(f"these parts do not fit on a plate of {has}; they do on one of {needs}", plate)


# --- pins ---------------------------------------------------------------------------------------------------------


def _wired(wanted: Mapping[str, int], board: str) -> tuple[dict[str, list[str]], list[str]]:
    """Return the pins of all parts by kind (``lit`` are the lamps in buttons), and the lines for the board's chains.

    Each contact and lamp gets its own pin if there are enough. If not, lamps go on a chain of 74HC595, contacts on one
    of 74HC165, or both. More lamps than the chip itself can drive always go on a chain.
    """
    if not BOARDS[board]:
        return {}, []
    need = dict(wanted)
    need |= {"lit": need["lit buttons"]} if "lit buttons" in need else {}
    contacts = ("lit buttons", "buttons", "switches")
    lamps = ("lamps", "lit")
    for chained in ((), lamps, contacts, (*contacts, *lamps)):
        found = _given(need, board, chained)
        if found is not None:
            return found
    for kind in _TURNED:
        if need.get(kind, 0) > _MOST_TURNED:
            raise Trouble(f"{need[kind]} {kind} are more than the firmware of one board reads; at most {_MOST_TURNED}")
    larger = "" if board == "mega" else "; a Mega has more"
    raise Trouble(f"{_a(board)} does not have enough pins for so many parts{larger}")


def _given(
    need: Mapping[str, int], board: str, chained: Sequence[str]
) -> tuple[dict[str, list[str]], list[str]] | None:
    last, analogue = (53, 16) if board == "mega" else (13, 6)
    # D13 is last: the board's own LED on it makes it a poor input.
    free = [f"D{n}" for n in range(2, last + 1) if n != 13] + [f"A{n}" for n in range(analogue)] + ["D13"]
    pins: dict[str, list[str]] = {}
    chains: list[str] = []

    def chain(kind: str, kinds: Sequence[str], each: int, wires: tuple[str, str, str]) -> bool:
        bit = 0
        for one in kinds:
            pins[one] = [f"{kind}.{bit + each * number}" for number in range(need.get(one, 0))]
            bit += each * need.get(one, 0)
        if bit:
            for wire in wires:
                if wire in free:
                    free.remove(wire)
            names = ", ".join(f'{key} = "{wire}"' for key, wire in zip(("data", "clock", "load"), wires, strict=True))
            chips = -(-bit // _PER_CHIP)
            chains.append(f"chains.{kind} = {{ {names}{f', chips = {chips}' if chips > 1 else ''} }}")
        return bit <= _PER_CHIP * _MOST_CHIPS

    def take(kind: str, count: int, among: Sequence[str]) -> bool:
        usable = [pin for pin in free if pin in among]
        runs = [usable[start : start + count] for start in range(len(usable) - count + 1)]
        if not runs:
            return False
        pins[kind] = next((run for run in runs if all(map(_next_to, run, run[1:]))), runs[0])
        for pin in pins[kind]:
            free.remove(pin)
        return True

    direct = sum(need.get(kind, 0) for kind in ("lamps", "lit") if kind not in chained)
    good = direct <= _MOST_DIRECT and max(need.get(kind, 0) for kind in _TURNED) <= _MOST_TURNED
    # The chains of outputs use the chip's SPI: MISO can then only be an input, and SS only an output.
    data, clock, miso, ss = ("D51", "D52", "D50", "D53") if board == "mega" else ("D11", "D13", "D12", "D10")
    good &= chain("7219", ("displays",), _DIGITS, (data, clock, ss))
    load = "D9" if chains else ss
    good &= chain("595", [kind for kind in chained if kind in ("lamps", "lit")], 1, (data, clock, load))
    if chains:
        free.remove(miso)
    good &= chain("165", [kind for kind in chained if kind in KINDS and kind != "lamps"], 1, (miso, "D7", "D8"))
    good &= take("potentiometers", need.get("potentiometers", 0), [pin for pin in free if pin[0] == "A"])
    good &= take("encoders", 2 * need.get("encoders", 0), free)
    for kind in ("buttons", "lit buttons", "switches", "lamps", "lit"):
        good = good and (kind in chained or take(kind, need.get(kind, 0), list(free)))
    if not good:
        return None
    turned = pins["encoders"]
    pins["encoders"] = [f"{a}/{b}" for a, b in zip(turned[::2], turned[1::2], strict=True)]
    return pins, chains


_LAST_NUMBER = re.compile(r"(.*?)(\d+)")


def _next_to(pin: str, other: str, step: int = 1) -> bool:
    one, another = _LAST_NUMBER.fullmatch(pin), _LAST_NUMBER.fullmatch(other)
    return bool(one and another and one[1] == another[1] and int(one[2]) + step == int(another[2]))


def _runs(group: _Group, pins: Mapping[str, Sequence[str]]) -> Iterator[_Group]:
    """Split a group where its pins are not consecutive: a repeat counts pins up by one."""
    first = group.start
    for number in range(group.start + 1, group.start + group.size + 1):
        if number == group.start + group.size or not all(
            _goes_on(pins[kind][number - 1], pins[kind][number], _DIGITS if kind == "displays" else 1)
            for kind in ((group.kind, "lit") if group.kind == "lit buttons" else (group.kind,))
            if pins
        ):
            yield _Group(group.kind, first, number - first)
            first = number


def _goes_on(pin: str, other: str, step: int) -> bool:
    halves, others = pin.split("/"), other.split("/")
    return all(_next_to(one, another, step * len(halves)) for one, another in zip(halves, others, strict=True))


def _a(board: str) -> str:
    return f"{'an' if board == 'uno' else 'a'} {board.capitalize()}"


def _plain(text: str) -> str:
    return "".join(c for at, c in enumerate(text) if harmless(text, at)).replace("\\", "/").replace('"', "'")[:60]
