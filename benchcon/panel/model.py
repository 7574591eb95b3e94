"""What is on a panel, in plain numbers with the unit in the name. `benchcon.panel.file` reads it from a panel file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

SIDES = ("above", "below", "left", "right")


class Place(NamedTuple):
    """The centre of a part, in mm right and down from the panel's top left corner."""

    x_mm: float
    y_mm: float


class Wire(NamedTuple):
    """Where one channel's wire goes. A field that is not known is empty."""

    pin: str = ""
    """As `benchcon.panel.pins` reads it: ``D4``, ``A0``, ``165.0``, ``595.3``, ``7219.0``, ``keys.r0c1``; an
    encoder's two with a slash, A first: ``D2/D3``."""
    connector: str = ""
    connector_pin: str = ""
    colour: str = ""


class Channel(NamedTuple):
    """One input or output of one board, by the board's name on this panel and the channel's short id."""

    board: str
    id: str
    wire: Wire = Wire()
    active: str = ""
    """Level at the pin that means made or lit: ``low`` or ``high``; empty for kinds of channel that have none."""
    line: int = 0

    @property
    def key(self) -> str:
        """``board.id``: by this evidence, findings and captures' figures name it."""
        return f"{self.board}.{self.id}"


class Chain(NamedTuple):
    """A row of chips on three pins of a board: ``165`` (inputs), ``595`` (outputs) or ``7219`` (displays).

    Pins that are not known are empty: a bought board may be described only in part.
    """

    kind: str
    data: str
    clock: str
    load: str
    """Pin that latches the inputs (74HC165), the outputs (74HC595) or a digit (MAX7219)."""
    chips: int = 1
    line: int = 0
    oe: str = ""
    """74HC595 only: pin on OE, which enables the outputs when low; empty: OE is wired to ground."""


class Matrix(NamedTuple):
    """Contacts at the crossings of rows and columns; a contact's pin is ``NAME.rRcC``, from 0."""

    name: str
    board: str
    rows: tuple[str, ...]
    columns: tuple[str, ...]
    diodes: bool = True
    """There is a diode at every contact. Without, three made contacts of a rectangle make the fourth a ghost."""
    line: int = 0


class Board(NamedTuple):
    """One microcontroller on one serial port."""

    name: str
    label: str = ""
    """Name for people, such as “Lighting desk”; empty: not given."""
    ident: str = ""
    """The ident that the board answers `hello` with; empty: the same as `name`."""
    chip: str = ""
    """``atmega328p``, ``atmega328pb``, ``atmega2560`` or empty."""
    supply_mv: int = 5000
    budget_ma: float = 400.0
    """Most current that all lamps and displays of this board together may draw (mean)."""
    external_supply: bool = False
    """Lamps and displays have a supply of their own, so the budget is not limited by the USB port's 500 mA."""
    external_mv: int = 0
    """Voltage of that supply."""
    chains: tuple[Chain, ...] = ()
    line: int = 0
    """Line in the panel file, 0 if there is none."""

    @property
    def own_ident(self) -> str:
        """The ident that the board answers `hello` with: `ident`, or `name` where the file gives none."""
        return self.ident or self.name

    @property
    def called(self) -> str:
        """What to call it: `label`, or `name` where the file gives none."""
        return self.label or self.name


@dataclass(frozen=True, slots=True, kw_only=True, init=False, repr=False, eq=False)
class OnPanel:
    """What every part has: where it is, how large it is, and what the builder needs to know of it."""

    place: Place | None = None
    wired: bool = True
    """False: it is not wired yet."""
    note: str = ""
    width_mm: float = 0.0
    height_mm: float = 0.0
    """Width and height on the front; of a display, of its whole housing; 0: not given."""
    hole_mm: tuple[float, float] = (0.0, 0.0)
    """Width and height of its hole in the plate; height 0: a round hole of that diameter; both 0: not given."""
    body_mm: tuple[float, float] = (0.0, 0.0)
    """Width and height of its body behind the plate; 0: not given."""
    depth_mm: float = 0.0
    """How far it reaches behind the plate; 0: not given."""
    label_at: str = ""
    """Side on which its label is: one of `SIDES`; empty: that of the whole panel."""
    made_by: str = ""
    """Key of the table that made this part, such as ``controls.key``; empty: the part has a table of its own."""
    line: int = 0
    """Line in the panel file, 0 if there is none."""


