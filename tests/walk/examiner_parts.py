"""The rest of the honest walk: encoders, potentiometers, lamps, displays, and the order in which it all is asked.

Potentiometers are sampled every 50 ms and told when the middle of three readings has moved by 4. The patterns shown on
displays are those a walk was seen to show, cut to the display's length.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from walk.examiner_walk import GRAY, STEADY, Contacts, Fault, Habits, Json, is_selector, name_of

from benchcon.panel.model import Control, Display, Panel

PATTERNS = ("47A3D1E8743A", "198C462391C8", "2A158A45A251", "B45A2D964BA5")


class Walk(Contacts):
    """One walk over `panel` with `faults`; `record` gives its evidence."""

    def __init__(self, panel: Panel, faults: Sequence[Fault], seed: int, habits: Habits = STEADY) -> None:
        super().__init__(panel, faults, seed, habits)
        self.knobs = {name_of(c.channels[0]): c for c in panel.controls if c.kind in ("encoder", "pot")}
        self.began_at = dict(self.values)
        for channel in self.travel:
            self.values[self._arrives(channel)] = self._reading(channel, still=True)

    # --- encoders ------------------------------------------------------------------------------------------

    def _levels(self, channel: str) -> int:
        level = GRAY[self.turned[channel] % 4]
        a, b = level >> 1, level & 1
        if self._fault("open", channel):
            a = b = 1
        if bool(self._fault("reversed", channel)) != self.knobs[channel].inverted:
            a, b = b, a
        dead = self._fault("phase open", channel)
        if dead:
            a, b = (1, b) if dead.detail["phase"] == "A" else (a, 1)
        return a * 2 + b

    def turn(self, control: Control, to: int, watched: bool) -> Json:
        """Turn click by click, decode by the Gray table as a board does; edges only where they were asked for."""
        channel, dice = name_of(control.channels[0]), self.chance
        pin, before, at_us = self._arrives(channel), dict(self.values), self.now_us + 300_000
        clicks = to + (dice.choice((-1, 1)) if dice.random() < self.habits.miscounts else 0)
        clicks = 0 if dice.random() < self.habits.forgets else clicks
        other, skips = self._fault("other counts", channel), self._fault("skipping", channel)
        detent = other.detail["counts"] if other else control.detent_counts
        bad = set(dice.sample(range(abs(clicks)), min(abs(clicks), dice.randint(3, 6)))) if skips else set()
        way, count, jumps = (1 if to > 0 else -1), self.values[pin], 0
        was, changes, edges = self._levels(channel), [], []
        for click in range(abs(clicks)):
            missed = dice.randrange(max(1, detent - 1)) if click in bad and skips else -1
            for quarter in range(detent):
                at_us += dice.randint(2_000, 9_000)
                self.turned[channel] += way
                now = self._levels(channel)
                if skips and missed >= 0 and skips.detail["how"] == "pulse":
                    now |= 1  # contact B did not close this time
                elif quarter == missed:
                    continue  # too short for the board's scan
                if now == was:
                    continue
                step, was = (GRAY.index(now) - GRAY.index(was)) % 4, now
                edges.append((at_us, pin, now))
                if step == 2:
                    jumps += 1
                    continue
                count = (count + (1 if step == 1 else -1)) % 65_536
                changes.append((at_us, pin, count))
            at_us += dice.randint(90_000, 250_000)
        self.values[pin], self.now_us = count, at_us
        step_ = self._hand("turn", [control.name], to, [])
        step_ |= {"before": before, "changes": self._stamped(changes)}
        step_ |= {"edges": self._stamped(edges)} if watched and edges else {}
        step_ |= {"invalid": {pin: jumps}} if jumps else {}
        got = (self.values[channel] - before[channel] + 32_768) % 65_536 - 32_768
        wanted = to * control.detent_counts * (-1 if control.inverted else 1)
        return self._outcome(step_, abs(got - wanted) <= max(1, control.detent_counts // 2))

    # --- potentiometers ------------------------------------------------------------------------------------

    def _reading(self, channel: str, still: bool = False) -> int:
        control, share = self.knobs[channel], 0.01 + 0.98 * self.travel[channel]
        if control.inverted != bool(self._fault("reversed", channel)):
            share = 1 - share
        if short := self._fault("short of range", channel):
            share = short.detail["low"] + share * (short.detail["high"] - short.detail["low"])
        counts = control.low_count + share * (control.high_count - control.low_count)
        noisy, dead = self._fault("noisy", channel), self._fault("open", channel)
        if self._floats(channel):
            counts = 300 if still else self.chance.gauss(300, 110)
        elif dead:
            counts = dead.detail["reads"]
        elif noisy and not still:
            counts += self.chance.uniform(-1, 1) * noisy.detail["by"]
        return min(1_023, max(0, round(counts + (0 if still else self.chance.gauss(0, 0.7)))))

    def _floats(self, channel: str) -> bool:
        """An input with nothing on it: a broken wiper wire, or a part that is not wired yet."""
        dead = self._fault("open", channel)
        return not self.knobs[channel].wired or (dead is not None and dead.detail["reads"] == "anything")

    def sweep(self, control: Control, do: str, to: int) -> Json:
        """To one end (`end`), or two seconds left alone (`still`); what is restless is told all the while."""
        own, before, began_us = name_of(control.channels[0]), dict(self.values), self.now_us + 200_000
        start, there_us = self.travel[own], began_us + self.chance.randint(150_000, 900_000)
        restless = [channel for channel in self.travel if self._fault("noisy", channel) or self._floats(channel)]
        recent: dict[str, list[int]] = {channel: [] for channel in dict.fromkeys([own, *restless])}
        changes, readings = [], []
        for at_us in range(began_us, began_us + 2_200_000, 50_000):
            if do == "end":
                self.travel[own] = start + (to - start) * min(1.0, (at_us - began_us) / (there_us - began_us))
            for channel, last in recent.items():
                pin = self._arrives(channel)
                last.append(self._reading(channel))
                middle = sorted(last[-3:])[len(last[-3:]) // 2]
                if abs(middle - self.values[pin]) >= 4 or (middle in (0, 1_023) and middle != self.values[pin]):
                    self.values[pin] = middle
                    changes.append((at_us, pin, middle))
                if channel == own:
                    readings.append((at_us, own, last[-1] if pin == own else self.values[own]))
        self.now_us = began_us + 2_200_000
        step = self._hand(do, [control.name], to, [])
        step |= {"before": before, "changes": self._stamped(changes), "readings": self._stamped(readings)}
        wanted = control.high_count if (to == 1) != control.inverted else control.low_count
        near = abs(self.values[own] - wanted) <= 0.04 * abs(control.high_count - control.low_count)
        return self._outcome(step, near or do == "still")

    # --- lamps and displays --------------------------------------------------------------------------------

    def _lit(self, driven: Mapping[str, int]) -> dict[str, Json]:
        """How each lamp that is lit looks, for levels by channel; a crossing lights the next one of the ring."""
        lamps = {name_of(lamp.channel): lamp for lamp in self.panel.lamps}
        power = {self._arrives(channel): driven.get(channel, 0) for channel in lamps}
        for fault in self.faults:
            if fault.kind == "lit together":
                power |= dict.fromkeys(fault.channels, max(power[channel] for channel in fault.channels))
        out = {}
        for channel, lamp in lamps.items():
            on = bool(power[channel]) != bool(self._fault("inverted", channel))
            on = (on or bool(self._fault("always on", channel))) and not self._fault("dead", channel)
            if on and lamp.wired:
                look: Json = {"level": "dim"} if self._fault("dim", channel) else {}
                if other := self._fault("wrong colour", channel):
                    look["colour"] = other.detail["colour"]
                out[lamp.name] = look | ({"flickering": True} if self._fault("flickering", channel) else {})
        return out

    def _shown(self, display: Display, driven: Mapping[str, bytes]) -> bytes:
        channel = name_of(display.channel)
        show = list(driven.get(display.name, bytes(display.digits)))
        mine = [fault for fault in self.faults if channel in fault.channels]
        for fault in mine:
            bits = fault.detail.get("bits", (0, 0))
            both = bits[0] | bits[1]
            if fault.kind == "segments swapped":
                show = [v ^ both if bool(v & bits[0]) != bool(v & bits[1]) else v for v in show]
            elif fault.kind == "segments together":
                show = [v | both if v & both else v for v in show]
            elif fault.kind == "digits swapped":
                show = [show[place - 1] for place in fault.detail["order"]]
        for fault in mine:
            for place in range(display.digits):
                if fault.detail.get("digit", 0) not in (0, place + 1):
                    continue
                if fault.kind == "segment dead":
                    show[place] &= ~fault.detail["bit"]
                elif fault.kind == "segment stuck":
                    show[place] |= fault.detail["bit"]
                elif fault.kind in ("digit dead", "dead"):
                    show[place] = 0
        return bytes(show if display.wired else bytes(display.digits))

    def _burning(self, driven: Mapping[str, bytes], but: str = "") -> dict[str, str]:
        shown = {d.name: self._shown(d, driven) for d in self.panel.displays if d.name != but}
        return {name: show.hex().upper() for name, show in shown.items() if any(show)}

    def look(self, levels: Mapping[str, int]) -> None:
        channels = {lamp.name: name_of(lamp.channel) for lamp in self.panel.lamps}
        seen, displays = self._lit({channels[name]: level for name, level in levels.items()}), self._burning({})
        if levels and not self.lists_what_burns:
            dark = self._lit({})
            seen, displays = {n: look for n, look in seen.items() if n not in dark or n in levels}, {}
        same = seen == {name: {} for name in levels} and not displays
        answer: Json = {"answer": "same"} if same else {"answer": "otherwise", "seen": seen}
        answer |= {"displays": displays} if displays else {}
        self.evidence.append({"what": "lamps", "set": dict(levels)} | answer)

    def show(self, display: Display, pattern: bytes) -> None:
        channel, own = name_of(display.channel), self._shown(display, {display.name: pattern})
        others = self._burning({display.name: pattern}, but=display.name) if self.lists_what_burns else {}
        marks: dict[str, Any] = {"level": "dim"} if any(own) and self._fault("dim", channel) else {}
        marks |= {"flickering": True} if any(own) and self._fault("flickering", channel) else {}
        answer: Json = {"answer": "same"}
        if own != pattern or others or marks:
            answer = {"answer": "otherwise", "seen": own.hex().upper() if any(own) else ""} | marks
            answer |= {"displays": others} if others else {}
        self.evidence.append({"what": "display", "part": display.name, "set": pattern.hex().upper()} | answer)

    # --- the walk ------------------------------------------------------------------------------------------

    def _ask(self, control: Control, again: bool) -> list[Json]:
        if control.kind == "encoder":
            return [self.turn(control, 10, again), self.turn(control, -10, again)]
        if control.kind == "pot":
            far = int(self.travel[name_of(control.channels[0])] < 0.5)
            return [
                self.sweep(control, "end", far),
                self.sweep(control, "end", 1 - far),
                self.sweep(control, "still", 0),
            ]
        here = self.position[control.name] or 0
        return [self.put(control, to) for to in [*(p for p in range(len(control.positions)) if p != here), here]]

    def _hold_three(self) -> None:
        """Three corners of the first rectangle of keys, held and let go, twice."""
        wired = {place: ch for place, ch in self.crossings.items() if self.controls[self.contacts[ch][0]].wired}
        for row, column in sorted(wired):
            for r, c in sorted(wired):
                if r > row and c > column and {(row, c), (r, column)} <= wired.keys():
                    held = [self.contacts[wired[place]][0] for place in ((row, column), (row, c), (r, c))]
                    own = [name_of(self.controls[name].channels[0]) for name in held]
                    for to in (1, 0, 1, 0):
                        step = self._hand(
                            "put", held, to, [(self.chance.randint(0, 150_000), name, to) for name in held]
                        )
                        self._outcome(step, all(self.values[channel] == to for channel in own))
                    return

    def record(self) -> list[Json]:
        """The evidence: dark, one lamp, hands off, all controls board by board, keys held, lamps, displays.

        A control that did not do as asked is asked once more.
        """
        lamps = [lamp for lamp in self.panel.lamps if lamp.wired]
        self.look({})
        for lamp in lamps[:1]:
            self.look({lamp.name: 1000})
        self._outcome(self._hand("rest", [], 0, []), True)
        for control in sorted(self.panel.controls, key=lambda control: control.channels[0].board):
            if control.wired:
                steps = self._ask(control, False)
                if any(s["outcome"] != "seen" for s in steps) or self.chance.random() < self.habits.asks_again:
                    self._ask(control, True)
        self._hold_three()
        for lamp in lamps[1:]:
            self.look({lamp.name: 1000})
        for display in self.panel.displays:
            for pattern in PATTERNS if display.wired else ():
                self.show(display, bytes.fromhex(pattern)[: display.digits])
        return self.evidence


__all__ = ["PATTERNS", "Walk", "is_selector"]
