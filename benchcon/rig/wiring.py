"""What is wired to one board: its channels as the board describes them, and the parts that a hand moves."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from benchcon.errors import Trouble
from benchcon.panel.model import Board, Channel, Control, Display, Lamp, Panel
from benchcon.panel.pins import CHAINS, Pin, read_pins
from benchcon.panel.reading import contact_word
from benchcon.wire.items import SIMULATED_FIRMWARE, Item, fitting, items

_CROSSING = re.compile(r"(\w+)\.r(\d+)c(\d+)")


@dataclass(frozen=True, slots=True)
class Mover:
    """A part that a hand moves, as far as it is wired to this board."""

    name: str
    kind: str
    """``button``, ``switch``, ``encoder`` or ``pot``."""
    channels: tuple[str, ...]
    codes: tuple[tuple[int, ...], ...] = ()
    """The values of `channels` in each position."""
    detent_counts: int = 4
    inverted: bool = False
    low_count: int = 0
    high_count: int = 1023
    words: tuple[str, ...] = ()
    """The word of each position in the panel file."""


@dataclass(frozen=True, slots=True)
class Contact:
    """What the board knows about one contact."""

    inverted: bool
    """Whether a low level at the pin means made."""
    debounce_us: int
    direct: bool
    """Whether it is on a pin of its own, with an interrupt at every edge; otherwise only the scan sees it."""
    at_once: bool
    """Whether it acts on the first edge and then holds off; otherwise it waits until the contact has been still."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """The place of a contact in a switch matrix."""

    matrix: str
    row: int
    column: int


@dataclass(frozen=True, slots=True)
class ChainOfChips:
    """What is wired to a chain of shift registers or display drivers."""

    kind: str
    """``165``, ``595`` or ``7219``."""
    chips: int
    at: Mapping[int, str]
    """Bit (``7219``: row) → the contact, lamp or display that is wired there."""
    encoders: Mapping[str, tuple[int, ...]]
    """Encoder → the bits of its two contacts."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """One board of a panel."""

    name: str
    ident: str
    label: str
    supply_mv: int
    items: tuple[Item, ...]
    """The description as the board sends it: labels may be cut, so that each item fits in a line."""
    whole: tuple[Item, ...]
    """The description without cuts."""
    movers: Mapping[str, Mover]
    """Name of a control → its part, in the panel's order."""
    kinds: Mapping[str, str]
    """Channel id → ``contact``, ``selector``, ``encoder``, ``pot``, ``lamp`` or ``digits``, in the board's order."""
    contacts: Mapping[str, Contact]
    crossings: Mapping[str, Crossing]
    bare: frozenset[str]
    """Matrices that have no diodes according to the panel: the board knows that, and sends ``ghost``."""
    tops: Mapping[str, int]
    """Potentiometer → greatest reading."""
    digits: Mapping[str, int]
    colours: Mapping[str, str]
    """Lamp → its colour."""
    dimmed: frozenset[str]
    """Lamps that can be dimmed; the others are off or fully lit."""
    outputs: Mapping[str, str]
    """Name of a lamp or display on the panel → its channel."""
    currents_ma: Mapping[str, float]
    """Channel → current of a lamp, or of one segment of a display."""
    loose_ends: frozenset[str] = field(default_factory=frozenset)
    """Channels whose part is not wired yet."""
    plugs: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    """Connector → channel → pin (0: not known), for the channels on it."""
    plug_ends: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """Connector → its first and last pin that is used on the panel."""
    chains: Mapping[str, ChainOfChips] = field(default_factory=dict)
    """Kind of chip → its chain; the display drivers' rows count from 0."""
    places: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Channel → where its wire ends, the most exact first: connector and pin, pins of the board."""
    panel: Panel | None = field(default=None, compare=False, repr=False)
    """The whole panel, with its other boards."""

    @property
    def boards(self) -> tuple[str, ...]:
        """The names of the panel's boards, this one included."""
        return tuple(board.name for board in self.panel.boards) if self.panel else (self.name,)

    def mover_of(self, word: str) -> Mover | None:
        """Return the part whose name, or one of whose channels, is `word`; None if there is none."""
        found = self.movers.get(word)
        if found is None:
            found = next((mover for mover in self.movers.values() if word in mover.channels), None)
        return found


def wiring(panel: Panel, board_name: str) -> Wiring:
    """Work out what is wired to the board `board_name` of `panel`. Raises `Trouble` if there is no such board."""
    board = panel.board(board_name)
    if board is None:
        there = ", ".join(each.name for each in panel.boards) or "none"
        raise Trouble(f"{panel.path or 'the panel'} has no board '{board_name}'; its boards: {there}")
    return _Maker(panel, board).made()


