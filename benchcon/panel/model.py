"""What is on a panel, in plain numbers with the unit in the name. `benchcon.panel.file` makes these of a panel file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

SIDES = ("above", "below", "left", "right")


class Place(NamedTuple):
    """Centre of a part on the panel, from the top left corner, in millimetres."""

    x_mm: float
    y_mm: float


class Wire(NamedTuple):
    """Where one channel's wire goes. Every field may be unknown (empty)."""

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
    """Level at the pin that means made or lit: ``low`` or ``high``; empty where it means nothing."""
    line: int = 0


class Chain(NamedTuple):
    """A row of chips on three pins of a board: ``165`` (inputs), ``595`` (outputs) or ``7219`` (displays).

    The pins may be unknown (empty): somebody else's board is described as far as one knows it.
    """

    kind: str
    data: str
    clock: str
    load: str
    """Pin that takes the inputs over (74HC165), puts the outputs out (74HC595) or loads a digit (MAX7219)."""
    chips: int = 1
    line: int = 0
    oe: str = ""
    """74HC595 only: pin that switches its outputs on (OE, low is on); empty: OE is wired to ground."""


class Matrix(NamedTuple):
    """Contacts at the crossings of rows and columns; a contact's pin is ``NAME.rRcC``, from 0."""

    name: str
    board: str
    rows: tuple[str, ...]
    columns: tuple[str, ...]
    diodes: bool = True
    """A diode at every contact; without, three made contacts of a rectangle make a ghost of the fourth."""
    line: int = 0


class Board(NamedTuple):
    """One microcontroller on one serial port."""

    name: str
    label: str = ""
    """For people: “Lighting desk”."""
    ident: str = ""
    """The board's own ident (as in `hello`); empty: the name."""
    chip: str = ""
    """``atmega328p``, ``atmega328pb``, ``atmega2560`` or empty."""
    supply_mv: int = 5000
    budget_ma: float = 400.0
    """Most current that all lamps and displays of this board may take together."""
    external_supply: bool = False
    """Lamps and displays have a supply of their own, so the USB port's 500 mA do not bound the budget."""
    external_mv: int = 0
    """Voltage of that supply."""
    chains: tuple[Chain, ...] = ()
    line: int = 0
    """Line in the panel file, 0 if there is none."""

    @property
    def own_ident(self) -> str:
        """What the board answers to `hello`: its ident, which is its name where the file gives none."""
        return self.ident or self.name


@dataclass(frozen=True, slots=True, kw_only=True, init=False, repr=False, eq=False)
class OnPanel:
    """What is said of every part, whatever it is: where it stands, how large it is, and what its maker should know."""

    place: Place | None = None
    wired: bool = True
    """False: its wires are not there yet."""
    note: str = ""
    width_mm: float = 0.0
    height_mm: float = 0.0
    """Size of the part on the panel, of a display the whole of it; 0: not said."""
    hole_mm: tuple[float, float] = (0.0, 0.0)
    """Width and height of its hole in the plate; height 0: round, of this diameter; both 0: not said."""
    body_mm: tuple[float, float] = (0.0, 0.0)
    """Width and height of what stands behind the plate; 0: not said."""
    depth_mm: float = 0.0
    """How far it reaches behind the plate; 0: not said."""
    label_at: str = ""
    """On which side of it its label stands: one of `SIDES`; empty: as on the whole panel."""
    made_by: str = ""
    """Key of the table that stands for this part and others: ``controls.key``; empty: it has a table of its own."""
    line: int = 0
    """Line in the panel file, 0 if there is none."""


