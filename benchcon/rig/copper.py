"""Faults that affect many wires at once: plugs and their grounds, lines and diodes of a matrix, chains of chips.

Pure functions of one board's wiring and the faults that act. What a pin reads depends on what it is connected to:
contacts close to a common, which goes to ground through the plug, and inputs have pull-ups (common practice, no
source).

From the data sheets (from memory): a 74HC165 shifts out H first and A last, then the level at SER, which is the QH of
the chip behind it (Texas Instruments SCLS116, function table). A 74HC595 takes each bit into QA and shifts the others
towards QH, whose QH' feeds the chip behind it (SCLS041, function table). A MAX7219 passes on at DOUT what came into DIN
sixteen clocks ago; it holds the digit lines that are not scanned at V+, and the segments that are not lit at ground
(19-4452, pin description).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from benchcon.rig.kinds import SEGMENTS

if TYPE_CHECKING:
    from benchcon.rig.faults import Fault
    from benchcon.rig.wiring import ChainOfChips, Wiring

PLUG_KINDS = ("connector_off", "ground_open", "ground_crossed", "plug_shifted", "plug_reversed")
"""Kinds of fault of a single plug; `looms_interchanged` is one of two plugs."""
MATRIX_KINDS = ("matrix_line_off", "matrix_lines_crossed", "diodes_backwards", "diodes_missing", "diode_wrong")
CHAIN_KINDS = ("chip_dead", "chips_in_another_order", "chip_bridged", "chain_shifted", "chip_pins_reversed")

_GROUND = "ground"


# --- plugs ------------------------------------------------------------------------------------------------------


class Plug:
    """One plug with its faults: where each wire of the loom ends, and what its common is connected to."""

    def __init__(self, name: str, wiring: Wiring, faults: Sequence[Fault]) -> None:
        self.pin_of = wiring.plugs[name]
        self.faults = [f for f in faults if f.kind in PLUG_KINDS and name in _plugs_of(f, wiring)]
        kinds = wiring.kinds
        self.single = {id_: at for id_, at in self.pin_of.items() if kinds[id_] in ("contact", "lamp")}
        """Channel → pin, for parts with a single wire, which are followed wire by wire."""
        pins = [at for at in self.single.values() if at]
        low, high = wiring.plug_ends.get(name, (1, 1))
        ground: int | None = None
        for fault in self.faults:
            if fault.settings.get("ground") in ("first", "last"):
                ground = low - 1 if fault.settings["ground"] == "first" else high + 1
        if self._of("ground_crossed"):
            ground = low - 1 if ground is None else ground
        self.ground = ground
        """Pin of the plug's own ground wire; None if ground goes another way."""
        wires = [*pins, *([] if ground is None else [ground])]
        first, last = min(low, *wires), max(high, *wires)
        self.ends: dict[int, int | None] = {pin: pin for pin in wires}
        """Pin of a wire in the plug → pin of the header that it reaches; None if it reaches none."""
        for fault in self.faults:
            if fault.kind == "connector_off":
                self.ends = dict.fromkeys(wires)
            elif fault.kind == "plug_shifted":
                self.ends = {pin: pin + fault.settings["by"] for pin in wires}
            elif fault.kind == "plug_reversed":
                self.ends = {pin: first + last - pin for pin in wires}
            elif fault.kind == "ground_crossed" and ground is not None:
                through = self.pin_of[fault.channels[0]]
                self.ends[ground], self.ends[through] = through, ground

    def _of(self, kind: str) -> list[Fault]:
        return [fault for fault in self.faults if fault.kind == kind]

    def has_common(self, pin: int) -> bool:
        """Return whether the common reaches the part at `pin`; it goes from part to part, and may be broken."""
        return not any(pin >= fault.settings["from"] for fault in self._of("ground_open"))

    @property
    def moved(self) -> bool:
        """Whether any wire ends at the wrong pin."""
        return any(end != pin for pin, end in self.ends.items())

    def reads(self, made: Mapping[str, bool]) -> dict[str, bool]:
        """Return what each contact's pin of the header reads (True: made), given which contacts are made."""
        joined: list[tuple[object, object]] = []
        if self.ground is None:
            if not self._of("connector_off"):
                joined.append(("common", _GROUND))
        elif (end := self.ends[self.ground]) is not None:
            joined.append(("common", _GROUND if end == self.ground else end))
        at = {id_: pin for id_, pin in self.single.items() if id_ in made}
        for id_, pin in at.items():
            end = self.ends.get(pin)
            if end is not None and made[id_] and self.has_common(pin):
                joined.append((_GROUND if end == self.ground else end, "common"))
        earth = reached(_GROUND, [*joined, *((b, a) for a, b in joined)])
        return {id_: pin in earth for id_, pin in at.items()}

    def lights(self, driven: Mapping[str, int]) -> dict[str, int]:
        """Return the level of each lamp behind the plug, given the levels that the board drives."""
        at = {pin: id_ for id_, pin in self.single.items()}
        out = {}
        for id_, pin in self.single.items():
            if id_ not in driven:
                continue
            end = self.ends.get(pin)
            fed = at.get(end) if end is not None else None
            level = driven.get(fed, 0) if fed is not None else 0
            out[id_] = level if self._lamps_grounded(driven, at) and self.has_common(pin) else 0
        return out

    def _lamps_grounded(self, driven: Mapping[str, int], at: Mapping[int, str]) -> bool:
        """Return whether the lamps' common is at ground; an output that is low serves as ground too."""
        if self.ground is None:
            return True
        end = self.ends[self.ground]
        if end is None:
            return False
        there = at.get(end)
        return end == self.ground or (there is not None and driven.get(there, 1) == 0)