@dataclass(frozen=True, slots=True, kw_only=True, init=False, repr=False, eq=False)
class OutputPart(OnPanel):
    """What lamps and displays have in common."""

    answers: str = ""
    """Name of the control that this output answers, so that its transport delay is measured; or empty."""
    within_us: int = 0
    """How long the answer may take; 0: not given."""

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The part's only channel, as a tuple like `Control.channels`."""
        return (self.channel,)  # type: ignore[attr-defined]  # a field of both subclasses, so that it comes first there


@dataclass(frozen=True, slots=True)
class Control(OnPanel):
    """A part that a hand moves."""

    name: str
    label: str
    """What to call it; never empty: the file's label, or its name as one (`benchcon.text.label_from`)."""
    kind: str
    """``button``, ``switch``, ``encoder`` or ``pot``."""
    channels: tuple[Channel, ...]
    positions: tuple[str, ...] = ()
    """Words for the positions: a button's ``("released", "pressed")``, a switch's in order of travel."""
    codes: tuple[tuple[int, ...], ...] = ()
    """For each position the values of its channels, in the order of `channels`."""
    spring: tuple[int, ...] = ()
    """Indexes of the positions that spring back by themselves (of a button: 1)."""
    begins: int = 0
    """Index of the position in which a simulated button or switch starts."""
    inverted: bool = False
    """Encoder and potentiometer only: turning right makes the value fall."""
    detent_counts: int = 4
    low_count: int = 0
    high_count: int = 1023
    matrix: str = ""
    """Name of the switch matrix that its contacts are in, or empty."""
    diodes: bool = True
    """False: its contacts are in a matrix without diodes."""
    debounce_ms: float = 10.0
    act_on: str = "settled"
    """``settled``: act once the contact has been still for `debounce_ms`; ``first edge``: act at once, then ignore it
    for that long."""
    guard: bool = False
    """It has a cover that flips up."""
    darkens: bool = False
    """While its contact is made the board itself is dark, whatever the host says."""


@dataclass(frozen=True, slots=True)
class Lamp(OutputPart):
    """A light that is off, on or at a level."""

    name: str
    label: str
    channel: Channel
    colour: str = "white"
    """``red``, ``amber``, ``green``, ``blue`` or ``white``."""
    current_ma: float = 10.0
    forward_mv: int = 2000
    on_permille: int = 1000
    """Lightness to which the lamp is switched on."""
    trim_permille: int = 1000
    """Share of its full light at which the lamp looks as bright as its neighbours; see `lightness.sent_permille`."""
    level_permille: int = 1000
    """The panel's present level, by day or at night, which multiplies the trim (`lightness.at_level`)."""
    intensity_mcd: float = 0.0
    """Typical luminous intensity at `test_ma`, from its data sheet; 0: not given."""
    test_ma: float = 20.0
    """Current at which its data sheet gives intensity and forward voltage."""
    look_mcd: float = 0.0
    """How bright it should look at full light; 0: as bright as the panel's `look_mcd` says."""
    role: str = ""
    """What it signals: ``warning``, ``caution``, ``advisory`` or ``other``; empty: not given."""
    driver: str = "pin"
    """What switches the lamp's current: a ``pin`` (of the chip or the 74HC595) or a ``transistor``."""
    dimmed: bool = True
    """The board can show levels between off and on."""
    inside: str = ""
    """Name of the control that this lamp is in, or of the first lamp in the same housing; or empty."""
    engraved: str = ""
    """Text engraved beside a housing of several colours, where it is not this lamp's own label."""


