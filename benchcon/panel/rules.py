"""Checks between the parts of a panel: names, channels, pins, places, currents."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from benchcon.panel.brightness import uneven
from benchcon.panel.electrics import loads
from benchcon.panel.model import Board, Chain, Channel, Control, Display, Lamp, Panel, Part, Place, chain_key, key_of
from benchcon.panel.pins import CHAINS, PORTS, SERIAL, Pin, read_pins
from benchcon.panel.places import edges_mm, overlap_mm
from benchcon.panel.reader import SourceFile, options
from benchcon.panel.supplies import check_supplies
from benchcon.text import counted, listed, near


def check(panel: Panel, source: SourceFile, *, currents: bool = True) -> None:
    """Note in `source` what contradicts itself on `panel` and, with `currents`, what draws too much."""
    _names(panel, source)
    _channels(panel, source)
    _one_board_each(panel, source)
    check_supplies(panel, source.say_at)
    for board in panel.boards:
        _Pins(panel, board, source).check()
    _answers(panel, source)
    _dark_switches(panel, source)
    _places(panel, source)
    _housings(panel, source)
    for load in (*loads(panel), *uneven(panel)) if currents else ():
        source.say_at(load.line, load.text, grave=load.grave)


def _one_board_each(panel: Panel, source: SourceFile) -> None:
    """Check that all contacts of a control are on one board, which sees them at one moment."""
    for control in panel.controls:
        boards = list(dict.fromkeys(channel.board for channel in control.channels))
        if len(boards) > 1:
            text = f"{key_of(control)} has contacts on several boards ({listed(boards)}); wire them all to one"
            source.say_at(control.line, text)


def _housings(panel: Panel, source: SourceFile) -> None:
    """Check that lamps in one housing, which share a lead, are lit by the same level at the pin."""
    first = {lamp.name: lamp for lamp in panel.lamps if lamp.engraved and not lamp.inside}
    for lamp in panel.lamps:
        other = first.get(lamp.inside)
        if other is not None and other.channel.active != lamp.channel.active:
            text = f'{key_of(lamp)} is lit by "{lamp.channel.active}" and {other.name} by "{other.channel.active}"'
            source.say_at(lamp.line, f"{text}; in one housing they share a lead, anode or cathode", grave=False)


def _names(panel: Panel, source: SourceFile) -> None:
    seen: dict[str, Part] = {}
    labels: dict[tuple[str, str], Part] = {}
    for part in panel.parts:
        if part.name in seen:
            other = seen[part.name]
            source.say_at(
                part.line,
                f"{key_of(part)} has the name of {key_of(other)} (line {other.line}); "
                f"every part needs a name of its own, such as {part.name}_2",
            )
        seen.setdefault(part.name, part)
        key = (type(part).__name__, part.label)
        if key in labels:
            other = labels[key]
            text = f'{key_of(part)} is labelled "{part.label}" like {key_of(other)} (line {other.line})'
            source.say_at(part.line, f"{text}; nobody can tell which is meant", grave=False)
        labels.setdefault(key, part)
    idents: dict[str, Board] = {}
    for board in panel.boards:
        if board.ident in idents:
            other_board = idents[board.ident]
            text = f'boards.{board.name} has the ident "{board.ident}" of boards.{other_board.name}'
            source.say_at(board.line, f"{text} (line {other_board.line}); each board needs an ident of its own")
        idents.setdefault(board.ident, board)


def _channels(panel: Panel, source: SourceFile) -> None:
    seen: dict[tuple[str, str], tuple[Part, int]] = {}
    for part in panel.parts:
        for channel in part.channels:
            key = (channel.board, channel.id)
            if key in seen:
                other, line = seen[key]
                source.say_at(
                    channel.line,
                    f"{key_of(part)} has the channel {channel.key}, which {key_of(other)} has already "
                    f"(line {line}); each channel belongs to one part",
                )
            seen.setdefault(key, (part, channel.line))


def _answers(panel: Panel, source: SourceFile) -> None:
    names = [control.name for control in panel.controls]
    for output in panel.parts:
        if not isinstance(output, Control) and output.answers and output.answers not in names:
            text = f'{key_of(output)}.answers is "{output.answers}", which is not a control of this panel'
            source.say_at(output.line, f"{text}; allowed: {options(names) or 'none yet'}{near(output.answers, names)}")


def _dark_switches(panel: Panel, source: SourceFile) -> None:
    seen: dict[str, Control] = {}
    for control in panel.controls:
        if not control.darkens:
            continue
        board = control.channels[0].board if control.channels else ""
        if board in seen:
            other = seen[board]
            text = f"{key_of(control)}.darkens: {board} has a dark switch already, {key_of(other)} (line {other.line})"
            source.say_at(control.line, f"{text}; a board has one")
        if control.matrix and not control.diodes:
            text = f"{key_of(control)}.darkens: a contact in a matrix without diodes may be a ghost, or hidden by one"
            source.say_at(control.line, f"{text}; give it a pin of its own")
        seen.setdefault(board, control)


_MOST_NAMED = 4
"""Most pins that are reported one by one."""


class _Pins:
    """The pins of one board, and which part or chain uses each."""

    def __init__(self, panel: Panel, board: Board, source: SourceFile) -> None:
        self.panel = panel
        self.board = board
        self.source = source
        self.chains = {chain.kind: chain for chain in board.chains}
        self.lacking: set[tuple[int, str]] = set()
        self.taken: dict[str, tuple[str, int]] = {}
        self.absent: list[tuple[str, str, int]] = []
        """Pins that the chip does not have: name, who uses it, line."""

    def check(self) -> None:
        self.chain_pins()
        for matrix in self.panel.matrices:
            if matrix.board == self.board.name:
                for what, pins in (("row", matrix.rows), ("column", matrix.columns)):
                    for number, pin in enumerate(pins):
                        self.take(pin, f"matrices.{matrix.name} {what} {number}", matrix.line)
        for part in self.panel.parts:
            for channel in part.channels:
                if channel.board == self.board.name and channel.wire.pin:
                    self.part_pins(part, channel)
        self.say_absent()

    def say(self, line: int, text: str, *, grave: bool = True) -> None:
        self.source.say_at(line, text, grave=grave)

    def say_lacking(self, line: int, what: str, text: str) -> None:
        """Note that the chain or matrix `what` is missing, once for all parts that one table makes."""
        if (line, what) not in self.lacking:
            self.lacking.add((line, what))
            self.say(line, text)

    def chain_pins(self) -> None:
        """Take the pins of the chains: all share the clock, those of one direction data; each has its own load pin."""
        for chain in self.chains.values():
            who = chain_key(self.board.name, chain.kind)
            shared = {self.chains[kind].clock for kind in self.chains if kind != chain.kind}
            if chain.clock not in shared or chain.clock not in self.taken:
                self.take(chain.clock, f"{who}.clock", chain.line)
            both_out = chain.kind != "165" and any(
                other.data == chain.data for kind, other in self.chains.items() if kind not in ("165", chain.kind)
            )
            if not both_out or chain.data not in self.taken:
                self.take(chain.data, f"{who}.data", chain.line)
            self.take(chain.load, f"{who}.load", chain.line)
            self.take(chain.oe, f"{who}.oe", chain.line)

    def take(self, name: str, who: str, line: int) -> None:
        """Note that `who` uses the pin `name`; if it cannot, because it does not exist or is in use, a finding."""
        if not name:
            return
        ports = PORTS.get(self.board.chip, {})
        direct = name[0] in "DA"
        if direct and name in SERIAL:
            self.say(line, f"{who} uses the pin {name}, which belongs to the serial port; any other pin is allowed")
        elif direct and ports and name not in ports:
            self.absent.append((name, who, line))
        elif name in self.taken:
            other, other_line = self.taken[name]
            self.say(
                line,
                f"{who} uses the pin {name} of {self.board.name}, which {other} has already (line {other_line}); "
                "two parts cannot share a pin",
            )
        self.taken.setdefault(name, (who, line))

    def say_absent(self) -> None:
        """Note the pins that the chip does not have; if they are many, in one line that suspects the chip."""
        chip = self.board.chip
        missing = {name for name, _, _ in self.absent}
        other = max(PORTS, key=lambda each: len(missing & PORTS[each].keys()))
        elsewhere = sorted(missing & PORTS[other].keys(), key=lambda name: (name[0] != "D", int(name[1:])))
        if len(elsewhere) > 1:
            more = len(elsewhere) - _MOST_NAMED
            names = listed([*elsewhere[:_MOST_NAMED], f"{more} more"] if more > 0 else elsewhere)
            first = min(line for name, _, line in self.absent if name in elsewhere)
            text = f"has no {names} (the first is used in line {first}); allowed: {self._ends(chip)}"
            line = self.source.line(("boards", self.board.name, "chip"))
            self.say(line, f'boards.{self.board.name}.chip is "{chip}", which {text}; did you mean "{other}"?')
            chip = other
        for name, who, line in self.absent:
            if name not in PORTS[chip]:
                text = f"{who} uses the pin {name}, but an {chip} has no such pin; allowed: {self._ends(chip)}"
                self.say(line, text)

    def _ends(self, chip: str) -> str:
        return f"{self._span(PORTS[chip], 'D')} and {self._span(PORTS[chip], 'A')}"

    @staticmethod
    def _span(ports: dict[str, str], letter: str) -> str:
        numbers = [int(name[1:]) for name in ports if name[0] == letter and name not in SERIAL]
        return f"{letter}{min(numbers)} to {letter}{max(numbers)}"

    def part_pins(self, part: Part, channel: Channel) -> None:
        pins = read_pins(channel.wire.pin)
        who = key_of(part)
        wanted = 2 if isinstance(part, Control) and part.kind == "encoder" else 1
        if len(pins) != wanted:
            need = "two, A and B, such as D2/D3" if wanted == 2 else "one"
            self.say(channel.line, f"{who} has the pin {channel.wire.pin}; this kind of part needs {need}")
            return
        for pin in pins:
            if self.fits(part, channel, pin) and self.within(who, channel, pin, part):
                places = part.digits if isinstance(part, Display) else 1
                for bit in range(pin.bit, pin.bit + places):
                    self.take(pin.name if places == 1 else f"{pin.kind}.{bit}", who, channel.line)

    def fits(self, part: Part, channel: Channel, pin: Pin) -> bool:
        kinds = _kinds_for(part)
        who = key_of(part)
        if pin.kind not in kinds:
            allowed = ", ".join(_EXAMPLES[kind] for kind in kinds)
            self.say(channel.line, f"{who} has the pin {pin.name}, which cannot serve it; allowed: {allowed}")
            return False
        if pin.kind != "direct":
            return True
        port = PORTS.get(self.board.chip, {}).get(pin.name, "")
        pot = isinstance(part, Control) and part.kind == "pot"
        if pot and not pin.name.startswith("A"):
            self.say(channel.line, f"{who} has the pin {pin.name}; a potentiometer needs an analogue pin, such as A0")
        elif port.startswith("ADC") and not pot:
            self.say(channel.line, f"{who} has the pin {pin.name}, which is for potentiometers only")
        else:
            return True
        return False

    def within(self, who: str, channel: Channel, pin: Pin, part: Part) -> bool:
        if pin.kind == "direct":
            return True
        if pin.kind == "matrix":
            return self.in_matrix(who, channel, pin)
        chain = self.chains.get(pin.kind)
        if chain is None:
            chip = CHAINS[pin.kind]
            pins = 'data = "D12", clock = "A0", load = "A1"' if pin.kind == "165" else _SPI_EXAMPLE
            example = f"{chain_key(self.board.name, pin.kind)} = {{ {pins} }}"
            text = f"{who} has the pin {pin.name}, but {self.board.name} has no {chip}; say {example}"
            self.say_lacking(channel.line, pin.kind, text)
            return False
        last = pin.bit + (part.digits if isinstance(part, Display) else 1) - 1
        if last >= 8 * chain.chips:
            self.say(channel.line, f"{who} {self._beyond(chain, pin, last)}")
            return False
        return True

    @staticmethod
    def _beyond(chain: Chain, pin: Pin, last: int) -> str:
        reach = f"has the pin {pin.name}" + (f" and goes on to {pin.kind}.{last}" if last > pin.bit else "")
        chips = counted(chain.chips, "chip")
        return f"{reach}; the chain has {chips}, {pin.kind}.0 to {pin.kind}.{8 * chain.chips - 1} (line {chain.line})"

    def in_matrix(self, who: str, channel: Channel, pin: Pin) -> bool:
        names = [matrix.name for matrix in self.panel.matrices if matrix.board == self.board.name]
        for matrix in self.panel.matrices:
            if matrix.name == pin.matrix and matrix.board == self.board.name:
                if pin.row < len(matrix.rows) and pin.column < len(matrix.columns):
                    return True
                size = f"r0c0 to r{len(matrix.rows) - 1}c{len(matrix.columns) - 1}"
                self.say(channel.line, f"{who} has the pin {pin.name}; {matrix.name} has {size} (line {matrix.line})")
                return False
        allowed = options(names) or f'none, as no [matrices.NAME] has board = "{self.board.name}"'
        text = f"{who} has the pin {pin.name} of an unknown matrix; allowed: {allowed}{near(pin.matrix, names)}"
        self.say_lacking(channel.line, pin.matrix, text)
        return False


_SPI_EXAMPLE = 'data = "D11", clock = "D13", load = "D10"'
_EXAMPLES = {"direct": "D4 or A0", "165": "165.0", "595": "595.0", "7219": "7219.0", "matrix": "MATRIX.r0c0"}


def _kinds_for(part: Part) -> tuple[str, ...]:
    if isinstance(part, Display):
        return ("7219",)
    if isinstance(part, Lamp):
        return ("direct", "595")
    if part.kind == "pot":
        return ("direct",)
    return ("direct", "165") if part.kind == "encoder" else ("direct", "165", "matrix")


def _places(panel: Panel, source: SourceFile) -> None:
    placed = [part for part in panel.parts if part.place is not None]
    if panel.width_mm and panel.height_mm:
        off = [part for part in placed if part.place and not _on_plate(panel, part.place)]
        if len(off) > _MOST_OFF:
            _too_small(panel, off, source)
        for part in placed:
            if len(off) <= _MOST_OFF or (part.place and _on_plate(panel, part.place)):
                _on_panel(panel, part, source)
    housings = [part for part in placed if not (isinstance(part, Lamp) and part.inside)]
    for one, other, overlap in itertools.islice(_overlaps(housings), 50):
        source.say_at(
            other.line,
            f"{key_of(other)} overlaps {key_of(one)} (line {one.line}) by {overlap:.0f} mm; "
            'move one, or say how large they are: size = ["8 mm", "8 mm"]',
            grave=False,
        )


_MOST_OFF = 3
"""Most parts off the panel that are reported one by one; with more, the panel's size is the likely mistake."""