def plugs(wiring: Wiring, faults: Sequence[Fault]) -> list[Plug]:
    """Return the plugs that have a fault."""
    names = dict.fromkeys(name for f in faults if f.kind in PLUG_KINDS for name in _plugs_of(f, wiring))
    return [Plug(name, wiring, faults) for name in names if name in wiring.plugs]


def _plugs_of(fault: Fault, wiring: Wiring) -> list[str]:
    """Return the plugs that a fault affects: the one that it names, or the one that its channel is on."""
    if "connector" in fault.settings:
        return [fault.settings["connector"]]
    return [name for name, there in wiring.plugs.items() if fault.channels[0] in there]


def cut_off(wiring: Wiring, faults: Sequence[Fault]) -> set[str]:
    """Return the knobs and displays that are cut off: a part with several wires is dead on a plug that is off, shifted
    or reversed."""
    out: set[str] = set()
    for plug in plugs(wiring, faults):
        for id_, pin in plug.pin_of.items():
            if id_ not in plug.single and (plug.moved or not plug.has_common(pin)):
                out.add(id_)
    for fault in faults:
        if fault.kind == "looms_interchanged":
            for name in fault.settings["connectors"]:  # of two boards: see `rig.exchange`
                out |= {id_ for id_ in wiring.plugs.get(name, ()) if wiring.kinds[id_] not in ("contact", "lamp")}
    return out


def exchanged(wiring: Wiring, faults: Sequence[Fault], kind: str) -> dict[str, str | None]:
    """Return, for two plugs that are swapped, channel → the channel whose wire ends there, or None."""
    came: dict[str, str | None] = {}
    for fault in faults:
        if fault.kind == "looms_interchanged" and fault.settings["connectors"]:
            one, other = fault.settings["connectors"]
            for here, there in ((one, other), (other, one)):
                at = {pin: id_ for id_, pin in wiring.plugs.get(there, {}).items() if wiring.kinds[id_] == kind}
                for id_, pin in wiring.plugs.get(here, {}).items():
                    if wiring.kinds[id_] == kind:
                        came[id_] = at.get(pin)
    return came


