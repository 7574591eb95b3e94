"""The parts of one board and the hand that moves them: what every contact, shaft and wiper does, and when.

Pure: time is an argument, and random numbers are seeded. Everything that happens is reported to a `Pins` (the board's
input side) at its exact microsecond, after the faults of `loom`.
"""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from typing import Protocol

from benchcon.rig import copper, loom
from benchcon.rig.faults import Fault
from benchcon.rig.timeline import Action, Timeline
from benchcon.rig.wiring import Mover, Wiring
from benchcon.text import near

TRAVEL_US = 30_000
"""Time from one position of a rotary switch to the next."""
GAP_US = 8_000
"""How long none of a switch's contacts is made, since it breaks before it makes."""
COUNT_US = 4_000
"""Time from one count of an encoder to the next."""
SWEEP_US = 80_000
"""Time in which a potentiometer is turned, however far."""
MOST_DETENTS = 1000


class Pins(Protocol):
    """Called with what happens at the pins."""

    def contact(self, at_us: int, id_: str, made: bool) -> None:
        """Note that a contact reads made, or open, from now on."""

    def levels(self, at_us: int, id_: str, levels: int) -> None:
        """Note the levels of an encoder's two pins, A·2+B."""

    def position(self, at_us: int, id_: str, position: int) -> None:
        """Note that a selector is at this position."""

    def wiper(self, at_us: int, id_: str) -> None:
        """Note that a potentiometer may read differently from now on, and has to be sampled."""


