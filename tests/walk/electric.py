"""An electrical world to try the diagnosis on: boards, chains of shift registers, a matrix, looms, and what is wrong.

It knows nothing of the diagnosis. What a board reads is decided by which nodes are joined. From the data sheets (from
memory): a 74HC165 puts out H first, then G to A, then what stands at SER, the QH of the chip behind it (Texas
Instruments SCLS116, function table and logic diagram); a 74HC595 takes each bit into QA and moves the others towards
QH, whose QH' feeds the chip behind it (SCLS041). Common practice, no source: inputs with pull-ups and contacts to
ground; a matrix whose rows are pulled low one at a time while the columns are read, a diode at every contact, anode
to the column.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from walk.panels_read import panel_of

from benchcon.panel.model import Panel

Evidence = list[dict[str, Any]]
Stream = list[int | None]
"""For each bit that a chain shifts, in order, which input or output (as wired) it belongs to; None: nothing."""


@dataclass
class Board:
    """One board as it is wired. An input's place is where the panel file says that its wire ends."""

    name: str
    chips: int
    drivers: int
    rows: int
    columns: int
    order: list[int] = field(default_factory=list)
    """Which 74HC165 stands at each place of the chain, nearest first."""
    inputs: dict[int, list[int]] = field(default_factory=dict)
    """Which input each pin A to H of a chip is wired to, by chip."""
    mute: dict[int, int] = field(default_factory=dict)
    """Chip whose output stands at this level (0 low: made, 1 high: open), with all that comes through it."""
    unloaded: dict[int, int] = field(default_factory=dict)
    """Chip that never takes its inputs over: it holds what was shifted in from behind, SER of the last chip."""
    late: int = 0
    """Bits that the firmware's reading is behind (1) or before (-1) the chain."""
    bridged: int | None = None
    """Chip whose SER is joined to its QH: what is behind it comes in its place."""
    lamp_order: list[int] = field(default_factory=list)
    lamp_pins: dict[int, list[int]] = field(default_factory=dict)
    lamp_mute: set[int] = field(default_factory=set)
    """74HC595 whose QH' gives nothing on: it works, those behind it stay dark."""
    lamp_dead: set[int] = field(default_factory=set)
    lamp_late: int = 0
    row_wire: list[int | None] = field(default_factory=list)
    column_wire: list[int | None] = field(default_factory=list)
    diode: str = "right"
    """``right``, ``backwards`` or ``missing``."""
    high: bool = False
    """The contacts of the whole board close to + (or its inputs are read the other way round)."""

    def __post_init__(self) -> None:
        self.order = list(range(self.chips))
        self.lamp_order = list(range(self.drivers))
        self.inputs = {chip: list(range(8)) for chip in range(self.chips)}
        self.lamp_pins = {chip: list(range(8)) for chip in range(self.drivers)}
        self.row_wire = list(range(self.rows))
        self.column_wire = list(range(self.columns))

    def chain(self, made: set[int]) -> dict[int, int]:
        """What the firmware takes for inputs 0 to 8·chips - 1 (1: made), for the wired inputs that are `made`."""
        bits: list[int] = []
        level: int | None = None
        order = [chip for chip in self.order if chip != self.bridged]
        for chip in order:
            if chip in self.unloaded:
                out = [self.unloaded[chip]] * 8
            else:
                out = [int(chip * 8 + self.inputs[chip][7 - n] not in made) for n in range(8)]
            level = self.mute.get(chip) if level is None else level
            bits += out if level is None else [level] * 8
        bits += [1] * 8 * (self.chips - len(order))  # SER of the last chip is tied high
        bits = [*bits[1:], 1] if self.late < 0 else [1, *bits[:-1]] if self.late > 0 else bits
        return {8 * (n // 8) + 7 - n % 8: 1 - bit for n, bit in enumerate(bits)}

    def lights(self, driven: set[int]) -> set[int]:
        """Which lamps (by the outputs that they are wired to) shine when the firmware means `driven`."""
        lit = set()
        for place, chip in enumerate(self.lamp_order):
            if any(before in self.lamp_mute for before in self.lamp_order[:place]) or chip in self.lamp_dead:
                continue
            for pin in range(8):
                if 8 * place + pin + self.lamp_late in driven:
                    lit.add(8 * chip + self.lamp_pins[chip][pin])
        return lit

    def matrix(self, made: set[tuple[int, int]]) -> set[tuple[int, int]]:
        """Crossings that the firmware takes for made: its row pulled low, a current from its column's pull-up."""
        out = set()
        for row in range(self.rows):
            for column in range(self.columns):
                reached, grown = {("c", column)}, True
                while grown:
                    grown = False
                    for r, c in made:
                        one, other = (
                            ("c", self.column_wire.index(c) if c in self.column_wire else -1 - c),
                            (
                                "r",
                                self.row_wire.index(r) if r in self.row_wire else -1 - r,
                            ),
                        )
                        to = {"right": [(one, other)], "backwards": [(other, one)]}.get(
                            self.diode, [(one, other), (other, one)]
                        )
                        for a, b in to:
                            if a in reached and b not in reached:
                                reached.add(b)
                                grown = True
                if ("r", row) in reached:
                    out.add((row, column))
        return out


@dataclass
class Contact:
    """One contact of a control: where its wire should end, by board."""

    board: str
    kind: str
    """``165``, ``matrix`` or ``pin``."""
    at: Any
    id: str


@dataclass
class Bench:
    """A panel of one or two boards, healthy until something is set wrong."""

    rng: random.Random
    boards: dict[str, Board] = field(default_factory=dict)
    controls: dict[str, tuple[str, list[Contact]]] = field(default_factory=dict)
    lamps: dict[str, tuple[str, int]] = field(default_factory=dict)
    common_off: set[str] = field(default_factory=set)
    """Controls whose common goes nowhere."""
    looms: dict[str, str] = field(default_factory=dict)
    """Board that a wire meant for this board goes to."""
    floats: str = ""
    """Contact without a pull-up, as ``board.id``: it follows the mains while it is open."""
    mains_us: int = 20_000
    text: list[str] = field(default_factory=list)
    stands: dict[str, int] = field(default_factory=dict)
    """Where a control stood when the walk began."""

    def board(self, name: str, chips: int = 0, drivers: int = 0, rows: int = 0, columns: int = 0) -> Board:
        made = self.boards[name] = Board(name, chips, drivers, rows, columns)
        self.text.append(f"[boards.{name}]")
        if chips:
            self.text.append(f'chains.165 = {{ data = "D12", clock = "A0", load = "A1", chips = {chips} }}')
        if drivers:
            self.text.append(f'chains.595 = {{ data = "D11", clock = "D13", load = "D10", chips = {drivers} }}')
        if rows:
            pins = [f'"D{n}"' for n in range(22, 22 + rows + columns)]
            self.text.append(f'[matrices.{name}_keys]\nboard = "{name}"\nrows = [{", ".join(pins[:rows])}]')
            self.text.append(f"columns = [{', '.join(pins[rows:])}]")
        return made

    def control(self, name: str, kind: str, contacts: list[Contact]) -> None:
        self.controls[name] = kind, contacts
        wires = []
        for contact in contacts:
            pin = f"165.{contact.at}" if contact.kind == "165" else str(contact.at)
            if contact.kind == "matrix":
                pin = f"{contact.board}_keys.r{contact.at[0]}c{contact.at[1]}"
            wires.append(f'{{ id = "{contact.board}.{contact.id}", pin = "{pin}" }}')
        word = "button" if kind == "button" else "switch"
        text = f'[controls.{name}]\nkind = "{word}"\n'
        text += f"channels = [{', '.join(wires)}]" if len(wires) > 1 else f"channel = {wires[0]}"
        if kind == "rotary":
            text += f"\npositions = [{', '.join(repr(str(n)) for n in range(len(wires)))}]"
        elif kind == "three":
            text += '\npositions = ["up", "off", "down"]\ncode = [[1, 0], [0, 0], [0, 1]]'
        self.text.append(text)

    def lamp(self, name: str, board: str, output: int) -> None:
        self.lamps[name] = board, output
        self.text.append(
            f'[lamps.{name}]\ncurrent = "4 mA"\nchannel = {{ id = "{board}.o{output}", pin = "595.{output}" }}'
        )

    def panel(self) -> Panel:
        return panel_of("\n".join(self.text) + "\n", "bench.toml")

    def reads(self, at: dict[str, int]) -> dict[str, int]:
        """All channels' values, with the controls in the positions that `at` gives."""
        made: dict[tuple[str, str], set[Any]] = {}
        for name, (kind, contacts) in self.controls.items():
            if name in self.common_off:
                continue
            for n, contact in enumerate(contacts):
                closed = at[name] == (2 * n if kind == "three" else n if len(contacts) > 1 else 1)
                if closed:
                    made.setdefault((self.looms.get(contact.board, contact.board), contact.kind), set()).add(contact.at)
        out = {}
        for name, board in self.boards.items():
            chain = board.chain(made.get((name, "165"), set())) if board.chips else {}
            keys = board.matrix(made.get((name, "matrix"), set())) if board.rows else set()
            for _, contacts in self.controls.values():
                for contact in contacts:
                    if contact.board == name:
                        if contact.kind == "165":
                            value = chain[contact.at]
                        elif contact.kind == "matrix":
                            value = int(contact.at in keys)
                        else:
                            value = int(contact.at in made.get((name, "pin"), set()))
                        out[f"{name}.{contact.id}"] = value ^ board.high
        return out

    def _rectangles(self) -> list[list[str]]:
        """Three corners of one rectangle of each matrix."""
        at: dict[str, dict[tuple[int, int], str]] = {}
        for name, (_, contacts) in self.controls.items():
            if contacts[0].kind == "matrix":
                at.setdefault(contacts[0].board, {})[contacts[0].at] = name
        out = []
        for keys in at.values():
            for (r, c), name in keys.items():
                others = [(q, d) for q, d in keys if q != r and d != c and (r, d) in keys and (q, c) in keys]
                if others:
                    q, d = others[0]
                    out.append([name, keys[r, d], keys[q, c]])
                    break
        return out

    def hum(self, out: Evidence) -> Evidence:
        """The same evidence with what the floating input does in each step while nothing holds it: it follows the
        mains' field for a while, and stays where it was when that fell below its threshold."""
        now, stays = 0, 0
        for step in out:
            if step["what"] != "hand":
                continue
            was, step["before"] = step["before"], step["before"] | {self.floats: stays}
            if self.rng.random() < 0.4 and not step["values"][self.floats] and not was[self.floats]:
                begin = max([now + 50_000, *(change[0] for change in step.get("changes", ()))])
                high = self.rng.randint(4_000, 16_000) * self.mains_us // 20_000
                for period in range(self.rng.randint(6, 60)):
                    at = begin + period * self.mains_us + self.rng.randint(-400, 400)
                    step["changes"] = [*step.get("changes", ()), [at, self.floats, 1], [at + high, self.floats, 0]]
                if self.rng.random() < 0.3:
                    step["changes"].pop()
                stays = step["changes"][-1][2]
                step["values"] = step["values"] | {self.floats: stays}
            elif not step["values"][self.floats]:
                step["values"] = step["values"] | {self.floats: stays}
            else:
                stays = 0
            now = max([now + 1, *(change[0] for change in step.get("changes", ()))])
        return out

    def walked(self) -> Evidence:
        """The evidence of a walk: each control through all of its positions and back, then lamp by lamp."""
        at = {name: self.stands.get(name, 1 if kind == "three" else 0) for name, (kind, _) in self.controls.items()}
        first = self.reads(at)
        out: Evidence = [{"what": "hand", "do": "rest", "before": first, "values": first}]
        now = 1_000_000
        for name, (kind, contacts) in self.controls.items():
            here, count = at[name], max(2, len(contacts)) + (kind == "three")
            for to in [*(n for n in range(count) if n != here), here]:
                before, was = self.reads(at), at[name]
                path = [to]
                if kind in ("rotary", "three"):
                    path = list(range(was + 1, to + 1)) if to > was else list(range(was - 1, to - 1, -1))
                changes, old = [], before
                for spot in path:
                    at[name] = spot
                    now += self.rng.randint(60_000, 200_000)
                    new = self.reads(at)
                    changes += [[now, key, value] for key, value in new.items() if old[key] != value]
                    old = new
                step: dict[str, Any] = {"what": "hand", "do": "put", "parts": [name], "to": to, "before": before}
                out.append(step | {"values": old, "changes": changes, "outcome": "seen" if changes else "said"})
                now += 500_000
        for keys in self._rectangles():
            for to in (1, 0, 1, 0):  # three corners held together, twice, and nothing else stands made
                before = self.reads(at)
                at |= dict.fromkeys(keys, to)
                values = self.reads(at)
                changes = [[now, key, value] for key, value in values.items() if before[key] != value]
                step = {"what": "hand", "do": "put", "parts": keys, "to": to, "before": before}
                out.append(step | {"values": values, "changes": changes, "outcome": "seen"})
                now += 1_000_000
        for lamp in [None, *self.lamps]:
            driven = {self.lamps[lamp]} if lamp else set()
            seen = []
            for name, board in self.boards.items():
                lit = board.lights({output for where, output in driven if where == name})
                seen += [
                    each
                    for each, (where, output) in self.lamps.items()
                    if self.looms.get(where, where) == name and output in lit
                ]
            out.append({"what": "lamps", "set": {lamp: 1000} if lamp else {}, "seen": seen})
        return self.hum(out) if self.floats else out


def bench(seed: int, matrix: bool = False, boards: int = 1) -> Bench:
    """A healthy panel at random: chains of two to four chips nearly full, lamps on two or three, perhaps a matrix."""
    rng = random.Random(seed)
    made = Bench(rng)
    for name in ("a", "b")[:boards]:
        chips, drivers = rng.randint(2, 4), rng.randint(2, 3)
        rows, columns = (rng.randint(2, 4), rng.randint(3, 5)) if matrix else (0, 0)
        if matrix:
            chips, drivers = 0, 0
        board = made.board(name, chips, drivers, rows, columns)
        free = [Contact(name, "165", n, f"i{n}") for n in range(8 * chips) if rng.random() < 0.92]
        free += [Contact(name, "pin", f"D{n}", f"d{n}") for n in range(2, 2 + rng.randint(3, 7))]
        number = 0
        while free:
            kind = rng.choice(("button", "button", "toggle", "toggle", "rotary", "three"))
            want = min({"rotary": rng.randint(3, 6), "three": 2}.get(kind, 1), len(free))
            kind = kind if want > 1 else "toggle" if kind == "three" or kind == "rotary" else kind
            kind = "three" if kind == "rotary" and want == 2 else kind
            taken, free = free[:want], free[want:]
            number += 1
            made.control(f"{name}_{kind}{number}", kind, taken)
        for row in range(board.rows):
            for column in range(board.columns):
                if rng.random() < 0.95:
                    kind = rng.choice(("button", "button", "toggle"))
                    contact = Contact(name, "matrix", (row, column), f"k{row}{column}")
                    made.control(f"{name}_{kind}_r{row}c{column}", kind, [contact])
        for output in range(8 * drivers):
            if rng.random() < 0.9:
                made.lamp(f"{name}_l{output}", name, output)
    for name, (kind, contacts) in made.controls.items():
        if kind != "button" and rng.random() < 0.4:
            made.stands[name] = rng.randrange(max(2, len(contacts)) + (kind == "three"))
    return made


Cause = Callable[[Bench], tuple[str, dict[str, Any]]]
"""Sets one thing wrong and returns its kind and what the finding should say of it (as `protocols/walk-report.md`)."""


def _chip_order(made: Bench, order: list[int], chain: str) -> tuple[str, dict[str, Any]]:
    while order == sorted(order):
        made.rng.shuffle(order)
    return "chips in another order", {"chain": chain, "order": [chip + 1 for chip in order]}


def chips_in_another_order(made: Bench) -> tuple[str, dict[str, Any]]:
    return _chip_order(made, made.boards["a"].order, "74HC165")


def chip_mute(made: Bench) -> tuple[str, dict[str, Any]]:
    board, level = made.boards["a"], made.rng.choice((0, 1, 1))
    chip = made.rng.randrange(board.chips)
    board.mute[chip] = level
    return "chip dead", {"chip": chip + 1, "behind": chip < board.chips - 1, "reads": 1 - level}


def chip_unloaded(made: Bench) -> tuple[str, dict[str, Any]]:
    board, level = made.boards["a"], made.rng.choice((0, 1, 1))
    chip = made.rng.randrange(board.chips)
    board.unloaded[chip] = level
    return "chip dead", {"chip": chip + 1, "behind": False, "reads": 1 - level}


def bit_late(made: Bench) -> tuple[str, dict[str, Any]]:
    made.boards["a"].late = made.rng.choice((-1, 1))
    return "chain shifted", {"chain": "74HC165", "by": made.boards["a"].late}


def inputs_backwards(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    chip = made.rng.randrange(board.chips)
    board.inputs[chip].reverse()
    return "chip pins reversed", {"chain": "74HC165", "chips": [chip + 1]}


def all_inputs_backwards(made: Bench) -> tuple[str, dict[str, Any]]:
    for pins in made.boards["a"].inputs.values():
        pins.reverse()
    return "chip pins reversed", {"chips": [n + 1 for n in made.boards["a"].inputs]}


def chip_bridged(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    board.bridged = made.rng.randrange(board.chips - 1)
    return "chip bridged", {"chain": "74HC165", "chip": board.bridged + 1}


def drivers_in_another_order(made: Bench) -> tuple[str, dict[str, Any]]:
    return _chip_order(made, made.boards["a"].lamp_order, "74HC595")


def driver_dead(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    chip = made.rng.randrange(board.drivers)
    board.lamp_dead.add(chip)
    return "chip dead", {"chain": "74HC595", "chip": chip + 1, "behind": False}


def driver_mute(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    chip = made.rng.randrange(board.drivers - 1)
    board.lamp_mute.add(chip)
    return "chip dead", {"chain": "74HC595", "chip": chip + 2, "behind": chip + 2 < board.drivers}


def lamp_bit_late(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    board.lamp_late = made.rng.choice((-1, 1))
    return "chain shifted", {"chain": "74HC595", "by": -board.lamp_late}


def outputs_backwards(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    chip = made.rng.randrange(board.drivers)
    board.lamp_pins[chip].reverse()
    return "chip pins reversed", {"chain": "74HC595", "chips": [chip + 1]}


def row_off(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    row = made.rng.randrange(board.rows)
    board.row_wire[row] = None
    return "matrix line off", {"matrix": "a_keys", "row": row}


def column_off(made: Bench) -> tuple[str, dict[str, Any]]:
    board = made.boards["a"]
    column = made.rng.randrange(board.columns)
    board.column_wire[column] = None
    return "matrix line off", {"matrix": "a_keys", "column": column}


def _exchanged(made: Bench, wires: list[int | None]) -> list[int]:
    one, other = sorted(made.rng.sample(range(len(wires)), 2))
    wires[one], wires[other] = wires[other], wires[one]
    return [one, other]


def rows_exchanged(made: Bench) -> tuple[str, dict[str, Any]]:
    return "matrix lines crossed", {"rows": _exchanged(made, made.boards["a"].row_wire)}


def columns_exchanged(made: Bench) -> tuple[str, dict[str, Any]]:
    return "matrix lines crossed", {"columns": _exchanged(made, made.boards["a"].column_wire)}


def diodes_backwards(made: Bench) -> tuple[str, dict[str, Any]]:
    made.boards["a"].diode = "backwards"
    return "diodes backwards", {"matrix": "a_keys"}


def common_off(made: Bench) -> tuple[str, dict[str, Any]]:
    name = made.rng.choice([n for n, (kind, _) in made.controls.items() if kind in ("rotary", "three")])
    made.common_off.add(name)
    return "common open", {"part": name}


def looms_interchanged(made: Bench) -> tuple[str, dict[str, Any]]:
    made.looms |= {"a": "b", "b": "a"}
    return "looms interchanged", {"boards": ["a", "b"]}


def level_wrong(made: Bench) -> tuple[str, dict[str, Any]]:
    made.boards["a"].high = True
    return "level inverted", {"board": "a"}


def diodes_missing(made: Bench) -> tuple[str, dict[str, Any]]:
    made.boards["a"].diode = "missing"
    return "ghost", {"matrix": "a_keys"}


def pull_up_missing(made: Bench) -> tuple[str, dict[str, Any]]:
    # One that stands open: an input that its contact holds for the whole walk shows nothing to anybody.
    open_ones = [name for name, (kind, _) in made.controls.items() if kind in ("button", "toggle")]
    one = made.controls[made.rng.choice([name for name in open_ones if not made.stands.get(name)])][1][0]
    made.floats, made.mains_us = f"{one.board}.{one.id}", made.rng.choice((20_000, 16_667))
    return "floating", {"period_us": made.mains_us}


CHAIN_CAUSES: tuple[Cause, ...] = (
    chips_in_another_order,
    chip_mute,
    chip_unloaded,
    chip_bridged,
    bit_late,
    inputs_backwards,
    all_inputs_backwards,
    drivers_in_another_order,
    driver_dead,
    driver_mute,
    lamp_bit_late,
    outputs_backwards,
    common_off,
    level_wrong,
    pull_up_missing,
)
MATRIX_CAUSES: tuple[Cause, ...] = (
    row_off,
    column_off,
    rows_exchanged,
    columns_exchanged,
    diodes_backwards,
    diodes_missing,
)
BOARDS_CAUSES: tuple[Cause, ...] = (looms_interchanged,)
