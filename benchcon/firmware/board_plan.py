"""A board's plan: which of its channels is which input, output or place of the firmware.

The numbers are those that `protocols/firmware/core/panel_types.h` asks for; `benchcon.firmware.plan` makes the plan.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchcon.firmware.chips import Chip
from benchcon.panel.model import Board, Chain, Channel, Control, Display, Lamp, Matrix, Panel
from benchcon.panel.pins import Pin


@dataclass(frozen=True, slots=True)
class ContactInput:
    """A contact on input `number`."""

    number: int
    control: Control
    channel: Channel
    label: str
    pin: Pin
    low: bool
    """Low level means made."""
    settle_ms: int
    raw: int
    """1: by pin-change interrupt; 2: as the scan sees it; 0: not at all."""

    @property
    def first_edge(self) -> bool:
        return self.control.act_on == "first edge"


@dataclass(frozen=True, slots=True)
class EncoderInput:
    """An encoder on the inputs `a` and `b`."""

    a: int
    b: int
    control: Control
    channel: Channel
    label: str
    pins: tuple[Pin, Pin]
    low: bool
    raw: int


@dataclass(frozen=True, slots=True)
class PotInput:
    """A potentiometer on analogue input `adc`."""

    adc: int
    control: Control
    channel: Channel
    label: str
    pin: Pin


@dataclass(frozen=True, slots=True)
class LampOutput:
    """A lamp on output `number`."""

    number: int
    lamp: Lamp
    pin: Pin
    low: bool
    """Low level lights it."""


@dataclass(frozen=True, slots=True)
class DisplayOutput:
    """A display whose leftmost place is row `first` of the driver chain."""

    first: int
    display: Display


@dataclass(frozen=True, slots=True)
class Plan:
    """One board, ready to be written down."""

    panel: Panel
    board: Board
    chip: Chip
    pin_inputs: tuple[tuple[int, str], ...]
    """Input number and pin of every input on a pin of its own."""
    contacts: tuple[ContactInput, ...]
    encoders: tuple[EncoderInput, ...]
    pots: tuple[PotInput, ...]
    lamps: tuple[LampOutput, ...]
    displays: tuple[DisplayOutput, ...]
    chain_165: Chain | None
    chain_595: Chain | None
    chain_7219: Chain | None
    matrix: Matrix | None
    display_on_spi: bool
    own_light: bool
    """The board's own light is free for `wink`."""

    @property
    def pin_groups(self) -> int:
        """Groups of eight inputs on pins."""
        return -(-len(self.pin_inputs) // 8)

    @property
    def matrix_group(self) -> int:
        return self.pin_groups + (self.chain_165.chips if self.chain_165 else 0)

    @property
    def input_groups(self) -> int:
        """All groups of inputs; the core wants one at least."""
        return max(1, self.matrix_group + (len(self.matrix.rows) if self.matrix else 0))

    @property
    def pin_lamp_groups(self) -> int:
        return -(-sum(lamp.pin.kind == "direct" for lamp in self.lamps) // 8)

    @property
    def lamp_groups(self) -> int:
        return self.pin_lamp_groups + (self.chain_595.chips if self.chain_595 else 0)

    @property
    def display_chips(self) -> int:
        return self.chain_7219.chips if self.chain_7219 else 0

    @property
    def uses_spi(self) -> bool:
        return bool(self.chain_595) or self.display_on_spi

    @property
    def slots(self) -> int:
        """The core's own count of what could be a channel, spare ones included."""
        inputs, lamps = 8 * self.input_groups, 8 * self.lamp_groups
        return inputs + len(self.encoders) + len(self.pots) + lamps + len(self.displays)

    @property
    def wink_lamps(self) -> int:
        """How many lamps, from the first, may be lit together within the budget."""
        by_number = {output.number: output.lamp.current_ma for output in self.lamps}
        sum_ma = 0.0
        for number in range(8 * self.lamp_groups):
            sum_ma += by_number.get(number, 0.0)
            if sum_ma > self.board.budget_ma:
                return number
        return 8 * self.lamp_groups