class Physics:
    """All parts of one board."""

    def __init__(self, wiring: Wiring, timeline: Timeline, pins: Pins, chance: random.Random) -> None:
        self.wiring = wiring
        self.timeline = timeline
        self.pins = pins
        self.chance = chance
        self.faults: Sequence[Fault] = ()
        self.positions = {mover.name: 0 for mover in wiring.movers.values() if mover.codes}
        self.turned = dict.fromkeys(wiring.tops, 0.0)
        self.made: dict[str, bool] = {}
        self.selected: dict[str, int] = {}
        """For each selector's channel the position that its knob is in, as the channel counts them."""
        self.phases = {id_: loom.REST for id_, kind in wiring.kinds.items() if kind == "encoder"}
        self.detents = dict.fromkeys(self.phases, 0)
        self.turned_right = dict.fromkeys(self.phases, 0)
        self.broken: set[str] = set()
        self.hum: set[str] = set()
        """Inputs that interference pulls low at this moment: mains hum, or a neighbouring wire."""
        self._turning_until: dict[str, int] = {}
        self.moves = 0
        """How many moves of a hand have come to rest."""
        self.on_rest: list[Action] = []
        """Called whenever something has come to rest."""
        self._reads: dict[str, bool] = {}
        self._levels: dict[str, int] = dict(self.phases)
        self._at: dict[str, int] = {}
        self._going: dict[str, list[list[Action]]] = {}
        self._bouncing: dict[str, list[list[Action]]] = {}
        self._shaft_free_us = dict.fromkeys(self.phases, 0)
        self._counts_to_turn = dict.fromkeys(self.phases, 0)
        for mover in wiring.movers.values():
            for id_ in mover.channels:
                if wiring.kinds[id_] == "contact":
                    self.made[id_] = bool(mover.codes and mover.codes[0][mover.channels.index(id_)])
                elif wiring.kinds[id_] == "selector":
                    self.selected[id_] = mover.codes[0][0]
                elif wiring.kinds[id_] == "pot" and mover.inverted:
                    self.turned[id_] = 1.0
        self._reads = loom.contacts(self.made, wiring, (), ())
        self._at = dict(self.selected)

    # --- what a hand does -------------------------------------------------------------------------------

    def put(self, word: str, position: int, now_us: int) -> int:
        """Move the part `word` (its name or a channel) to `position`; return the moment at which it will be there.

        Raises ValueError if that is not possible; so do the other methods that move something.
        """
        mover = self._mover(word)
        if mover.kind == "pot":
            return self._turn_pot(mover, self._fraction(mover, position), now_us)
        if not mover.codes:
            raise ValueError(f"{mover.name} is an encoder: turn it")
        if not 0 <= position < len(mover.codes):
            raise ValueError(f"{mover.name} has positions 0 to {len(mover.codes) - 1}, not {position}")
        for due in self._going.pop(mover.name, []):
            due.clear()
        here = self.positions[mover.name]
        step = 1 if position > here else -1
        going = self._going[mover.name] = []
        at_us = now_us
        if here == position:
            # It is there already: a move that was interrupted on the way ends here.
            going += self._step(mover, here, at_us)
        for place in range(here + step, position + step, step) if here != position else ():
            going += self._step(mover, place, at_us)
            at_us += TRAVEL_US if place != position else 0
        return self._rest(at_us + (GAP_US if len(mover.channels) > 1 else 0))

    def position(self, word: str, text: str) -> int:
        """Return the number of a position; `text` is that number, or the position's word in the panel file."""
        mover = self._mover(word)
        if re.fullmatch("[+-]?[0-9]{1,11}", text):
            return int(text)
        if text in mover.words:
            return mover.words.index(text)
        if mover.words:
            raise ValueError(f"{mover.name} has no position '{text[:40]}'; its positions: {', '.join(mover.words)}")
        share = " or a share such as 50%" if mover.kind == "pot" else ""
        raise ValueError(f"'{text[:40]}' is not a whole number{share}")

    def percent(self, word: str, percent: float, now_us: int) -> int:
        """Turn the potentiometer `word` to this percentage of its travel, 0 left, 100 right; returns as `put`."""
        mover = self._mover(word)
        if mover.kind != "pot":
            raise ValueError(f"{mover.name} is not a potentiometer")
        if not 0 <= percent <= 100:
            raise ValueError("a potentiometer turns from 0% to 100%")
        return self._turn_pot(mover, percent / 100, now_us)

    def hold(self, word: str, pressed: bool, now_us: int) -> int:
        """Press or release a button, or move a switch so that its contact `word` is made, or open; returns as `put`."""
        mover = self._mover(word)
        if not mover.codes:
            raise ValueError(f"{mover.name} is neither a button nor a switch")
        if mover.kind == "button" or (word == mover.name and len(mover.codes) == 2):
            return self.put(mover.name, int(pressed), now_us)
        if word == mover.name:
            raise ValueError(f"{mover.name} has {len(mover.codes)} positions; say which: put {mover.name} POSITION")
        index = mover.channels.index(word)
        here = self.positions[mover.name]
        fitting = [place for place, code in enumerate(mover.codes) if bool(code[index]) == pressed]
        if not fitting or self.wiring.kinds[word] == "selector":
            raise ValueError(f"no position of {mover.name} has {word} {'made' if pressed else 'open'}")
        return self.put(mover.name, min(fitting, key=lambda place: abs(place - here)), now_us)

    def turn(self, word: str, detents: int, now_us: int) -> int:
        """Turn the encoder `word`, to the right if above 0; returns as `put`."""
        mover = self._mover(word)
        if mover.kind != "encoder":
            raise ValueError(f"{mover.name} is not an encoder: 'put' moves it")
        if abs(detents) > MOST_DETENTS:
            raise ValueError(f"at most {MOST_DETENTS} detents at a time")
        id_ = mover.channels[0]
        self.turned_right[id_] += detents
        on = (detents > 0) != mover.inverted
        counts = mover.detent_counts
        for fault in loom.of_kind(self.faults, "other_counts", id_):
            counts = fault.settings["detent"]
        every = min((fault.settings["every"] for fault in loom.of_kind(self.faults, "skipping", id_)), default=0)
        at_us = max(now_us, self._shaft_free_us[id_])
        for _ in range(abs(detents)):
            self.detents[id_] += 1
            missed = bool(every) and self.detents[id_] % every == 0
            for count in range(counts):
                at_us += COUNT_US
                self._counts_to_turn[id_] += 1 if on else -1
                # Dirt under one contact: a count is missed, and with the next one both levels change at once.
                if not (missed and count == 0):
                    self.timeline.at(at_us, self._shaft(id_, self._counts_to_turn[id_]))
                    self._counts_to_turn[id_] = 0
        self._shaft_free_us[id_] = at_us
        return self._rest(at_us)

    # --- what is asked ----------------------------------------------------------------------------------

    def reads(self, id_: str) -> int:
        """Return what the contact, selector or encoder `id_` reads at its pins now (encoder: A·2+B)."""
        kind = self.wiring.kinds[id_]
        if kind == "contact":
            return int(self._reads.get(id_, False))
        return self._levels[id_] if kind == "encoder" else self._position(id_)

    def where(self) -> dict[str, int]:
        """Return name of a part → position, reading of a healthy potentiometer, or detents turned to the right."""
        found = dict(self.positions)
        for mover in self.wiring.movers.values():
            id_ = mover.channels[0]
            if mover.kind == "pot":
                turned = 1 - self.turned[id_] if mover.inverted else self.turned[id_]
                found[mover.name] = round(mover.low_count + turned * (mover.high_count - mover.low_count))
            elif mover.kind == "encoder":
                found[mover.name] = self.turned_right[id_]
        return found

    def sample(self, id_: str, raw: bool = False) -> float:
        """Return one reading of the potentiometer `id_`, in counts, with noise; `raw`: also the converter's."""
        top = self.wiring.tops[id_]
        counts = loom.pot_counts(id_, self.turned, self.wiring, self.faults)
        if id_ in self.broken:
            return 0.0
        if counts is None:
            # A wiper that is not connected picks up interference.
            return self.chance.triangular(0, top * 0.6, top * 0.3)
        for fault in loom.of_kind(self.faults, "scratchy", id_):
            if self.timeline.now_us <= self._turning_until.get(id_, -1):
                counts += self.chance.uniform(-fault.settings["by"], fault.settings["by"])
        for fault in loom.of_kind(self.faults, "noisy", id_):
            counts += self.chance.uniform(-fault.settings["by"], fault.settings["by"])
        if raw:
            counts += self.chance.choice((-1, 0, 0, 1))
        return min(max(counts, 0.0), float(top))

    def restless(self, id_: str) -> bool:
        """Return whether a potentiometer reads differently each time, though nobody turns it."""
        mine = [fault for fault in self.faults if id_ in fault.channels]
        hangs = loom.pot_counts(id_, self.turned, self.wiring, self.faults) is None
        return hangs or bool(loom.of_kind(mine, "noisy"))

    # --- what follows -----------------------------------------------------------------------------------

    def look(self, at_us: int) -> None:
        """Work out all pins again after a part has moved or a fault has come or gone, and report changes."""
        reads = loom.contacts(self.made, self.wiring, self.faults, self.broken, self.hum)
        for id_, made in reads.items():
            if self._reads.get(id_) != made:
                self._reads[id_] = made
                self.pins.contact(at_us, id_, made)
        off: set[str] = self.broken | self.wiring.loose_ends
        if self.phases and self.faults:
            off = off | copper.cut_off(self.wiring, self.faults) | copper.stopped(self.wiring, self.faults)
        for id_ in self.phases:
            levels = loom.encoder_levels(id_, self.phases, self.faults, id_ in off, id_ in self.hum)
            if self._levels[id_] != levels:
                self._levels[id_] = levels
                self.pins.levels(at_us, id_, levels)
        for id_ in self.selected:
            position = self._position(id_)
            if self._at[id_] != position:
                self._at[id_] = position
                self.pins.position(at_us, id_, position)

    def wipers(self, at_us: int) -> None:
        """Have all potentiometers sampled, since a fault has come or gone."""
        for id_ in self.turned:
            self.pins.wiper(at_us, id_)

    def part(self, id_: str, made: bool, at_us: int) -> None:
        """Move the contact of a part, with its bounce."""
        for due in self._bouncing.pop(id_, []):
            due.clear()
        if made and any(
            not self.chance.randrange(f.settings["one_in"]) for f in loom.of_kind(self.faults, "misses", id_)
        ):
            return
        if self.made[id_] == made:
            return
        self.made[id_] = made
        self._couple(id_, at_us)
        self.look(at_us)
        gaps = self._bounce(id_, made)
        bouncing = self._bouncing[id_] = []
        state, when_us = made, at_us
        for gap in gaps:
            state, when_us = not state, when_us + gap
            bouncing.append(self.timeline.at(when_us, self._set(id_, state)))

    def _couple(self, id_: str, at_us: int) -> None:
        """Pull inputs that are coupled to this wire low for a moment."""
        for fault in loom.of_kind(self.faults, "crosstalk"):
            other, source = fault.channels
            if source == id_:
                self.hum.add(other)

                def over(when_us: int, other: str = other) -> None:
                    self.hum.discard(other)
                    self.look(when_us)

                self.timeline.at(at_us + fault.settings["lasting"], over)

    def _set(self, id_: str, made: bool) -> Action:
        def action(at_us: int) -> None:
            self.made[id_] = made
            self.look(at_us)

        return action

    def _bounce(self, id_: str, made: bool) -> Sequence[int]:
        for fault in loom.of_kind(self.faults, "chattering", id_):
            if fault.settings["on"] in ("both", "make" if made else "break"):
                if fault.settings["edges"]:
                    return list(fault.settings["edges"])
                return self._ordinary(fault.settings["lasting"])
        return ()

    def _ordinary(self, lasting_us: int) -> list[int]:
        """Return times between edges of a bounce.

        Mean 1.6 ms, nearly all under 6.2 ms: J. Ganssle, A Guide to Debouncing (values from memory).
        """
        left = lasting_us or min(int(self.chance.expovariate(1 / 1600)), 6200)
        gaps: list[int] = []
        while left > 20 and len(gaps) < 2000:
            gap = min(max(int(self.chance.expovariate(1 / max(lasting_us / 40, 120))), 10), left)
            gaps.append(gap)
            left -= gap
        return gaps if len(gaps) % 2 == 0 else [*gaps, 60]

    def _step(self, mover: Mover, place: int, at_us: int) -> list[list[Action]]:
        """Plan one step of a switch, which breaks before it makes."""

        def leave(when_us: int) -> None:
            before, code = mover.codes[self.positions[mover.name]], mover.codes[place]
            self.positions[mover.name] = place
            if self.wiring.kinds[mover.channels[0]] == "selector":
                self.selected[mover.channels[0]] = code[0]
                self.look(when_us)
                return
            breaks = [id_ for id_, was, is_ in zip(mover.channels, before, code, strict=True) if was and not is_]
            for id_ in breaks:
                self.part(id_, False, when_us)
            makes = [id_ for id_, is_ in zip(mover.channels, code, strict=True) if is_]
            if breaks:
                self._going[mover.name].append(self.timeline.at(when_us + GAP_US, lambda t: arrive(t, makes)))
            else:
                arrive(when_us, makes)

        def arrive(when_us: int, makes: list[str]) -> None:
            for id_ in makes:
                self.part(id_, True, when_us)

        return [self.timeline.at(at_us, leave)]

    def _shaft(self, id_: str, counts: int) -> Action:
        def action(at_us: int) -> None:
            for _ in range(abs(counts)):
                self.phases[id_] = (loom.RIGHT if counts > 0 else loom.LEFT)[self.phases[id_]]
            self.look(at_us)

        return action

    def _turn_pot(self, mover: Mover, fraction: float, now_us: int) -> int:
        id_ = mover.channels[0]
        for due in self._going.pop(mover.name, []):
            due.clear()
        begin = self.turned[id_]
        going = self._going[mover.name] = []
        steps = 8 if abs(fraction - begin) > 0.004 else 1
        self._turning_until[id_] = now_us + SWEEP_US * steps // 8
        for step in range(1, steps + 1):

            def action(at_us: int, to: float = begin + (fraction - begin) * step / steps) -> None:
                self.turned[id_] = to
                self.wipers(at_us)

            going.append(self.timeline.at(now_us + SWEEP_US * step // 8, action))
        return self._rest(now_us + SWEEP_US * steps // 8)

    def _rest(self, rest_us: int) -> int:
        """Note that something comes to rest at `rest_us`, and return that."""

        def action(at_us: int) -> None:
            self.moves += 1
            for each in tuple(self.on_rest):
                each(at_us)

        self.timeline.at(rest_us, action)
        return rest_us

    def _fraction(self, mover: Mover, counts: int) -> float:
        """Return how far, 0 to 1, a healthy potentiometer is turned to the right when it reads `counts`."""
        low, high = mover.low_count, mover.high_count
        if not min(low, high) <= counts <= max(low, high):
            raise ValueError(f"{mover.name} reads from {low} to {high}, not {counts}")
        turned = (counts - low) / (high - low) if high != low else 0.0
        return 1 - turned if mover.inverted else turned

    def _position(self, id_: str) -> int:
        came = loom.come_from(self.selected, self.faults)
        position = self.selected[came[id_]]
        mine = [fault for fault in self.faults if id_ in fault.channels]
        mover = self.wiring.mover_of(id_)
        if loom.of_kind(mine, "reversed") and mover is not None:
            position = max(code[0] for code in mover.codes) - position
        if loom.of_kind(mine, "open") or id_ in self.wiring.loose_ends:
            position = 0
        for fault in loom.of_kind(mine, "stuck"):
            position = min(int(fault.settings["value"]), 15)
        return position

    def _mover(self, word: str) -> Mover:
        mover = self.wiring.mover_of(word)
        if mover is None:
            if word in self.wiring.kinds:
                raise ValueError(f"{word} is a {self.wiring.kinds[word]}: no hand moves it")
            hint = near(word, [*self.wiring.movers, *self.wiring.kinds], "'") or "; the word 'parts' lists them"
            raise ValueError(f"there is no part '{word[:40]}' on this board{hint}")
        return mover
