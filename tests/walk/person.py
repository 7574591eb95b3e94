"""A simulated person: follows the walk's prompts on a rig, sometimes slowly, sometimes brushing a neighbour."""

from __future__ import annotations

import random

from walk.rig import Bad, Rig

from benchcon.diagnosis.evidence import Change, Evidence, Seen
from benchcon.panel.model import Panel
from benchcon.walk.machine import Walk


class Person:
    def __init__(
        self, panel: Panel, bad: list[Bad], rng: random.Random, clumsy: float = 0.04, action_us: int = 0
    ) -> None:
        self.rng, self.panel, self.clumsy, self.action_us = rng, panel, clumsy, action_us
        self.rig = Rig(panel, bad, rng)
        self.walk = Walk(panel)
        self.now = 1_000_000
        self.heard_us = 0
        self.actions = 0
        self.added_us: list[int] = []
        self.lit_when_dark: set[str] = set()

    def go(self) -> list[Evidence]:
        """Do the whole walk; return the evidence."""
        rig, walk = self.rig, self.walk
        rig.advance(self.now)
        walk.start(rig.settled, self.now)
        for _ in range(100_000):
            if walk.state == "over":
                return walk.evidence
            if walk.state == "wait":
                self.until(walk.due_us())
            elif walk.state == "light":
                walk.ready(walk.wants_number)
            elif walk.state == "look":
                self.until(self.now + (self.action_us or self.rng.randrange(500_000, 2_000_000)))
                self.look()
            else:
                self.act()
        raise AssertionError("the walk does not end")

    def until(self, to: int, step: int | None = None) -> None:
        """Let time pass; stop early where the walk has gone on to another step than `step`."""
        walk = self.walk
        at = self.now
        while at < to and (step is None or walk.step_number == step):
            at = min(to, at + 10_000)
            for when, how, channel, value in self.rig.advance(at):
                while (due := walk.due_us()) is not None and due <= when:
                    walk.tick(due)
                self.heard_us = max(self.heard_us, when + self.rng.randrange(0, 16_000))
                walk.heard(Change(self.heard_us, channel, value, when), when, how)
            while (due := walk.due_us()) is not None and due <= at:
                walk.tick(due)
        self.now = max(self.now, at)

    def act(self) -> None:
        walk, rng = self.walk, self.rng
        number, step = walk.step_number, walk.step
        self.actions += 1
        slow = not self.action_us and rng.random() < 0.05
        wait = self.action_us or (rng.randrange(3_000_000, 9_000_000) if slow else rng.randrange(300_000, 1_500_000))
        self.until(self.now + wait, number)
        if walk.step_number != number or walk.state != "ask":
            return
        begin = self.now
        if rng.random() < self.clumsy:
            self.brush(step.parts)
        at = self.now
        if step.do == "put":
            for n, name in enumerate(step.parts):
                at = self.rig.put(name, step.to, at + n * rng.randrange(20_000, 200_000))
        elif step.do == "turn":
            wrong = rng.choice((-1, 1)) if rng.random() < self.clumsy else 0
            at = self.rig.turn(step.parts[0], step.to + wrong, at)
        elif step.do == "end":
            short = rng.uniform(0, 0.012)
            at = self.rig.slide(step.parts[0], 1 - short if step.to else short, at)
        self.until(at, number)
        done = self.now
        # Having done it, a person waits a little for the walk to go on, and says so if it does not.
        self.until(self.now + 3_000_000, number)
        if walk.step_number == number:
            walk.said(self.now)
            self.until(self.now + 400_000, number)
        elif done > begin:
            self.added_us.append(self.now - done)

    def brush(self, parts: tuple[str, ...]) -> None:
        """Touch a neighbour: a button goes down for a moment, a switch may be moved and stay so."""
        order = [c for c in self.panel.controls if c.kind in ("button", "switch")]
        here = [n for n, c in enumerate(order) if c.name in parts]
        near = [order[m] for n in here for m in (n - 1, n + 1) if 0 <= m < len(order) and order[m].name not in parts]
        if not near:
            return
        control, rng = rng_choice(self.rng, near), self.rng
        at = self.now + rng.randrange(0, 150_000)
        if control.kind == "button":
            self.rig.put(control.name, 1, at)
            self.rig.put(control.name, 0, at + rng.randrange(40_000, 300_000))
        elif rng.random() < 0.3 and not control.spring:
            to = self.rig.position[control.name] + rng.choice((-1, 1))
            if 0 <= to < len(control.codes):
                self.rig.put(control.name, to, at)

    def look(self) -> None:
        walk = self.walk
        lit = self.rig.lamps(walk.wants.lamps)
        shown = self.rig.displays(walk.wants.displays)
        expected = {n: ("full", self.rig.parts[n].colour, False) for n, level in walk.wants.lamps.items() if level}
        pictures = {n: p for n, p in walk.wants.displays.items() if any(p)}
        self.actions += 1
        own_lamps = {n: how for n, how in lit.items() if n in expected or n not in self.lit_when_dark}
        if walk.step.do == "dark":
            self.lit_when_dark = set(lit)
        if own_lamps == expected and shown == pictures and (walk.step.do != "dark" or not lit):
            walk.looked(self.now)
            return
        seen = {}
        for name, (level, colour, flickering) in lit.items():
            fitted = self.rig.parts[name].colour
            seen[name] = Seen(level, "" if colour == fitted else colour, flickering)
        walk.looked_otherwise(self.now, seen, shown)


def rng_choice(rng: random.Random, items: list):
    return items[rng.randrange(len(items))]
