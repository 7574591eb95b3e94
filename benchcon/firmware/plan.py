"""From a panel and the name of a board to a plan: which channel is which input or output of the firmware.

The plan numbers things as `protocols/firmware/core/panel_types.h` requires: inputs on pins first, then the 74HC165
chain, then a group of eight for each matrix row; lamps on pins first, then the 74HC595 chain. Everything that cannot be
built is reported together, as findings with lines of the panel file; `plan` then raises `Refused`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchcon.errors import Trouble
from benchcon.firmware import limits
from benchcon.firmware.board_plan import ContactInput, DisplayOutput, EncoderInput, LampOutput, Plan, PotInput
from benchcon.firmware.chips import CHIPS
from benchcon.panel.model import Board, Chain, Channel, Control, Lamp, Matrix, Panel, chain_key, key_of
from benchcon.panel.pins import Pin, read_pins
from benchcon.panel.reader import PanelRemark
from benchcon.rig.wiring import wiring
from benchcon.text import listed, near, printable

TOP_COUNT = 1023
"""Greatest reading of the chips' ten-bit converter."""


class Refused(Trouble):
    """A board whose firmware cannot be built: `findings` has all reasons, `str()` the first."""

    def __init__(self, findings: Sequence[PanelRemark]) -> None:
        super().__init__(str(findings[0]))
        self.findings = tuple(findings)


def plan(panel: Panel, board_name: str, *, currents: bool = True) -> tuple[Plan, list[PanelRemark]]:
    """Return the plan for the board `board_name` of `panel`, and advice about it, in order of line.

    Without `currents`, currents are not checked against the limits of parts, for firmware that only runs in a computer.
    Raises `Trouble` if there is no such board, and `Refused` if it cannot be built.
    """
    board = panel.board(board_name)
    if board is None:
        names = [each.name for each in panel.boards]
        hint = near(board_name, names) or f"; its boards: {', '.join(names) or 'none'}"
        raise Trouble(f'{printable(panel.path or "the panel")} has no board "{printable(board_name[:40])}"{hint}')
    maker = _Maker(panel, board, currents)
    made = maker.made()
    found = sorted(dict.fromkeys(maker.findings), key=lambda finding: (finding.line, not finding.grave))
    if made is None or any(finding.grave for finding in found):
        raise Refused([finding for finding in found if finding.grave])
    return made, found