def _on_plate(panel: Panel, place: Place) -> bool:
    return place.x_mm <= panel.width_mm and place.y_mm <= panel.height_mm


def _too_small(panel: Panel, off: list[Part], source: SourceFile) -> None:
    """Note that many parts are beyond the panel's width or height, and how large it would have to be."""
    places = [part.place for part in off if part.place]
    right, bottom = max(place.x_mm for place in places), max(place.y_mm for place in places)
    key, size, least = "width", panel.width_mm, right
    if right <= panel.width_mm:
        key, size, least = "height", panel.height_mm, bottom
    text = f"panel.{key} is {size:g} mm, and {len(off)} parts are off the panel"
    first = min(part.line for part in off)
    source.say_at(
        source.line(("panel", key)),
        f"{text} (the first in line {first}); the furthest is at {least:g} mm",
    )


def _on_panel(panel: Panel, part: Part, source: SourceFile) -> None:
    place = part.place
    if place is None:
        return
    if not _on_plate(panel, place):
        source.say_at(
            part.line,
            f"{key_of(part)} is at {place.x_mm:g} mm, {place.y_mm:g} mm, off the panel, which is "
            f"{panel.width_mm:g} mm wide and {panel.height_mm:g} mm high",
        )
        return
    left, top, right, bottom = edges_mm(part, place)
    over = max(-left, -top, right - panel.width_mm, bottom - panel.height_mm)
    if over > 0.05:
        source.say_at(part.line, f"{key_of(part)} reaches {over:.1f} mm over the edge of the panel", grave=False)


def _overlaps(placed: list[Part]) -> Iterator[tuple[Part, Part, float]]:
    """Yield overlapping pairs and by how many mm; sweeps from left to right rather than comparing all with all."""
    order = {id(part): number for number, part in enumerate(placed)}
    boxes = [(edges_mm(part, part.place), part) for part in placed if part.place is not None]
    open_: list[tuple[float, Part]] = []
    for (left, _, right, _), part in sorted(boxes, key=lambda box: box[0]):
        open_ = [(end, other) for end, other in open_ if end > left]
        for _, other in open_:
            overlap = overlap_mm(other, part)
            if overlap > 0.05:
                first, second = sorted((other, part), key=lambda each: order[id(each)])
                yield first, second, overlap
        open_.append((right, part))