@dataclass(frozen=True, slots=True)
class Display(OutputPart):
    """A seven-segment display of one or more digits."""

    name: str
    label: str
    channel: Channel
    digits: int
    format: str = ""
    """How a number is shown, such as ``000`` or ``0000.0``; empty: right-aligned, `digits` wide."""
    colour: str = "red"
    segment_ma: float = 5.0
    """Mean current of one lit segment. A driver that scans eight digits has eight times that at its peak."""
    digit_mm: float = 14.0
    """Height of a digit."""


Part = Control | Lamp | Display


class SupplySource(NamedTuple):
    """One way to switch a supply on: controls in given positions."""

    at: tuple[tuple[str, str], ...]
    """For each control its name, and the word for the position that it must be in."""
    after_us: int = 0
    """How long they must have been there before the supply is on."""
    line: int = 0


class Supply(NamedTuple):
    """A supply of lamps and displays, which is on as long as one of its sources is."""

    name: str
    label: str
    feeds: tuple[str, ...]
    """Names of what it feeds: lamps, displays, and boards (all of their lamps and displays)."""
    sources: tuple[SupplySource, ...]
    line: int = 0


class ForeignTable(NamedTuple):
    """A table of the panel file that another room interprets: its values as TOML gives them, and its lines."""

    line: int
    values: dict[str, Any]
    lines: dict[str, int]
    """Line of each key."""


@dataclass(frozen=True, slots=True)
class Panel:
    """A panel: its plate, its boards, and the parts on it."""

    title: str = ""
    serial: str = ""
    """Serial number of this panel, for those who build several; empty: not given."""
    width_mm: float = 0.0
    height_mm: float = 0.0
    depth_mm: float = 0.0
    """Room behind the plate; 0: not given."""
    labels: str = "above"
    """Side of the parts on which labels are put where there is room: one of `SIDES`."""
    look_mcd: float = 0.0
    """How bright every lamp should look at full light; 0: not given."""
    day_permille: int = 1000
    """Light level of all lamps by day, which multiplies their trims."""
    night_permille: int = 0
    """Light level of all lamps at night; 0: not given."""
    resistors: str = "E24"
    """Series of preferred values that resistors are taken from: ``E12`` or ``E24``."""
    boards: tuple[Board, ...] = ()
    controls: tuple[Control, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    displays: tuple[Display, ...] = ()
    matrices: tuple[Matrix, ...] = ()
    supplies: tuple[Supply, ...] = ()
    triggers: tuple[ForeignTable, ...] = ()
    """The tables ``[[triggers]]``, which `benchcon.watch` interprets."""
    text: str = ""
    """The panel file's text, which captures carry."""
    digest: str = ""
    """SHA-256 of `text`, hex."""
    path: str = ""

    @property
    def parts(self) -> tuple[Part, ...]:
        """All parts, controls first, in file order."""
        return (*self.controls, *self.lamps, *self.displays)

    @property
    def outputs(self) -> tuple[Lamp | Display, ...]:
        """Lamps and displays, in file order."""
        return (*self.lamps, *self.displays)

    def board(self, name: str) -> Board | None:
        """Return the board called `name`, or None."""
        return next((board for board in self.boards if board.name == name), None)

    def part(self, name: str) -> Part | None:
        """Return the part called `name`, or None."""
        return next((part for part in self.parts if part.name == name), None)


def chain_key(board: str, kind: str) -> str:
    """Return the key of a chain's table: ``boards.desk.chains.165``."""
    return f"boards.{board}.chains.{kind}"


def key_of(part: Part) -> str:
    """Return the key of a part's table: ``controls.stop_bar``, or ``controls.key (key_3)`` for one part of several."""
    if part.made_by:
        return f"{part.made_by} ({part.name})"
    table = "controls" if isinstance(part, Control) else "lamps" if isinstance(part, Lamp) else "displays"
    return f"{table}.{part.name}"