class _Maker:
    def __init__(self, panel: Panel, board: Board, currents: bool) -> None:
        self.panel = panel
        self.currents = currents
        self.board = board
        self.file = printable(panel.path or "panel file")
        self.findings: list[PanelRemark] = []
        self.pin_inputs: list[tuple[int, str]] = []
        self.labels: dict[str, str] = {}

    def refuse(self, line: int, text: str) -> None:
        """Add a reason why firmware cannot be built."""
        self.findings.append(PanelRemark(self.file, line, text, True))

    def advise(self, line: int, text: str) -> None:
        """Add advice about something that is built differently from the panel file."""
        self.findings.append(PanelRemark(self.file, line, text, False))

    def made(self) -> Plan | None:
        """Return the plan; None if `findings` says why there is none."""
        board = self.board
        chip = CHIPS.get(board.chip)
        if chip is None:
            self.refuse(board.line, f"boards.{board.name} has no chip; write chip = {_quoted(CHIPS)}")
            return None
        self.chip = chip
        chains = {chain.kind: chain for chain in board.chains}
        for chain in board.chains:
            self.known_pins(chain)
        matrix = self.matrix()
        # Count the channels first: more than a board can describe could not be planned.
        channels = sum(channel.board == board.name for part in self.panel.parts for channel in part.channels)
        if channels > limits.MOST_SLOTS:
            self.refuse(
                board.line, f"boards.{board.name} has {channels} channels; a board has at most {limits.MOST_SLOTS}"
            )
            return None
        self.labels = {item.id: item.detail.get("label", "") for item in wiring(self.panel, board.name).whole}
        inputs = self.inputs(chains.get("165"), matrix)
        made = Plan(
            self.panel,
            board,
            chip,
            tuple(self.pin_inputs),
            tuple(each for each in inputs if isinstance(each, ContactInput)),
            tuple(each for each in inputs if isinstance(each, EncoderInput)),
            tuple(each for each in inputs if isinstance(each, PotInput)),
            self.lamps(),
            self.displays(),
            chains.get("165"),
            chains.get("595"),
            chains.get("7219"),
            matrix,
            display_on_spi=self.on_spi(chains.get("7219")),
            own_light=False,
        )
        self.findings += limits.findings(made, self.file, currents=self.currents)
        if any(finding.grave for finding in self.findings):
            return None
        return limits.with_own_light(made)

    def known_pins(self, chain: Chain) -> None:
        """Refuse a chain that lacks a pin."""
        who = chain_key(self.board.name, chain.kind)
        empty = [key for key in ("data", "clock", "load") if not getattr(chain, key)]
        if empty:
            self.refuse(chain.line, f"{who} lacks {listed(empty)}; firmware needs all three pins of a chain")

    def on_spi(self, chain: Chain | None) -> bool:
        return chain is not None and (chain.data, chain.clock) == (self.chip.mosi, self.chip.sck)

    def matrix(self) -> Matrix | None:
        """Return the board's switch matrix, or None."""
        mine = [matrix for matrix in self.panel.matrices if matrix.board == self.board.name]
        for second in mine[1:]:
            text = f"matrices.{second.name} is the second matrix of {self.board.name}"
            self.refuse(second.line, f"{text} (the first: line {mine[0].line}); the firmware scans one")
        for matrix in mine[:1]:
            for what, pins in (("rows", matrix.rows), ("columns", matrix.columns)):
                if len(pins) > 8:
                    self.refuse(
                        matrix.line, f"matrices.{matrix.name} has {len(pins)} {what}; the firmware scans at most 8"
                    )
        return mine[0] if mine else None

    def usable(self, who: str, wired: bool, channel: Channel) -> tuple[Pin, ...]:
        """Return the pins of a channel of this board; none, with a finding, if it cannot be built."""
        pins = read_pins(channel.wire.pin)
        if not pins and wired:
            self.refuse(channel.line, f'{who} has no pin for {channel.id}; firmware needs one, such as pin = "D4"')
        elif not pins:
            self.advise(channel.line, f"{who} is not wired and has no pin for {channel.id}: it is not in the firmware")
        return pins

    def on_pin(self, pin: str) -> int:
        self.pin_inputs.append((len(self.pin_inputs), pin))
        return len(self.pin_inputs) - 1

    def inputs(self, chain: Chain | None, matrix: Matrix | None) -> list[ContactInput | EncoderInput | PotInput]:
        """Return the inputs, numbered as the firmware scans them: pins, chain, matrix."""
        wanted: list[tuple[Control, Channel, tuple[Pin, ...]]] = []
        for control in self.panel.controls:
            for channel in control.channels:
                if channel.board == self.board.name:
                    pins = self.usable(key_of(control), control.wired, channel)
                    if pins:
                        wanted.append((control, channel, pins))
        # The groups on pins come first, so they must be counted before the others can be numbered.
        direct = {
            pin.name: self.on_pin(pin.name)
            for control, _, pins in wanted
            for pin in pins
            if pin.kind == "direct" and control.kind != "pot"
        }
        chained = 8 * -(-len(direct) // 8)
        rows = chained + (8 * chain.chips if chain else 0)

        def number(pin: Pin) -> int:
            if pin.kind == "direct":
                return direct[pin.name]
            return chained + pin.bit if pin.kind == "165" else rows + 8 * pin.row + pin.column

        found: list[ContactInput | EncoderInput | PotInput] = []
        for control, channel, pins in wanted:
            label = self.labels.get(channel.id, control.label)
            low = channel.active != "high"
            if control.kind == "pot":
                found.append(self.pot(control, channel, label, pins[0]))
            elif control.kind == "encoder" and len(pins) == 2:
                a, b = pins
                raw = min((self.raw(pin) for pin in pins), key=(1, 2, 0).index) if a.kind == b.kind else 2
                raw = 2 if {self.raw(a), self.raw(b)} == {1, 2} else raw
                found.append(EncoderInput(number(a), number(b), control, channel, label, (a, b), low, raw))
            elif control.kind in ("button", "switch"):
                settle = self.settle_ms(control, channel)
                pin = pins[0]
                found.append(ContactInput(number(pin), control, channel, label, pin, low, settle, self.raw(pin)))
        return found

    def raw(self, pin: Pin) -> int:
        """Return how raw edges of a pin can be reported: 1 by pin-change interrupt, 2 by the scan, 0 not at all."""
        if pin.kind == "direct":
            known = not self.chip.analogue_only(pin.name)
            return 1 if known and self.chip.change_number(pin.name) is not None else 2
        return 2 if pin.kind == "165" else 0

    def settle_ms(self, control: Control, channel: Channel) -> int:
        """Return the debounce in whole milliseconds, as the firmware counts it."""
        who = key_of(control)
        if len(control.channels) == 1 and any(code[0] > 1 for code in control.codes):
            text = f"{who} is a switch whose {len(control.positions)} positions the board works out from one channel"
            self.refuse(channel.line, f"{text}; give it one contact per position, or contacts and a code")
        if control.debounce_ms > limits.MOST_SETTLE_MS:
            text = f"{who} has a debounce of {control.debounce_ms:g} ms"
            self.refuse(control.line, f"{text}; the firmware counts up to {limits.MOST_SETTLE_MS} ms")
        whole = math.ceil(control.debounce_ms - 1e-9)
        if abs(whole - control.debounce_ms) > 1e-6:
            self.advise(control.line, f"{who} has a debounce of {control.debounce_ms:g} ms; it is built as {whole} ms")
        return max(1, min(whole, limits.MOST_SETTLE_MS))

    def pot(self, control: Control, channel: Channel, label: str, pin: Pin) -> PotInput:
        """Return a potentiometer with its analogue input."""
        if control.high_count > TOP_COUNT:
            text = f"{key_of(control)} has high = {control.high_count}"
            self.refuse(control.line, f"{text}; the chip's converter reads 0 to {TOP_COUNT}")
        return PotInput(int(pin.name[1:]), control, channel, label, pin)

    def lamps(self) -> tuple[LampOutput, ...]:
        """Return the lamps, numbered as the firmware drives them: pins, then chain."""
        wanted: list[tuple[Lamp, Pin]] = []
        for lamp in self.panel.lamps:
            if lamp.channel.board == self.board.name:
                wanted += [(lamp, pin) for pin in self.usable(key_of(lamp), lamp.wired, lamp.channel)[:1]]
        direct = {
            pin.name: number for number, (_, pin) in enumerate(each for each in wanted if each[1].kind == "direct")
        }
        chained = 8 * -(-len(direct) // 8)
        return tuple(
            LampOutput(
                direct[pin.name] if pin.kind == "direct" else chained + pin.bit, lamp, pin, lamp.channel.active == "low"
            )
            for lamp, pin in wanted
        )

    def displays(self) -> tuple[DisplayOutput, ...]:
        """Return the displays with their first digit in the chain."""
        found: list[DisplayOutput] = []
        for display in self.panel.displays:
            if display.channel.board == self.board.name:
                pins = self.usable(key_of(display), display.wired, display.channel)
                found += [DisplayOutput(pin.bit, display) for pin in pins[:1]]
        return tuple(found)


def _quoted(words: Iterable[str]) -> str:
    return " or ".join(f'"{word}"' for word in words)