def reached(begin: object, joined: Iterable[tuple[object, object]]) -> set[object]:
    """Return everything that a current from `begin` reaches through `joined`, pairs of (from, to)."""
    ways: dict[object, list[object]] = {}
    for one, other in joined:
        ways.setdefault(one, []).append(other)
    found, left = {begin}, [begin]
    while left:
        for there in ways.get(left.pop(), ()):
            if there not in found:
                found.add(there)
                left.append(there)
    return found


# --- a matrix -----------------------------------------------------------------------------------------------------


_Line = tuple[str, int]
"""``row`` or ``column``, and its number."""
_LINES = {"both": ("row", "column")}
_DIODE = {"shorted": "none", "open": "open", "backwards": "backwards"}


def matrix(wiring: Wiring, name: str, made: Mapping[str, bool], faults: Sequence[Fault], bare: bool) -> dict[str, bool]:
    """Return what each contact of one matrix reads: a row is pulled low, and a column that is then low reads made.

    `bare`: there are no diodes, so current flows either way through each contact that is made.
    """
    at = {id_: (cross.row, cross.column) for id_, cross in wiring.crossings.items() if cross.matrix == name}
    mine = [fault for fault in faults if fault.settings.get("matrix") == name or fault.kind == "diode_wrong"]
    # Pin of the board → the wire of the matrix that ends there. A wire that ends nowhere still connects its contacts.
    ends: dict[_Line, _Line] = {
        line: line for row, column in at.values() for line in (("row", row), ("column", column))
    }
    usual = "none" if bare else "right"
    diodes: dict[str, str] = {}
    for fault in mine:
        which = fault.settings.get("line", "")
        if fault.kind == "matrix_line_off":
            ends.pop((which, fault.settings["number"]), None)
        elif fault.kind == "matrix_lines_crossed":
            here, there = zip(_LINES.get(which, (which, which)), fault.settings["numbers"], strict=True)
            before = dict(ends)
            for pin, wire in ((here, there), (there, here)):
                ends.pop(pin, None)
                if wire in before:
                    ends[pin] = before[wire]
        elif fault.kind == "diodes_backwards":
            usual = "backwards"
        elif fault.kind == "diodes_missing":
            usual = "none"
        elif fault.kind == "diode_wrong" and fault.channels[0] in at:
            diodes[fault.channels[0]] = _DIODE[fault.settings["is"]]
    joined: list[tuple[object, object]] = []
    for id_, (row, column) in at.items():
        if made.get(id_):
            diode = diodes.get(id_, usual)
            if diode in ("right", "none"):
                joined.append((("column", column), ("row", row)))
            if diode in ("backwards", "none"):
                joined.append((("row", row), ("column", column)))
    reaches = {pin: reached(wire, joined) for pin, wire in ends.items() if pin[0] == "column"}
    return {
        id_: ends.get(("row", row), "off") in reaches.get(("column", column), ()) for id_, (row, column) in at.items()
    }


def matrices(wiring: Wiring, faults: Sequence[Fault]) -> set[str]:
    """Return the matrices that have a fault other than a missing diode."""
    more = [f for f in faults if f.kind in MATRIX_KINDS and f.kind != "diodes_missing"]
    named = {f.settings["matrix"] for f in more if "matrix" in f.settings}
    single = [f.channels[0] for f in faults if f.kind == "diode_wrong"]
    return named | {wiring.crossings[id_].matrix for id_ in single if id_ in wiring.crossings}


# --- chains of chips ----------------------------------------------------------------------------------------------


