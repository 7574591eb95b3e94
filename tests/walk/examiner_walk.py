"""A broken panel as physics, and what an honest walk over it records: the second of two independent generators.

Written from `protocols/walk-report.md`, `panel-file.md` and the trade alone, by someone who had not seen the diagnosis.
Nothing here is evidence by decree: contacts close and bounce, wires carry that to pins, pins are debounced,
encoders go through the Gray table, and the evidence is what a board and an eye would make of it.

Bounce: mean 1.6 ms, 6.2 ms at most (J. Ganssle, *A Guide to Debouncing*, values from memory). Order on a wire: part,
crossing, break, ghost, short, stuck.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchcon.panel.model import Channel, Control, Panel

Json = dict[str, Any]
Move = tuple[int, str, int | None]
"""When (µs from the action), which control, to which position; None: between two."""

GRAY = (3, 1, 0, 2)
"""Levels A·2+B while an encoder turns right, both contacts open at rest (the Gray table of quadrature)."""
BETWEEN_US = (2_000, 40_000)
"""How long no contact of a switch may be made between two positions; 50 ms is not a fault."""


@dataclass(frozen=True)
class Fault:
    kind: str
    channels: tuple[str, ...]
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Habits:
    """How the hand errs, as chances a step (a turn, for `miscounts`)."""

    brushes: float = 0.0
    nudges: float = 0.0
    slow: float = 0.0
    miscounts: float = 0.0
    forgets: float = 0.0
    """Says that it is done, and has not done it."""
    asks_again: float = 0.0


STEADY = Habits()
ORDINARY = Habits(brushes=0.03, nudges=0.006, slow=0.05, miscounts=0.1, asks_again=0.01)
CARELESS = Habits(brushes=0.03, nudges=0.006, slow=0.05, miscounts=0.1, forgets=0.01, asks_again=0.02)


def name_of(channel: Channel) -> str:
    return f"{channel.board}.{channel.id}"


def is_selector(control: Control) -> bool:
    return control.kind == "switch" and len(control.positions) > 2 and len(control.channels) == 1


class Contacts:
    """A panel with faults, its contacts and the hand; `seed` decides all that is chance."""

    def __init__(self, panel: Panel, faults: Sequence[Fault], seed: int, habits: Habits = STEADY) -> None:
        self.panel, self.faults, self.habits, self.seed = panel, faults, habits, seed
        self.chance = random.Random(seed)
        self.now_us = 1_000_000
        self.evidence: list[Json] = []
        self.lists_what_burns = self.chance.random() < 0.6
        """Whether the eye lists again what burns with all dark, which it need not."""
        self.clock_us = {board.name: self.chance.randrange(3_000_000) for board in panel.boards}
        self.controls = {control.name: control for control in panel.controls}
        self.position: dict[str, int | None] = {}
        self.contacts: dict[str, tuple[str, int]] = {}
        self.crossings: dict[tuple[int, int], str] = {}
        self.values: dict[str, int] = {}
        self.turned: dict[str, int] = {}
        """Encoders: quarters of a Gray cycle to the right."""
        self.travel: dict[str, float] = {}
        """Potentiometers: 0 left, 1 right."""
        for control in panel.controls:
            self._place(control)
        self.closed = {channel: self._closes(channel) for channel in self.contacts}
        self.made = self._made()
        self.values |= self.made

    # --- parts ---------------------------------------------------------------------------------------------

    def _place(self, control: Control) -> None:
        names = [name_of(channel) for channel in control.channels]
        first = names[0]
        if control.kind == "encoder":
            self.turned[first] = 0
            self.values[first] = self.chance.choice((0, 0, 65_530, 77))
        elif control.kind == "pot":
            self.travel[first] = self.chance.choice((0.0, 1.0, self.chance.random()))
        else:
            stays = [p for p in range(len(control.positions)) if p not in control.spring]
            self.position[control.name] = 0 if control.kind == "button" else self.chance.choice(stays)
            if is_selector(control):
                self.values[first] = self._selected(control, self.position[control.name] or 0)
                return
            for index, channel in enumerate(names):
                self.contacts[channel] = (control.name, index)
            if control.matrix:
                row, column = control.channels[0].wire.pin.split(".r")[1].split("c")
                self.crossings[int(row), int(column)] = first

    def _fault(self, kind: str, channel: str) -> Fault | None:
        return next((fault for fault in self.faults if fault.kind == kind and channel in fault.channels), None)

    def _arrives(self, channel: str) -> str:
        fault = self._fault("crossed", channel)
        return fault.channels[(fault.channels.index(channel) + 1) % len(fault.channels)] if fault else channel

    def _closes(self, channel: str) -> int:
        name, index = self.contacts[channel]
        position = self.position[name]
        closed = 0 if position is None else self.controls[name].codes[position][index]
        return closed ^ 1 if self._fault("inverted", channel) else closed

    def _made(self) -> dict[str, int]:
        """What each pin sees of the contacts, through all that is wrong between them."""
        part = dict(self.closed)
        for fault in self.faults:
            if fault.detail.get("end") == "part" and fault.channels[0] in part:
                part[fault.channels[0]] = int(fault.kind == "stuck")
        pin = {self._arrives(channel): made for channel, made in part.items()}
        for fault in self.faults:
            if fault.kind == "open" and fault.detail.get("end") == "pin":
                pin[fault.channels[0]] = 0
        if any(fault.kind == "ghost" for fault in self.faults):
            self._go_round(pin)
        for fault in self.faults:
            if fault.kind == "shorted" and any(pin[channel] for channel in fault.channels):
                pin |= dict.fromkeys(fault.channels, 1)
        for fault in self.faults:
            if fault.kind == "stuck" and fault.detail.get("end") == "pin":
                pin[fault.channels[0]] = 1
        return pin

    def _go_round(self, pin: dict[str, int]) -> None:
        """Without diodes three made corners of a rectangle make the fourth, and that one makes others."""
        made = {place for place, channel in self.crossings.items() if pin[channel]}
        while True:
            more = {
                (row, column)
                for row, column in self.crossings.keys() - made
                for r, c in made
                if r != row and c != column and (row, c) in made and (r, column) in made
            }
            if not more:
                break
            made |= more
        pin |= {self.crossings[place]: 1 for place in made}

    # --- contacts over time --------------------------------------------------------------------------------

    def _swings(self, channel: str) -> list[int]:
        """Times between which a contact that moves is the other way, from the first touch."""
        fault = self._fault("chattering", channel)
        if fault and fault.detail["how"] == "bounce":
            span, times = self.chance.randint(16_000, 45_000), [0]
            while times[-1] < span:
                times.append(times[-1] + self.chance.randint(300, 7_000))
            return times[1:]
        span = round(min(6_200.0, self.chance.expovariate(1 / 1_600)))
        return sorted(self.chance.randrange(span + 1) for _ in range(self.chance.choice((0, 2, 2, 4, 6))))

    def _play(self, moves: list[Move], until_us: int) -> tuple[list[Json], list[Json]]:
        """Let contacts move; return settled changes and raw edges as `[host, channel, value, board clock]`."""
        touches: list[tuple[int, str, int]] = []
        stands, still_from = dict(self.closed), dict.fromkeys(self.closed, self.now_us)
        for at_us, name, position in sorted(moves, key=lambda move: move[0]):
            self.position[name] = position
            for channel in map(name_of, self.controls[name].channels):
                if (new := self._closes(channel)) == stands[channel]:
                    continue
                stands[channel] = state = new
                touches.append((at_us, channel, new))
                for swing in self._swings(channel):
                    state ^= 1
                    touches.append((at_us + swing, channel, state))
                if state != new:
                    touches.append((touches[-1][0] + 200, channel, new))
                still_from[channel] = touches[-1][0]
        touches += self._drop_outs(stands, still_from, until_us)
        edges: list[tuple[int, str, int]] = []
        for at_us, channel, state in sorted(touches, key=lambda touch: touch[0]):
            self.closed[channel] = state
            made = self._made()
            edges += [(at_us, pin, now) for pin, now in made.items() if self.made[pin] != now]
            self.made = made
        settled = []
        for channel in {edge[1] for edge in edges}:
            own = [edge for edge in edges if edge[1] == channel]
            for edge, following in zip(own, [*own[1:], None], strict=True):
                still = following is None or following[0] - edge[0] >= 10_000
                if still and edge[2] != self.values[channel]:
                    self.values[channel] = edge[2]
                    settled.append((edge[0] + 10_000, channel, edge[2]))
        raw = [(at_us, channel, 1 - made) for at_us, channel, made in edges]
        return self._stamped(settled), self._stamped(raw)

    def _drop_outs(self, stands: Mapping[str, int], still_from: Mapping[str, int], until_us: int) -> list[Any]:
        out = []
        for fault in self.faults:
            channel = fault.channels[0]
            if fault.kind != "chattering" or fault.detail["how"] != "drop-outs" or not stands[channel]:
                continue
            moved = still_from[channel] > self.now_us
            at_us = still_from[channel] + 15_000
            for _ in range(self.chance.choice((2, 3, 4)) if moved or self.chance.random() < 0.5 else 0):
                at_us += self.chance.randint(15_000, 50_000)
                gap_us = self.chance.randint(13_000, 50_000)
                if at_us + gap_us < until_us - 30_000:
                    out += [(at_us, channel, 0), (at_us + gap_us, channel, 1)]
                at_us += gap_us
        return out

    def _stamped(self, changes: Iterable[tuple[int, str, int]]) -> list[Any]:
        """Host times lie some milliseconds after the board's own, and are the same for what one read brought."""
        out = []
        for at_us, channel, value in sorted(changes):
            board = channel.split(".")[0]
            lag_us = random.Random(f"{board}{at_us // 2_000}").randint(400, 4_000)
            out.append([at_us + lag_us, channel, value, at_us + self.clock_us[board]])
        return sorted(out, key=lambda change: change[0])

    # --- steps ---------------------------------------------------------------------------------------------

    def _hand(self, do: str, parts: list[str], to: int, moves: list[Move], **more: Any) -> Json:
        dice, began_us, before = self.chance, self.now_us, dict(self.values)
        slow_us = dice.randint(3_000_000, 12_000_000) if dice.random() < self.habits.slow else 0
        act_us = began_us + dice.randint(150_000, 400_000) + slow_us
        moves = [(act_us + at_us, name, position) for at_us, name, position in moves]
        if do == "put" and len(parts) == 1:
            moves += self._slip(parts[0], act_us)
        until_us = max([act_us + 900_000, *(move[0] + 500_000 for move in moves)])
        changes, edges = self._play(moves, until_us)
        watched = {name_of(channel) for part in parts for channel in self.controls[part].channels}
        self.now_us = until_us + 50_000
        step = {"what": "hand", "do": do, "began_us": began_us, "ended_us": until_us, "before": before}
        step |= {"values": dict(self.values), "changes": changes}
        step |= {"parts": parts, "to": to} if parts else {}
        step |= {"edges": [edge for edge in edges if edge[1] in watched]} if edges else {}
        step |= more
        self.evidence.append(step)
        return step

    def _slip(self, part: str, act_us: int) -> list[Move]:
        """A neighbour brushed, or a switch beside it nudged over and left there."""
        names = [c.name for c in self.panel.controls if c.wired]
        index = names.index(part)
        near = [self.controls[name] for name in names[max(0, index - 2) : index + 3] if name != part]
        near = [control for control in near if control.kind in ("button", "switch") and not is_selector(control)]
        roll, at_us = self.chance.random(), act_us + self.chance.randint(-80_000, 200_000)
        if not near or roll > self.habits.brushes + self.habits.nudges:
            return []
        control = self.chance.choice(near)
        if roll < self.habits.brushes and control.kind == "button":
            return [(at_us, control.name, 1), (at_us + self.chance.randint(30_000, 300_000), control.name, 0)]
        if roll >= self.habits.brushes and control.kind == "switch":
            here = self.position[control.name] or 0
            there = here + 1 if here + 1 < len(control.positions) else here - 1
            return [] if there in control.spring else [(at_us, control.name, there)]
        return []

    def _way(self, control: Control, to: int) -> list[Move]:
        """A switch passes every position between; one of several contacts mostly breaks before it makes."""
        here = self.position[control.name] or 0
        breaks = len(control.channels) > 1 and random.Random(control.name).random() < 0.8
        out: list[Move] = []
        at_us = 0
        while here != to:
            here += 1 if to > here else -1
            if breaks:
                out.append((at_us, control.name, None))
                at_us += self.chance.randint(*BETWEEN_US)
            out.append((at_us, control.name, here))
            at_us += self.chance.randint(60_000, 200_000)
        return out

    def put(self, control: Control, to: int) -> Json:
        if self.chance.random() < self.habits.forgets:
            step = self._hand("put", [control.name], to, [])
        elif is_selector(control):
            step = self._select(control, to)
        else:
            step = self._hand("put", [control.name], to, self._way(control, to))
        own = [name_of(channel) for channel in control.channels]
        wanted = [to] if is_selector(control) else list(control.codes[to])
        moved = any(change[1] in own for change in step["changes"])
        return self._outcome(step, moved and [self.values[channel] for channel in own] == wanted)

    def _outcome(self, step: Json, as_asked: bool) -> Json:
        words = ("otherwise", "said", "said") if step["changes"] else ("said", "said", "timeout")
        step["outcome"] = "seen" if as_asked else self.chance.choice(words)
        return step

    def _selected(self, control: Control, position: int) -> int:
        channel = name_of(control.channels[0])
        crossed, missing = self._fault("positions crossed", channel), self._fault("position missing", channel)
        if self._fault("open", channel):
            return 0
        if self._fault("reversed", channel):
            position = len(control.positions) - 1 - position
        if crossed:
            one, other = crossed.detail["positions"]
            position = {one: other, other: one}.get(position, position)
        if missing and position == missing.detail["position"]:
            return self.values.get(channel, 0)
        return position

    def _select(self, control: Control, to: int) -> Json:
        channel, before = name_of(control.channels[0]), dict(self.values)
        here, at_us = self.position[control.name] or 0, self.now_us + 300_000
        changes = []
        while here != to:
            here += 1 if to > here else -1
            at_us += self.chance.randint(60_000, 200_000)
            if (value := self._selected(control, here)) != self.values[channel]:
                self.values[channel] = value
                changes.append((at_us, channel, value))
        self.position[control.name] = to
        self.now_us = at_us
        step = self._hand("put", [control.name], to, [])
        step |= {"before": before, "changes": self._stamped(changes)}
        return step
