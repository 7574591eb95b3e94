"""What is on a panel, in plain numbers with the unit in the name. The panel file (`benchcon.panel.file`) makes these."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Place:
    """Centre of a part on the panel, from the top left corner, in millimetres."""

    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True)
class Wire:
    """Where one channel's wire goes. Every field may be unknown (empty)."""

    pin: str = ""
    connector: str = ""
    connector_pin: str = ""
    colour: str = ""


@dataclass(frozen=True, slots=True)
class Channel:
    """One input or output of one board, by the board's name on this panel and the channel's short id."""

    board: str
    id: str
    wire: Wire = field(default_factory=Wire)


@dataclass(frozen=True, slots=True)
class Board:
    """One microcontroller on one serial port."""

    name: str
    ident: str = ""
    """The board's own ident (as in `hello`); empty: the name."""
    chip: str = ""
    """``atmega328p``, ``atmega2560`` or empty."""
    supply_mv: int = 5000
    budget_ma: float = 400.0
    """Most current that all lamps and digits of this board may take together."""
    external_supply: bool = False
    line: int = 0
    """Line in the panel file, 0 if there is none."""


@dataclass(frozen=True, slots=True)
class Control:
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
    inverted: bool = False
    """Encoder and potentiometer only: turning right makes the value fall."""
    detent_counts: int = 4
    low_count: int = 0
    high_count: int = 1023
    place: Place | None = None
    wired: bool = True
    note: str = ""
    matrix: str = ""
    """Name of the switch matrix the contacts stand in, or empty."""
    diodes: bool = True
    line: int = 0


@dataclass(frozen=True, slots=True)
class Lamp:
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
    place: Place | None = None
    wired: bool = True
    note: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Digits:
    """A seven-segment display of one or more places."""

    name: str
    label: str
    channel: Channel
    places: int
    format: str = ""
    """How a number is shown, such as ``000`` or ``0000.0``; empty: right-aligned, `places` wide."""
    colour: str = "red"
    segment_ma: float = 5.0
    place: Place | None = None
    height_mm: float = 14.0
    wired: bool = True
    note: str = ""
    line: int = 0


Part = Control | Lamp | Digits


@dataclass(frozen=True, slots=True)
class Panel:
    """The thing with holes in it."""

    title: str = ""
    width_mm: float = 0.0
    height_mm: float = 0.0
    boards: tuple[Board, ...] = ()
    controls: tuple[Control, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    digits: tuple[Digits, ...] = ()
    text: str = ""
    """The panel file as read, for captures."""
    digest: str = ""
    """SHA-256 of `text`, hex."""
    path: str = ""

    @property
    def parts(self) -> tuple[Part, ...]:
        """All parts, controls first, in file order."""
        return (*self.controls, *self.lamps, *self.digits)
