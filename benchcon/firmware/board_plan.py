"""A board's plan: which of its channels is which input or output of the firmware.

The numbers are as `protocols/firmware/core/panel_types.h` requires; `benchcon.firmware.plan` makes the plan.
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
    """Whether a low level means made."""
    settle_ms: int
    raw: int
    """How raw edges are reported: 1 by pin-change interrupt, 2 as the scan sees them, 0 not at all."""

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
    """Whether a low level lights it."""


@dataclass(frozen=True, slots=True)
class DisplayOutput:
    """A display whose leftmost digit is row `first` of the driver chain."""

    first: int
    display: Display


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan of one board."""

    panel: Panel
    board: Board
    chip: Chip
    pin_inputs: tuple[tuple[int, str], ...]
    """(input number, pin) of every input on a pin of its own."""
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
    """Whether the board's own light is free for `wink`."""

    @property
    def pin_groups(self) -> int:
        """How many groups of eight inputs are on pins."""
        return -(-len(self.pin_inputs) // 8)

    @property
    def matrix_group(self) -> int:
        return self.pin_groups + (self.chain_165.chips if self.chain_165 else 0)

    @property
    def input_groups(self) -> int:
        """How many groups of inputs there are; the core needs at least one."""
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
        """How many slots the core counts: everything that could be a channel, spare ones included."""
        inputs, lamps = 8 * self.input_groups, 8 * self.lamp_groups
        return inputs + len(self.encoders) + len(self.pots) + lamps + len(self.displays)

    @property
    def wink_lamps(self) -> int:
        """How many lamps, from the first on, may be lit together within the budget."""
        by_number = {output.number: output.lamp.current_ma for output in self.lamps}
        sum_ma = 0.0
        for number in range(8 * self.lamp_groups):
            sum_ma += by_number.get(number, 0.0)
            if sum_ma > self.board.budget_ma:
                return number
        return 8 * self.lamp_groups
