"""The serial line between a board and a port, with its faults, which may change, drop and delay bytes.

Pure: random numbers are seeded, time is an argument, and delayed bytes wait in the board's timeline.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from benchcon.rig.faults import Fault
from benchcon.rig.loom import of_kind
from benchcon.rig.timeline import Action, Timeline
from benchcon.wire.codec import RATE


class Way:
    """One direction of the line."""

    def __init__(
        self, direction: str, timeline: Timeline, chance: random.Random, deliver: Callable[[int, bytes], None]
    ) -> None:
        """Make a direction, ``up`` (to the port) or ``down``; `deliver` is called with the moment and the bytes."""
        self.direction = direction
        self.timeline = timeline
        self.chance = chance
        self.deliver = deliver
        self.faults: Sequence[Fault] = ()
        self.port_rate: int | None = None
        """Rate at which the port was opened, in baud; None: not known, and taken as the usual one."""
        self._losing = False
        self._at_start = True
        self._held = bytearray()
        self._hold_ends: list[Action] = []
        self._last_us = 0
        self._late = 0
        self._cut = 0

    def send(self, at_us: int, data: bytes) -> None:
        """Send bytes at `at_us`."""
        mine = [f for f in self.faults if f.settings.get("way", "both") in ("both", self.direction)]
        if not mine and not self._held and not self._late:
            self.deliver(at_us, data)
            return
        for fault in of_kind(mine, "lose_line"):
            data = self._lose_lines(data, fault.settings["share"] / 1000)
        for fault in of_kind(mine, "lose"):
            data = bytes(byte for byte in data if not self._hit(fault))
        for fault in of_kind(mine, "double"):
            data = b"".join(bytes((byte,) * (2 if self._hit(fault) else 1)) for byte in data)
        for fault in of_kind(mine, "flip"):
            data = bytes(byte ^ (1 << self.chance.randrange(8)) if self._hit(fault) else byte for byte in data)
        for fault in of_kind(mine, "wrong_baud"):
            port, board = self.port_rate or RATE, fault.settings["rate"]
            data = misread(data, board, port) if self.direction == "up" else misread(data, port, board)
        if data:
            self._hold(at_us, data, mine)

    def _hit(self, fault: Fault) -> bool:
        return bool(self.chance.random() < fault.settings["share"] / 1000)

    def _lose_lines(self, data: bytes, share: float) -> bytes:
        kept = bytearray()
        for line in data.splitlines(keepends=True):
            if self._at_start:
                self._losing = self.chance.random() < share
            self._at_start = line[-1:] in b"\r\n"
            kept += b"" if self._losing else line
        return bytes(kept)

    def _hold(self, at_us: int, data: bytes, mine: Sequence[Fault]) -> None:
        holds = of_kind(mine, "hold") if self.direction == "up" else []
        if not holds and not self._held:
            self._delay(at_us, data, mine)
            return
        self._held += data
        most = holds[0].settings["bytes"] if holds else 1
        while len(self._held) >= most:
            self._delay(at_us, bytes(self._held[:most]), mine)
            del self._held[:most]
        if not self._held:
            self._hold_ends.clear()
        elif not self._hold_ends and holds:
            self._hold_ends = self.timeline.at(at_us + holds[0].settings["up_to"], self._let_go)

    def _let_go(self, at_us: int) -> None:
        data = bytes(self._held)
        self._held.clear()
        self._delay(at_us, data, self.faults)

    def _delay(self, at_us: int, data: bytes, mine: Sequence[Fault]) -> None:
        due_us = at_us
        for fault in of_kind(mine, "delay"):
            if fault.settings.get("way", "both") in ("both", self.direction):
                due_us += fault.settings["by"] + int(self.chance.random() * fault.settings["jitter"])
        if due_us <= at_us and not self._late:
            self.deliver(at_us, data)
            return
        # Delayed bytes never overtake others.
        self._last_us = due_us = max(due_us, self._last_us)
        self._late += 1

        def arrive(when_us: int, cut: int = self._cut) -> None:
            if cut == self._cut:
                self._late -= 1
                self.deliver(when_us, data)

        self.timeline.at(due_us, arrive)

    def cut(self) -> None:
        """Lose all bytes that are under way, since the port is gone."""
        self._held.clear()
        self._hold_ends.clear()
        self._cut += 1
        self._late = 0


def misread(data: bytes, sent_at: int, read_at: int) -> bytes:
    """Return what a UART that reads at `read_at` baud receives of bytes sent at `sent_at`: 8 bits, no parity, one stop.

    A start bit is a falling edge, and each bit is sampled in its middle. If the stop bit is low, the byte becomes 0 (a
    framing error, as a terminal driver passes it on), and the next start bit is looked for once the line is high.
    """
    if sent_at == read_at:
        return data
    bits = [bit for byte in data for bit in (0, *((byte >> place) & 1 for place in range(8)), 1)]
    length = len(bits)

    def level(at: float) -> int:
        place = int(at)
        return bits[place] if 0 <= place < length else 1

    ratio = sent_at / read_at
    out = bytearray()
    at = 0.0
    while at < length:
        if level(at):
            # Idle or stop bit: go on to the beginning of the next bit.
            at = int(at) + 1.0
            continue
        byte = sum(level(at + (1.5 + place) * ratio) << place for place in range(8))
        stop = level(at + 9.5 * ratio)
        out.append(byte if stop else 0)
        at += 9.5 * ratio
        while at < length and not level(at):
            at = int(at) + 1.0
    return bytes(out)