class _Maker:
    def __init__(self, panel: Panel, board: Board) -> None:
        self.panel = panel
        self.board = board
        self.described: list[tuple[str, str, dict[str, str]]] = []
        self.movers: dict[str, Mover] = {}
        self.contacts: dict[str, Contact] = {}
        self.crossings: dict[str, Crossing] = {}
        self.tops: dict[str, int] = {}
        self.digits: dict[str, int] = {}
        self.colours: dict[str, str] = {}
        self.currents: dict[str, float] = {}
        self.outputs: dict[str, str] = {}
        self.loose: set[str] = set()

    def made(self) -> Wiring:
        """Return the wiring of the board."""
        panel, board = self.panel, self.board
        name = board.called
        self.described = [
            ("board", "", {"ident": board.own_ident, "name": name}),
            ("model", "", {"text": "Simulated board", "chip": board.chip or "none"}),
            ("firmware", "", {"text": SIMULATED_FIRMWARE, "version": "1"}),
            ("clock", "", {"tick": "01"}),
        ]
        for control in panel.controls:
            self.control(control)
        for output in panel.outputs:
            if output.channel.board == board.name:
                self.output(output)
        kinds = {id_: kind for kind, id_, _ in self.described if id_}
        if len(self.described) > 255:
            raise Trouble(f"board '{board.name}' has {len(kinds)} channels; a board can describe 251")
        whole = items(*self.described)
        described = tuple(map(fitting, whole))
        return Wiring(
            name=board.name,
            ident=board.own_ident,
            label=name,
            supply_mv=board.supply_mv,
            items=described,
            whole=whole,
            movers=self.movers,
            kinds=kinds,
            contacts=self.contacts,
            crossings=self.crossings,
            bare=frozenset(m.name for m in panel.matrices if m.board == board.name and not m.diodes),
            tops=self.tops,
            digits=self.digits,
            colours=self.colours,
            dimmed=frozenset(item.id for item in described if item.kind == "lamp" and item.detail.get("dim") == "1"),
            outputs=self.outputs,
            currents_ma=self.currents,
            loose_ends=frozenset(self.loose),
            plugs=self.plugs(),
            plug_ends=self.plug_ends(),
            chains=self.chains(),
            places=self.places(),
            panel=panel,
        )

    def output(self, part: Lamp | Display) -> None:
        """Take a lamp or display of the board."""
        id_, pin = part.channel.id, part.channel.wire.pin
        if isinstance(part, Lamp):
            known = _known(pin=pin, colour=part.colour, label=part.label)
            self.described.append(("lamp", id_, ({"dim": "1"} if part.dimmed else {}) | known))
            self.colours[id_], self.currents[id_] = part.colour, part.current_ma
        else:
            self.described.append(("display", id_, {"digits": f"{part.digits:X}"} | _known(pin=pin, label=part.label)))
            self.digits[id_], self.currents[id_] = part.digits, part.segment_ma
        self.outputs[part.name] = id_
        if not part.wired:
            self.loose.add(id_)

    def here(self) -> Iterator[tuple[Channel, str]]:
        """Yield the channels of all boards, each with its kind of part."""
        for control in self.panel.controls:
            for channel in control.channels:
                yield channel, control.kind
        for lamp in self.panel.lamps:
            yield lamp.channel, "lamp"
        for display in self.panel.displays:
            yield display.channel, "display"

    def plugs(self) -> dict[str, dict[str, int]]:
        """Return connector → channel → pin (0 if none is named)."""
        out: dict[str, dict[str, int]] = {}
        for channel, _ in self.here():
            if channel.board == self.board.name and channel.wire.connector:
                pin = channel.wire.connector_pin.partition("/")[0]
                out.setdefault(channel.wire.connector, {})[channel.id] = int(pin) if pin.isdecimal() else 0
        return out

    def plug_ends(self) -> dict[str, tuple[int, int]]:
        """Return connector → its first and last pin that is used."""
        pins: dict[str, list[int]] = {}
        for channel, _ in self.here():
            if channel.board == self.board.name and channel.wire.connector:
                numbers = [int(pin) for pin in channel.wire.connector_pin.split("/") if pin.isdecimal()]
                pins.setdefault(channel.wire.connector, []).extend(numbers)
        return {name: (min(there), max(there)) for name, there in pins.items() if there}

    def places(self) -> dict[str, tuple[str, ...]]:
        """Return channel → where its wire ends: connector and pin, or the board's pin."""
        matrices = {matrix.name: matrix for matrix in self.panel.matrices}
        out = {}
        for channel, _ in self.here():
            if channel.board != self.board.name:
                continue
            wire = channel.wire
            pin = wire.pin
            crossing = _CROSSING.fullmatch(pin)
            if crossing and crossing[1] in matrices:
                matrix = matrices[crossing[1]]
                row, column = int(crossing[2]), int(crossing[3])
                if row < len(matrix.rows) and column < len(matrix.columns):
                    pin = f"{matrix.rows[row]} with {matrix.columns[column]}"
            plugged = f"{wire.connector} {wire.connector_pin}" if wire.connector and wire.connector_pin else ""
            out[channel.id] = tuple(filter(None, (plugged,))) or tuple(filter(None, (pin,)))
        return out

    def chains(self) -> dict[str, ChainOfChips]:
        """Return kind → chain of chips of the board, with what is wired to it."""
        chips = {chain.kind: chain.chips for chain in self.board.chains}
        at: dict[str, dict[int, str]] = {}
        encoders: dict[str, dict[str, tuple[int, ...]]] = {}
        for channel, kind in self.here():
            pins: tuple[Pin, ...] = ()
            with contextlib.suppress(ValueError):
                pins = read_pins(channel.wire.pin) if channel.board == self.board.name else ()
            if not pins or pins[0].kind not in CHAINS:
                continue
            chain = pins[0].kind
            chips[chain] = max(chips.get(chain, 1), *(pin.chip_number + 1 for pin in pins))
            if kind == "encoder":
                encoders.setdefault(chain, {})[channel.id] = tuple(pin.bit for pin in pins)
            else:
                at.setdefault(chain, {})[pins[0].bit] = channel.id
        return {kind: ChainOfChips(kind, n, at.get(kind, {}), encoders.get(kind, {})) for kind, n in chips.items()}

    def control(self, control: Control) -> None:
        """Add a control: how the board describes its channels, and what moves them."""
        here = [index for index, channel in enumerate(control.channels) if channel.board == self.board.name]
        if not here:
            return
        ids = tuple(control.channels[index].id for index in here)
        codes = tuple(tuple(code[index] for index in here) for code in control.codes)
        if not control.wired:
            self.loose.update(ids)
        for place, index in enumerate(here):
            channel = control.channels[index]
            detail = _known(pin=channel.wire.pin)
            label = _label(control, index)
            greatest = max((code[place] for code in codes), default=1)
            if control.kind == "encoder":
                detail |= {"det": f"{control.detent_counts & 0xF:X}", "raw": "1", "label": label}
                self.described.append(("encoder", channel.id, detail))
            elif control.kind == "pot":
                top = max(1023, control.low_count, control.high_count)
                self.tops[channel.id] = top if top == 1023 else (1 << top.bit_length()) - 1
                detail |= {"top": f"{self.tops[channel.id]:04X}", "label": label}
                self.described.append(("pot", channel.id, detail))
            elif greatest > 1:
                detail |= {"pos": f"{greatest + 1:X}", "label": label}
                self.described.append(("selector", channel.id, detail))
            else:
                self.contact(control, channel.id, channel.active, channel.wire.pin)
                contact = self.contacts[channel.id]
                detail |= {"inv": "1"} if contact.inverted else {}
                detail |= {"dark": "1"} if control.darkens else {}
                detail |= {"raw": "1" if contact.direct else "2"}
                detail |= {"deb": f"{contact.debounce_us // 1000:04X}"} if contact.debounce_us != 10_000 else {}
                detail["label"] = label
                self.described.append(("contact", channel.id, detail))
        self.movers[control.name] = Mover(
            control.name,
            control.kind,
            ids,
            codes,
            control.detent_counts,
            control.inverted,
            control.low_count,
            control.high_count,
            control.positions,
        )

    def contact(self, control: Control, id_: str, active: str, pin: str) -> None:
        """Add one contact of a control."""
        debounce_us = min(max(int(control.debounce_ms * 1000), 0), 0xFFFF * 1000)
        at_once = control.act_on == "first edge"
        # A pin with a point in it is a place in a chain of chips or in a matrix (protocols/panel-file.md).
        self.contacts[id_] = Contact(active != "high", debounce_us, "." not in pin, at_once)
        crossing = _CROSSING.fullmatch(pin)
        if crossing and any(m.name == crossing[1] and m.board == self.board.name for m in self.panel.matrices):
            self.crossings[id_] = Crossing(crossing[1], int(crossing[2]), int(crossing[3]))


def _known(**texts: str) -> dict[str, str]:
    return {key: text for key, text in texts.items() if text}


def _label(control: Control, index: int) -> str:
    """Return the board's label of one channel: the control's label, and of one contact of several also which it is."""
    label = control.label
    if len(control.channels) == 1:
        return label
    return f"{label} {contact_word(control, index)}"
