"""What was done to a bench in a capture, to be done again: what the host sent, and what hands moved."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from benchcon.panel.model import Control, Panel
from benchcon.panel.reading import PASSING_US, position_of
from benchcon.replay.contents import board_name
from benchcon.state import BenchState
from benchcon.state.board import find_channel
from benchcon.state.changes import DARK, Changes, ValueChange
from benchcon.state.described import name_on
from benchcon.state_reader import StateReader
from benchcon.wire import events as ev
from benchcon.wire.items import counts_per_detent, signed16

JOIN_US = 100_000
"""An encoder or potentiometer that moves again within this time has not come to rest."""
OWN = frozenset({"hello", "item", "read", "ping", "alive", "deadman"})
"""Requests that every link makes by itself; that of the replay makes its own."""
LASTING = frozenset({"ident", "name"})
"""Requests whose effect survives a loss of power; they are not sent again."""


@dataclass(frozen=True, slots=True)
class Requested:
    """A request that the host was told to send, and did not make by itself."""

    at_us: int
    board: str
    words: tuple[str, ...]
    answer: tuple[str, ...] | None
    """What the board answered then; None if it did not."""


@dataclass(frozen=True, slots=True)
class ReplayedMove:
    """A control that a hand moved."""

    at_us: int
    board: str
    part: str
    """The control's name on the panel, or the channel's id if the capture has no panel."""
    kind: str
    """``press`` (`value` 1: pressed, 0: released), ``put`` (to `value`), ``turn`` (by `value` counts)."""
    value: int
    channels: tuple[str, ...]
    """The channels that this moves."""
    counts: int = 4
    """Of an encoder: counts per detent; below 0 if turning right makes the count fall."""
    sweeps: bool = False
    """Whether this is a potentiometer, which passes every reading on its way."""
    word: str = ""
    """Of a switch: the name of the position on the panel."""


Step = Requested | ReplayedMove


@dataclass(slots=True)
class Script:
    """Everything that was done, in order, and the state at the beginning."""

    path: str
    steps: list[Step]
    lit: dict[str, dict[str, int]]
    """Board → channel id → value of the outputs that were not off when the capture began."""
    stood: list[ReplayedMove]
    """What hands have to do to bring the inputs to their positions at the beginning."""
    began: dict[str, dict[str, int]]
    """Board → channel id → value of the inputs when the capture began, without encoders, whose counts are relative."""
    panel: Panel
    boards: list[str]
    began_dark: set[str] = field(default_factory=set)
    """Boards that were dark when the capture began."""
    left_out: list[str] = field(default_factory=list)
    """What is not to be done again, one line each."""


def script_of(path: str | os.PathLike[str]) -> Script:
    """Read a capture. Raises `Trouble` if it cannot be read."""
    with StateReader(path) as reader:
        maker = _Maker(reader.shown, reader.carried_panel())
        for batch in reader:
            maker.feed_changes(maker.changes.feed(batch))
            maker.feed_events(maker.changes.events)
        return maker.script()


def _word(control: Control | None, position: int) -> str:
    """Return the name of a switch's position; empty if it is not a switch, or has no such position."""
    known = control is not None and control.kind == "switch" and 0 <= position < len(control.positions)
    return control.positions[position] if known and control is not None else ""