@dataclass(frozen=True, slots=True, kw_only=True, init=False, repr=False, eq=False)
class OutputPart(OnPanel):
    """What lamps and displays share."""

    answers: str = ""
    """Name of the control that this output answers, or empty: its transport delay is then measured."""
    within_us: int = 0
    """How long the answer may take; 0: not said."""

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The one channel of a lamp or display, as a `Control` has several."""
        return (self.channel,)  # type: ignore[attr-defined]  # each of the two has one, where its fields begin


@dataclass(frozen=True, slots=True)
class Control(OnPanel):
    """What a hand moves."""

    name: str
    label: str
    kind: str
    """``button``, ``switch``, ``encoder`` or ``pot``."""
    channels: tuple[Channel, ...]
    positions: tuple[str, ...] = ()
    """Words for the positions: a button's ``("released", "pressed")``, a switch's in order of travel."""
    codes: tuple[tuple[int, ...], ...] = ()
    """For each position the values of the channels, in their order."""
    spring: tuple[int, ...] = ()
    """Positions that spring back by themselves (a button's 1)."""
    begins: int = 0
    """Where a simulated button or switch stands when it is started."""
    inverted: bool = False
    """Encoder and potentiometer only: turning right makes the value fall."""
    detent_counts: int = 4
    low_count: int = 0
    high_count: int = 1023
    matrix: str = ""
    """Name of the switch matrix the contacts stand in, or empty."""
    diodes: bool = True
    """False: the contacts stand in a matrix without diodes."""
    debounce_ms: float = 10.0
    act_on: str = "settled"
    """``settled``: wait until the contact is still for `debounce_ms`; ``first edge``: act at once, then hold off."""
    guard: bool = False
    """A cover that flips up stands over it."""
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
    """Lightness that “on” means."""
    trim_permille: int = 1000
    """The host's: what is sent to the board is lightness × trim, so that lamps of unlike make look evenly bright."""
    level_permille: int = 1000
    """The whole panel's level just now, on top of the trim: by day or at night (`lightness.at_level`)."""
    intensity_mcd: float = 0.0
    """Luminous intensity at `test_ma`, typical, from its data sheet; 0: not said."""
    test_ma: float = 20.0
    """Current at which the data sheet gives intensity and forward voltage."""
    look_mcd: float = 0.0
    """How bright it is to look at full light, for its panel's if 0."""
    role: str = ""
    """What it tells: ``warning``, ``caution``, ``advisory`` or ``other``; empty: not said."""
    driver: str = "pin"
    """What carries the lamp's current: ``pin`` (of the chip or the 74HC595), or a ``transistor`` beside it."""
    dimmed: bool = True
    """The board can show levels between off and on."""
    inside: str = ""
    """Name of the control that this lamp is in, or of the lamp of another colour in the same housing; or empty."""
    engraved: str = ""
    """What stands beside its housing, where that is not its label: it has several colours."""


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
    """Mean current of one lit segment. A driver that goes through eight digits has eight times that at its peak."""
    digit_mm: float = 14.0
    """Height of a digit."""


Part = Control | Lamp | Display


class SupplySource(NamedTuple):
    """One of the things that can switch a supply on."""

    at: tuple[tuple[str, str], ...]
    """Controls by name, and the word of the position where each has to stand."""
    after_us: int = 0
    """How long they have to stand there first."""
    line: int = 0


class Supply(NamedTuple):
    """What feeds boards' outputs, lamps and displays as long as one of its sources is on."""

    name: str
    label: str
    feeds: tuple[str, ...]
    """Boards (all of their lamps and displays), lamps and displays, by name."""
    sources: tuple[SupplySource, ...]
    line: int = 0


class ForeignTable(NamedTuple):
    """A table that another room reads: its values as TOML gives them, and where it stands in the file."""

    line: int
    values: dict[str, Any]
    lines: dict[str, int]
    """Line of each key."""


@dataclass(frozen=True, slots=True)
class Panel:
    """The thing with holes in it."""

    title: str = ""
    serial: str = ""
    """Serial number of this one, if there are several or will be; empty: not said."""
    width_mm: float = 0.0
    height_mm: float = 0.0
    depth_mm: float = 0.0
    """Room behind the plate; 0: not said."""
    labels: str = "above"
    """On which side of their parts labels stand, where there is room: one of `SIDES`."""
    look_mcd: float = 0.0
    """How bright every lamp is to look at full light; 0: not said."""
    day_permille: int = 1000
    """Lightness of all lamps by day, on top of their trims."""
    night_permille: int = 0
    """The same at night; 0: not said."""
    resistors: str = "E24"
    """Series of preferred values that resistors are taken from: ``E12`` or ``E24``."""
    boards: tuple[Board, ...] = ()
    controls: tuple[Control, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    displays: tuple[Display, ...] = ()
    matrices: tuple[Matrix, ...] = ()
    supplies: tuple[Supply, ...] = ()
    triggers: tuple[ForeignTable, ...] = ()
    """Tables ``[[triggers]]`` as read: `benchcon.watch` knows what they mean."""
    text: str = ""
    """The panel file as read, for captures."""
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
        """Return the board called `name` on this panel."""
        return next((board for board in self.boards if board.name == name), None)

    def part(self, name: str) -> Part | None:
        """Return the part called `name`."""
        return next((part for part in self.parts if part.name == name), None)


def key_of(part: Part) -> str:
    """Return the key of a part's table: ``controls.stop_bar``; of one of several, ``controls.key (key_3)``."""
    if part.made_by:
        return f"{part.made_by} ({part.name})"
    table = "controls" if isinstance(part, Control) else "lamps" if isinstance(part, Lamp) else "displays"
    return f"{table}.{part.name}"
