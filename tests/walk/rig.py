"""A panel as copper, springs and light: what really happens when a hand moves a part, with faults where wires are.

This is not a part of benchcon and knows nothing of its diagnosis: contacts close wires to ground, wires end at pins,
pins are pulled up and debounced, a matrix is scanned row by row through its diodes, an encoder's two contacts are
decoded from their levels, lamps are lit by whatever current reaches them. Bounce: 1.6 ms on average, 6.2 ms at most
(J. Ganssle, *A Guide to Debouncing*, values from memory).
"""

from __future__ import annotations

import heapq
import random
from dataclasses import dataclass, field
from typing import Any

from benchcon.panel.model import Control, Display, Lamp, Panel

Key = str


@dataclass
class Bad:
    """One fault put into the rig: what a builder would call it, the channels, and what else tells it apart."""

    kind: str
    channels: tuple[Key, ...]
    detail: dict[str, Any] = field(default_factory=dict)
    how: str = ""
    """Which of several physical causes of the same kind."""


def key(channel) -> Key:
    return f"{channel.board}.{channel.id}"


GRAY = (0b00, 0b01, 0b11, 0b10)
"""The four states of an encoder's two contacts in order (any encoder data sheet: 00 01 11 10)."""


class Rig:
    def __init__(self, panel: Panel, bad: list[Bad], rng: random.Random) -> None:
        self.panel, self.rng, self.bad = panel, rng, bad
        self._found: dict[tuple[str, Key | None], list[Bad]] = {}
        self.now = 0
        self.queue: list[tuple[int, int, Key, bool]] = []
        self.order = 0
        self.events: list[tuple[int, str, Key, int]] = []
        self.contacts: dict[Key, bool] = {}
        self.moves: dict[Key, int] = {}
        self.home: dict[Key, tuple[Control, int]] = {}
        self.position: dict[str, int] = {}
        self.matrix: dict[Key, tuple[str, int, int]] = {}
        self.has_diodes = {m.name: m.diodes for m in panel.matrices}
        self.knob: dict[str, Any] = {}
        self.parts = {p.name: p for p in panel.parts}
        self.settled: dict[Key, int] = {}
        for control in panel.controls:
            codes = control.codes
            if control.kind in ("button", "switch"):
                rests = [n for n in range(len(codes)) if n not in control.spring]
                self.position[control.name] = rng.choice(rests)
                if max(max(code) for code in codes) > 1:
                    self.settled[key(control.channels[0])] = 0
                    continue
                for place, channel in enumerate(control.channels):
                    self.home[key(channel)] = (control, place)
                    pin = channel.wire.pin
                    if ".r" in pin:
                        name, _, at = pin.partition(".r")
                        row, _, column = at.partition("c")
                        self.matrix[key(channel)] = (name, int(row), int(column))
            elif control.kind == "encoder":
                self.knob[key(control.channels[0])] = {"phase": 0, "count": rng.choice((0, 0, 65530, 123)), "last": 0}
                self.settled[key(control.channels[0])] = self.knob[key(control.channels[0])]["count"]
            else:
                self.knob[key(control.channels[0])] = {"at": rng.choice((0.0, 0.5, 0.3))}
        for k, (control, place) in self.home.items():
            self.contacts[k] = bool(control.codes[self.position[control.name]][place])
        self.waits = {k: int(control.debounce_ms * 1000) for k, (control, _) in self.home.items()}
        self.raw = self._levels()
        self.edge_at = dict.fromkeys(self.raw, -(10**9))
        self.settled.update({k: int(v) for k, v in self.raw.items()})
        for control in panel.controls:
            if control.kind == "pot":
                self.settled[key(control.channels[0])] = self._pot(control)
            elif control.kind == "switch" and key(control.channels[0]) not in self.raw:
                self.settled[key(control.channels[0])] = self._selector(control)

    # --- faults -----------------------------------------------------------------------------------------------------

    def of(self, kind: str, channel: Key | None = None) -> list[Bad]:
        found = self._found.get((kind, channel))
        if found is None:
            found = [b for b in self.bad if b.kind == kind and (channel is None or channel in b.channels)]
            self._found[kind, channel] = found
        return found

    def arrives(self, k: Key) -> Key:
        """Where the wire of the part at home on `k` ends."""
        for b in self.of("crossed", k):
            k = b.channels[(b.channels.index(k) + 1) % len(b.channels)]
        return k

    # --- contacts ---------------------------------------------------------------------------------------------------

    def _closed(self, k: Key) -> bool:
        """Whether the part's own terminals are connected."""
        closed = self.contacts[k]
        if self.of("inverted", k):
            closed = not closed
        for b in self.of("stuck", k):
            closed = closed or b.how == "welded"
        for b in self.of("open", k):
            closed = closed and b.how != "jammed"
        return closed

    def _levels(self) -> dict[Key, bool]:
        """For each pin whether it is pulled to ground."""
        low: dict[Key, bool] = dict.fromkeys(self.home, False)
        for k in self.home:
            if k not in self.matrix and self._closed(k) and not any(b.how == "wire" for b in self.of("open", k)):
                low[self.arrives(k)] = True
        for b in self.bad:
            if b.kind == "stuck" and b.how == "grounded" and b.channels[0] in low:
                low[b.channels[0]] = True
        for b in self.of("shorted"):
            if any(low[k] for k in b.channels if k not in self.matrix):
                low.update({k: True for k in b.channels if k not in self.matrix})
        for name in {m for m, _, _ in self.matrix.values()}:
            self._scan(name, low)
        return low

    def _scan(self, name: str, low: dict[Key, bool]) -> None:
        """Scan a matrix: one row low at a time; a column is low if current finds a way from it to that row."""
        at = {(r, c): k for k, (m, r, c) in self.matrix.items() if m == name}
        made: dict[tuple[int, int], Key] = {}
        for k, (m, _, _) in self.matrix.items():
            if m != name:
                continue
            closed = self._closed(k) and not any(b.how == "wire" for b in self.of("open", k))
            closed = closed or any(b.how == "grounded" for b in self.of("stuck", k))
            for b in self.of("shorted", k):
                closed = closed or any(self._closed(x) for x in b.channels)
            if closed:
                made[self.matrix[self.arrives(k)][1:]] = k
        for b in self.of("shorted"):
            if b.channels[0] in self.matrix and any(self.matrix[k][1:] in made for k in b.channels):
                for k in b.channels:
                    if self.matrix[k][0] == name:
                        made[self.matrix[k][1:]] = k
        bare = not self.has_diodes.get(name, True) or any(
            b.detail.get("matrix") == name and b.how == "none" for b in self.of("ghost")
        )
        bad_diodes = {
            self.matrix[x][1:] for b in self.of("ghost") if b.detail.get("matrix") == name for x in b.detail["shorted"]
        }
        for row in {r for r, _ in at}:
            reached, todo = {("r", row)}, [("r", row)]
            while todo:
                side, n = todo.pop()
                for r, c in made:
                    # Backwards through a key's diode only if it is missing or shorted.
                    if side == "r" and r == n and ("c", c) not in reached:
                        reached.add(("c", c))
                        todo.append(("c", c))
                    if side == "c" and c == n and ("r", r) not in reached and (bare or (r, c) in bad_diodes):
                        reached.add(("r", r))
                        todo.append(("r", r))
            for (r, c), k in at.items():
                if r == row:
                    low[k] = ("c", c) in reached

    def _schedule(self, at: int, k: Key, closed: bool) -> None:
        self.order += 1
        heapq.heappush(self.queue, (at, self.order, k, closed))

    def _bounce(self, at: int, k: Key, closed: bool) -> None:
        """The contact moves, and bounces as ordinary ones do."""
        self._schedule(at, k, closed)
        lasts = min(6200.0, self.rng.expovariate(1 / 1600))
        times = sorted(self.rng.uniform(0, lasts) for _ in range(2 * self.rng.randrange(0, 4)))
        for n, t in enumerate(times):
            self._schedule(at + 1 + int(t), k, closed == bool(n % 2))
        if self.of("chattering", k):
            self.moves[k] = self.moves.get(k, 0) + 1
            name = f"chatter {self.moves[k]} {k}"
            t, state = at + 3000, not closed
            stop = at + self.rng.randrange(60_000, 200_000)
            while t < stop or state != closed:
                self._schedule(t, name, state)
                t += self.rng.randrange(3_000, 25_000)
                state = not state
                if state == closed and t >= stop:
                    self._schedule(t, name, closed)
                    break

    def put(self, name: str, to: int, at: int) -> int:
        """Move a button or switch to a position, past those between. Returns when it is there."""
        control = self.parts[name]
        path, here = [], self.position[name]
        while here != to:
            here += 1 if to > here else -1
            path.append(here)
        for n, position in enumerate(path):
            before = control.codes[self.position[name]]
            after = control.codes[position]
            self.position[name] = position
            if key(control.channels[0]) not in self.home:
                self.order += 1
                heapq.heappush(self.queue, (at, self.order, f"selector {name}", bool(position)))
            else:
                gap = self.rng.randrange(-3000, 45_000) if len(control.channels) > 1 else 0
                for place, channel in enumerate(control.channels):
                    if before[place] != after[place]:
                        when = at + (max(0, gap) if after[place] else max(0, -gap))
                        self._bounce(when, key(channel), bool(after[place]))
            at += self.rng.randrange(50_000, 120_000) if n + 1 < len(path) else 0
        return at

    def _selector(self, control: Control) -> int:
        k = key(control.channels[0])
        source = next((c for c in self.panel.controls if self.arrives(key(c.channels[0])) == k), control)
        codes = [code[0] for code in source.codes]
        position = self.position[source.name]
        for b in self.of("positions crossed", key(source.channels[0])):
            a, z = b.detail["swap"]
            position = z if position == a else a if position == z else position
        for _ in self.of("reversed", key(source.channels[0])):
            position = len(codes) - 1 - position
        for b in self.of("position missing", key(source.channels[0])):
            if position == b.detail["position"]:
                return self.settled.get(k, 0)
        for b in self.bad:
            if b.kind == "open" and key(source.channels[0]) in b.channels:
                return int(b.detail["value"])
        return codes[position]

    # --- knobs ------------------------------------------------------------------------------------------------------

    def turn(self, name: str, detents: int, at: int) -> int:
        """Turn an encoder click by click."""
        control = self.parts[name]
        own = key(control.channels[0])
        pin = self.arrives(own)
        per = next((b.detail["counts"] for b in self.of("other counts", own)), control.detent_counts)
        step = 1 if detents > 0 else -1
        if control.inverted != bool(self.of("reversed", own)):
            step = -step
        knob = self.knob[pin]
        for _ in range(abs(detents)):
            for _ in range(per):
                knob["phase"] = (knob["phase"] + step) % 4
                levels = GRAY[knob["phase"]]
                at += self.rng.randrange(4_000, 12_000)
                for b in self.of("phase open", own):
                    levels &= 0b01 if b.how == "A" else 0b10
                if self.of("open", own):
                    levels = 0
                if self.of("skipping", own) and self.rng.random() < 0.3:
                    continue  # the contact did not close this time: the board sees this state not at all
                self._decode(knob, pin, levels, at)
            at += self.rng.randrange(20_000, 60_000)
        return at

    def _decode(self, knob: dict[str, int], pin: Key, levels: int, at: int) -> None:
        """What a board makes of two levels: a step of one is a count, a jump of two is invalid."""
        if levels == knob["last"]:
            return
        jump = (GRAY.index(levels) - GRAY.index(knob["last"])) % 4
        knob["last"] = levels
        if self.rng.random() < 2:  # every edge is told on a direct pin
            self.events.append((at, "edge", pin, levels))
        if jump == 2:
            self.events.append((at, "skip", pin, 1))
            return
        knob["count"] = (knob["count"] + (1 if jump == 1 else -1)) & 0xFFFF
        self.events.append((at, "is", pin, knob["count"]))
        self.settled[pin] = knob["count"]

    def _pot(self, control: Control) -> int:
        pin = key(control.channels[0])
        source = next((c for c in self.panel.controls if self.arrives(key(c.channels[0])) == pin), control)
        own = key(source.channels[0])
        if self.of("open", own):
            return control.low_count
        at = self.knob[own]["at"]
        if source.inverted != bool(self.of("reversed", own)):
            at = 1 - at
        for b in self.of("short of range", own):
            at = b.detail["from"] + at * (b.detail["to"] - b.detail["from"])
        noise = self.rng.gauss(0, 0.4)
        for b in self.of("noisy", own):
            noise = self.rng.uniform(-b.detail["by"], b.detail["by"])
        span = control.high_count - control.low_count
        return max(control.low_count, min(control.high_count, round(control.low_count + at * span + noise)))

    def slide(self, name: str, to: float, at: int) -> int:
        """Turn a potentiometer to this share of its travel."""
        own = key(self.parts[name].channels[0])
        lasts = self.rng.randrange(200_000, 600_000)
        self.knob[own]["path"] = (at, self.knob[own]["at"], at + lasts, to)
        return at + lasts

    def _read_pots(self, at: int) -> None:
        for knob in self.knob.values():
            if "path" in knob:
                begin, low, end, high = knob["path"]
                knob["at"] = low + (high - low) * min(1, max(0, (at - begin) / (end - begin)))
        for control in self.panel.controls:
            if control.kind == "pot":
                pin = key(control.channels[0])
                value = self._pot(control)
                if abs(value - self.settled[pin]) > 1:
                    self.settled[pin] = value
                    self.events.append((at, "is", pin, value))
                self.events.append((at, "raw", pin, self._pot(control)))

    # --- time -------------------------------------------------------------------------------------------------------

    def advance(self, to: int) -> list[tuple[int, str, Key, int]]:
        """Let time pass; return what the boards told: (time, how, channel, value)."""
        while self.queue and self.queue[0][0] <= to:
            at, _, k, closed = heapq.heappop(self.queue)
            self._settle(at)
            if k.startswith("selector "):
                for control in self.panel.controls:
                    pin = key(control.channels[0])
                    if control.kind == "switch" and pin not in self.raw:
                        value = self._selector(control)
                        if value != self.settled[pin]:
                            self.settled[pin] = value
                            self.events.append((at, "is", pin, value))
                continue
            if k.startswith("chatter "):
                _, number, k = k.split()
                if int(number) != self.moves[k]:
                    continue  # it has been moved on since
            self.contacts[k] = closed
            for pin, level in self._levels().items():
                if level != self.raw[pin]:
                    self.raw[pin] = level
                    self.edge_at[pin] = at
                    self.events.append((at, "edge", pin, int(level)))
        self._settle(to)
        while self.now + 50_000 <= to:
            self.now += 50_000
            self._read_pots(self.now)
        self.now = max(self.now, to - to % 50_000)
        out = sorted((e for e in self.events if e[0] <= to), key=lambda e: e[0])
        self.events = [e for e in self.events if e[0] > to]
        return out

    def _settle(self, now: int) -> None:
        """A pin that was still for its debounce time is told."""
        for pin, level in self.raw.items():
            if level != self.settled[pin] and self.edge_at[pin] + self.waits[pin] <= now:
                self.settled[pin] = int(level)
                self.events.append((self.edge_at[pin] + self.waits[pin], "is", pin, int(level)))

    # --- light ------------------------------------------------------------------------------------------------------

    def lamps(self, driven: dict[str, int]) -> dict[str, tuple[str, str, bool]]:
        """What burns when these lamps' channels are driven: lamp → (level, colour, flickering)."""
        pins = {key(self.parts[n].channel) for n, level in driven.items() if level}
        for b in self.of("lit together"):
            if pins & set(b.channels):
                pins |= set(b.channels)
        out = {}
        for lamp in self.panel.lamps:
            own = key(lamp.channel)
            # The wire at pin x goes to the lamp that is next in the ring.
            fed = any(self.arrives(pin) == own for pin in pins) or bool(self.of("always on", own))
            if not fed or self.of("dead", own):
                continue
            colour = next((b.detail["colour"] for b in self.of("wrong colour", own)), lamp.colour)
            out[lamp.name] = ("dim" if self.of("dim", own) else "full", colour, bool(self.of("flickering", own)))
        return out

    def displays(self, driven: dict[str, bytes]) -> dict[str, bytes]:
        """What the displays show: a multiplexed display is segment wires, place wires, and a light where both meet."""
        out = {}
        for d in self.panel.displays:
            own = key(d.channel)
            source = next((x for x in self.panel.displays if self.arrives(key(x.channel)) == own), d)
            told = driven.get(source.name, b"")[: d.digits].ljust(d.digits, b"\0")
            shown = self._display(d, own, told)
            if any(shown):
                out[d.name] = shown
        return out

    def _display(self, d: Display, own: Key, told: bytes) -> bytes:
        wire = list(range(8))
        for b in self.of("segments swapped", own):
            if not b.detail["digits"]:
                bits = ["GFEDCBAP".index(s) for s in b.detail["segments"]]
                for n, bit in enumerate(bits):
                    wire[bits[(n + 1) % len(bits)]] = bit
        order = list(range(d.digits))
        for b in self.of("digits swapped", own):
            order = [n - 1 for n in b.detail["order"]]
        lights = []
        for place in range(d.digits):
            byte = told[order[place]]
            lit = {bit for bit in range(8) if byte >> wire[bit] & 1}
            for b in self.bad:
                if own not in b.channels or (b.detail.get("digits") and place + 1 not in b.detail["digits"]):
                    continue
                bits = ["GFEDCBAP".index(s) for s in b.detail.get("segments", "")] or list(range(8))
                if b.kind == "segments swapped" and b.detail["digits"]:
                    a, z = bits
                    lit = {z if x == a else a if x == z else x for x in lit}
                elif b.kind == "segments together" and lit & set(bits):
                    lit |= set(bits)
                elif b.kind in ("segment dead", "digit dead", "dead"):
                    lit -= set(bits)
                elif b.kind in ("segment stuck", "always on"):
                    lit |= set(bits)
            lights.append(sum(1 << bit for bit in lit))
        return bytes(lights)


def lamp_names(panel: Panel) -> dict[Key, Lamp]:
    return {key(lamp.channel): lamp for lamp in panel.lamps}