class _Maker:
    def __init__(self, path: str, panel: Panel) -> None:
        self.path = path
        self.changes = Changes()
        self.panel = panel
        self._steps: list[tuple[int, Step | _Open]] = []
        """Each with the board's clock at a change that the board reported by itself (µs), else 0."""
        self._open: dict[tuple[int, int], list[_Open]] = {}
        self._values: dict[tuple[int, str], int] = {}
        self._first: dict[tuple[int, str], int] = {}
        self._positions: dict[str, int] = {}
        self._left_out: dict[str, int] = {}
        self._dark: dict[int, bool] = {}

    @property
    def state(self) -> BenchState:
        return self.changes.state

    def name(self, source: int) -> str:
        """Return a board's name on the wire."""
        return board_name(self.state, source)

    # --- what the host sent -----------------------------------------------------------------------------------------

    def feed_events(self, events: Iterable[ev.Event]) -> None:
        """Take events: what the host sent becomes steps."""
        for event in events:
            if isinstance(event, ev.Asked) and event.words and event.words[0] not in OWN:
                if event.words[0] in LASTING:
                    self._left_out[f"'{event.words[0]}' is not sent: its effect would last"] = 1
                    continue
                waiting = self._open.setdefault((event.source, event.tag), [])
                # A repeat is the same request, with the same tag.
                if not any(one.words == event.words and one.answer is None for one in waiting[-1:]):
                    one = _Open(event.at_us, event.source, event.words)
                    waiting.append(one)
                    self._steps.append((0, one))
            elif isinstance(event, ev.Answered):
                for one in self._open.get((event.source, event.tag), [])[-1:]:
                    if one.answer is None and (event.words[:1] in (one.words[:1], ("no",))):
                        one.answer = event.words

    # --- what hands moved -------------------------------------------------------------------------------------------

    def feed_changes(self, changes: Iterable[ValueChange]) -> None:
        """Take changes of inputs: what a hand did becomes steps."""
        for at_us, source, channel_id, value, clock_us in changes:
            channel = find_channel(self.state.boards, source, channel_id)
            if channel_id == DARK:
                self._dark.setdefault(source, bool(value))
            if channel is None or value is None:
                continue
            before = self._values.get((source, channel_id))
            self._values[source, channel_id] = value
            if before is None:
                self._first[source, channel_id] = value
            elif not channel.is_output:
                self._moved(at_us, clock_us, source, channel_id, channel.kind, before, value)

    def _moved(
        self, at_us: int, clock_us: int, source: int, channel_id: str, kind: str, before: int, value: int
    ) -> None:
        control = self._control(source, channel_id)
        if control is not None and len(control.channels) > 1 and kind == "contact":
            position = self._position(source, control)
            if position is None or self._positions.get(control.name) == position:
                return
            self._positions[control.name] = position
        move = self._move(at_us, source, channel_id, kind, before, value, control)
        if move is not None:
            self._steps.append((clock_us, move))

    def _move(
        self, at_us: int, source: int, channel_id: str, kind: str, before: int, value: int, control: Control | None
    ) -> ReplayedMove | None:
        board = self.name(source)
        part = control.name if control is not None else channel_id
        own = tuple(channel.id for channel in control.channels) if control is not None else (channel_id,)
        if kind == "encoder":
            counts = counts_per_detent(self.state.boards[source].channels[channel_id].detail)
            if control is not None and control.inverted:
                counts = -counts
            return ReplayedMove(at_us, board, part, "turn", signed16(value - before), own, counts)
        if kind == "contact" and control is not None and len(own) > 1:
            position = self._position(source, control)
            return (
                None
                if position is None
                else ReplayedMove(at_us, board, part, "put", position, own, word=_word(control, position))
            )
        if kind == "contact":
            made = value
            if control is not None and control.codes and control.codes[0] == (1,):
                made = 1 - value  # its first position has the contact made
            return ReplayedMove(at_us, board, part, "press", made, own, word=_word(control, made))
        if kind in ("selector", "pot"):
            return ReplayedMove(at_us, board, part, "put", value, own, sweeps=kind == "pot", word=_word(control, value))
        self._left_out[f"{board}.{channel_id}: nothing is known of this kind of channel"] = 1
        return None

    def _board_on_panel(self, source: int) -> str:
        board = self.state.boards.get(source)
        return (name_on(self.panel.boards, board) if board is not None else None) or self.name(source)

    def _control(self, source: int, channel_id: str) -> Control | None:
        board = self._board_on_panel(source)
        for control in self.panel.controls:
            if any((channel.board, channel.id) == (board, channel_id) for channel in control.channels):
                return control
        return None

    def _position(self, source: int, control: Control) -> int | None:
        board = self._board_on_panel(source)
        values = {(board, channel): value for (other, channel), value in self._values.items() if other == source}
        return position_of(control, values)

    # --- together ---------------------------------------------------------------------------------------------------

    def script(self) -> Script:
        """Return the script of all that was fed."""
        steps: list[Step] = []
        going: dict[str, tuple[int, int]] = {}
        for clock_us, step in self._steps:
            if isinstance(step, _Open):
                steps.append(Requested(step.at_us, self.name(step.source), step.words, step.answer))
            elif not self._joined(steps, step, clock_us, going):
                steps.append(step)
        lit: dict[str, dict[str, int]] = {}
        stood: list[ReplayedMove] = []
        began: dict[str, dict[str, int]] = {}
        done: set[str] = set()
        self._values = dict(self._first)
        for (source, channel_id), value in self._first.items():
            if source not in self.state.boards:
                continue
            channel = self.state.boards[source].channels[channel_id]
            if channel.is_output:
                if value:
                    lit.setdefault(self.name(source), {})[channel_id] = value
                continue
            control = self._control(source, channel_id)
            part = control.name if control is not None else channel_id
            if channel.kind == "encoder":
                continue
            began.setdefault(self.name(source), {})[channel_id] = value
            if part in done:
                continue
            done.add(part)
            move = self._move(0, source, channel_id, channel.kind, value, value, control)
            if move is not None:
                stood.append(move)
        boards = [self.name(source) for source in self.state.boards]
        dark = {self.name(source) for source, is_dark in self._dark.items() if is_dark}
        return Script(self.path, steps, lit, stood, began, self.panel, boards, dark, sorted(self._left_out))

    @staticmethod
    def _joined(steps: list[Step], step: Step, clock_us: int, going: dict[str, tuple[int, int]]) -> bool:
        """Join `step` to the move before it, if that went on; return whether it was.

        This concerns encoders, potentiometers, and switches with one contact per position: a hand that goes to the last
        position passes those between by itself. The joined move has the time of the first. `going`: stamp and board
        clock of the last move of each part.
        """
        if not isinstance(step, ReplayedMove) or len(step.channels) == 2:
            return False
        rotary = step.kind == "put" and len(step.channels) > 2
        key = f"{step.board}.{step.part}"
        since_us = _apart_us(*going.get(key, (-PASSING_US - 1, 0)), step.at_us, clock_us)
        going[key] = step.at_us, clock_us
        if since_us > (PASSING_US if rotary else JOIN_US) or not (step.kind == "turn" or step.sweeps or rotary):
            return False
        index, last = next(
            (index, each)
            for index, each in zip(range(len(steps) - 1, -1, -1), reversed(steps), strict=True)
            if isinstance(each, ReplayedMove) and (each.board, each.part) == (step.board, step.part)
        )
        value = last.value + step.value if step.kind == "turn" else step.value
        steps[index] = replace(last, value=value, word=step.word)
        return True


def _apart_us(at_us: int, clock_us: int, next_us: int, next_clock_us: int) -> int:
    """Return how long after one change of a part the next came, by the host's stamps or the board's clock (0: none).

    It is the shorter of the two: a computer that was busy meanwhile has heard of the next one late, or of both at once.
    """
    by_host_us, by_board_us = next_us - at_us, next_clock_us - clock_us
    return min(by_host_us, by_board_us) if clock_us and next_clock_us and by_board_us >= 0 else by_host_us


@dataclass(slots=True)
class _Open:
    at_us: int
    source: int
    words: tuple[str, ...]
    answer: tuple[str, ...] | None = None