class _Order:
    """The combined effect of the faults of one chain."""

    def __init__(self, chain: ChainOfChips, faults: Sequence[Fault]) -> None:
        mine = [fault for fault in faults if fault.settings.get("chain") == chain.kind]
        self.chips = chain.chips
        self.order = list(range(self.chips))
        self.mute: dict[int, int] = {}
        self.dead: dict[int, int] = {}
        self.bridged: set[int] = set()
        self.by = 0
        self.turned: set[int] = set()
        for fault in mine:
            chip = fault.settings.get("chip", 0) - 1
            if fault.kind == "chips_in_another_order":
                self.order = [number - 1 for number in fault.settings["order"]]
            elif fault.kind == "chip_dead":
                level = int(fault.settings["reads"])
                (self.mute if fault.settings["behind"] == "yes" else self.dead)[chip] = level
            elif fault.kind == "chip_bridged":
                self.bridged.add(chip)
            elif fault.kind == "chain_shifted":
                self.by = fault.settings["by"]
            elif fault.kind == "chip_pins_reversed":
                self.turned |= set(range(self.chips)) if chip < 0 else {chip}


def inputs(chain: ChainOfChips, made: Mapping[str, bool], faults: Sequence[Fault]) -> dict[str, bool]:
    """Return what the firmware reads from a 74HC165 chain, by channel, given which contacts are made."""
    it = _Order(chain, faults)
    closed = {bit for bit, id_ in chain.at.items() if made.get(id_)}
    levels: list[int] = []
    stands: int | None = None
    order = [chip for chip in it.order if chip not in it.bridged]
    for chip in order:
        # H to A; a contact that is made is low.
        out = [int(8 * chip + (n if chip in it.turned else 7 - n) not in closed) for n in range(8)]
        if chip in it.dead:
            out = [1 - it.dead[chip]] * 8
        if stands is None and chip in it.mute:
            stands = 1 - it.mute[chip]
        levels += out if stands is None else [stands] * 8
    levels += [1] * 8 * (it.chips - len(order))  # SER of the last chip is tied high
    for _ in range(abs(it.by)):
        levels = [1, *levels[:-1]] if it.by > 0 else [*levels[1:], 1]
    read = {8 * (n // 8) + 7 - n % 8: not level for n, level in enumerate(levels)}
    return {id_: bool(read.get(bit, False)) for bit, id_ in chain.at.items()}


def outputs(chain: ChainOfChips, driven: Mapping[str, int], faults: Sequence[Fault]) -> dict[str, int]:
    """Return the levels at the outputs of a 74HC595 chain, by lamp, when the firmware drives `driven`."""
    it = _Order(chain, faults)
    meant = {bit: driven.get(id_, 0) for bit, id_ in chain.at.items()}
    order = [chip for chip in it.order if chip not in it.bridged]
    out: dict[int, int] = {}
    silent: int | None = None
    for place, chip in enumerate(order):
        for pin in range(8):
            # One bit late: this output gets what was meant for the one before.
            level = meant.get(8 * place + pin - it.by, 0) if 0 <= 8 * place + pin - it.by < 8 * it.chips else 0
            if chip in it.dead:
                level = 1000 if it.dead[chip] else 0
            elif silent is not None:
                level = 1000 if silent else 0
            out[8 * chip + (7 - pin if chip in it.turned else pin)] = level
        if chip in it.mute and silent is None:
            # Its own outputs work, but QH' passes nothing on: the chips behind it take the level of their SER.
            silent = it.mute[chip]
    return {id_: out.get(bit, 0) for bit, id_ in chain.at.items()}


def drivers(
    chain: ChainOfChips, driven: Mapping[str, bytes], digits: Mapping[str, int], faults: Sequence[Fault]
) -> dict[str, bytes]:
    """Return the segments that the displays of a MAX7219 chain get when the firmware drives `driven`."""
    it = _Order(chain, faults)
    meant: dict[int, int] = {}
    for bit, id_ in chain.at.items():
        for n, byte in enumerate(driven.get(id_, b"")):
            meant[bit + n] = byte
    gets: dict[int, int] = {}
    silent = False
    # Data bypasses a bridged chip: the next one takes its place, and the bridged one stays dark.
    for place, chip in enumerate(chip for chip in it.order if chip not in it.bridged):
        for digit in range(8):
            dark = silent or chip in it.dead or chip in it.mute
            to = 8 * chip + (7 - digit if chip in it.turned else digit)
            gets[to] = 0 if dark else meant.get(8 * place + digit, 0)
        silent = silent or chip in it.mute
    return {id_: bytes(gets.get(bit + n, 0) for n in range(digits[id_])) for bit, id_ in chain.at.items()}


def chains(wiring: Wiring, kind: str, faults: Sequence[Fault]) -> list[ChainOfChips]:
    """Return the board's chain of this kind if it has a fault, as a list of one or none."""
    wrong = any(fault.settings.get("chain") == kind for fault in faults if fault.kind in CHAIN_KINDS)
    return [wiring.chains[kind]] if wrong and kind in wiring.chains else []


def stopped(wiring: Wiring, faults: Sequence[Fault]) -> set[str]:
    """Return the encoders that do not count, because a chip of theirs passes on nothing or the wrong bits."""
    out: set[str] = set()
    for chain in chains(wiring, "165", faults):
        it = _Order(chain, faults)
        for id_, bits in chain.encoders.items():
            through = it.order[: it.order.index(bits[0] // 8) + 1] if bits[0] // 8 in it.order else []
            chips = {bit // 8 for bit in bits}
            if (
                it.by
                or any(chip <= max(chips) for chip in it.bridged)
                or not it.turned.isdisjoint(chips)
                or any(it.order[chip] != chip for chip in chips)
                or any(bit // 8 in it.dead for bit in bits)
                or not it.mute.keys().isdisjoint(through)
            ):
                out.add(id_)
    return out


# --- displays -----------------------------------------------------------------------------------------------------

_UPSIDE = {"A": "D", "B": "E", "C": "F", "D": "A", "E": "B", "F": "C", "G": "G", "P": "P"}
_RIBBON = "ABCDEFGP"
"""The segments in the order of the driver's pins SEG A to SEG G and SEG DP."""


def segments(byte: int, came: Mapping[str, str | None]) -> int:
    """Return the segments that are lit when those of `byte` are driven; `came`: segment → the one that drives it."""
    return sum(0x80 >> n for n, name in enumerate(SEGMENTS) if (at := came.get(name)) and byte & bit_of(at))


def bit_of(segment: str) -> int:
    """Return the bit of a segment: 80h the point, 40h A … 01h G."""
    return 0x80 >> SEGMENTS.index(segment)


def upside_down(shown: Sequence[int]) -> list[int]:
    """Return what a display that was mounted upside down seems to show."""
    return [segments(byte, _UPSIDE) for byte in reversed(shown)]


def ribbon(shown: Sequence[int], by: int) -> list[int]:
    """Return what is lit when the ribbon cable of the segments is shifted by `by` holes; 0: it is reversed."""
    came: dict[str, str | None] = {}
    for n, name in enumerate(_RIBBON):
        at = 7 - n if not by else n - by
        came[name] = _RIBBON[at] if 0 <= at < 8 else None
    return [segments(byte, came) for byte in shown]


def common_anode(id_: str, driven: Mapping[str, bytes], wiring: Wiring) -> bytes:
    """Return what a display with common anodes shows on a driver for common cathodes.

    Driven statically, it shows the inverse. On a MAX7219 a digit gets its current while another digit of the chip is
    scanned, through the segments that are not lit there; a digit that is alone on its chip gets none.
    """
    own = driven[id_]
    chain = wiring.chains.get("7219")
    first = next((bit for bit, there in chain.at.items() if there == id_), -1) if chain else -1
    if chain is None or first < 0:
        return bytes(~byte & 0xFF for byte in own)
    turns = {bit + n: byte for bit, there in chain.at.items() for n, byte in enumerate(driven[there])}
    out = []
    for digit in range(first, first + len(own)):
        lit = 0
        for other, byte in turns.items():
            lit |= ~byte & 0xFF if other != digit and other // 8 == digit // 8 else 0
        out.append(lit)
    return bytes(out)
