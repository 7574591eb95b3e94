"""A whole walk against simulated boards in virtual time: real lines, the link's own conversations, the program's hand.

What lies between is made again: no ports, no threads. The hand is `SimulatedHandFace`'s own, which works the boards
through their hand's words; `ClumsyHand` is one that brushes, nudges, presses twice and counts wrongly, as people do.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Mapping, Sequence
from typing import Any, cast

from benchcon.diagnosis.evidence import Change
from benchcon.errors import Trouble
from benchcon.panel.lightness import sent_permille
from benchcon.panel.model import Panel
from benchcon.rehearse.virtual import VirtualBench
from benchcon.rig.control import obey
from benchcon.rig.faults import Fault
from benchcon.rig.hand import Hand
from benchcon.session import Session
from benchcon.state import BenchState
from benchcon.walk.channel_changes import PanelBoards
from benchcon.walk.interfaces import Scene, SimulatedHandFace
from benchcon.walk.machine import Walk
from benchcon.walk.plan import Step
from benchcon.wire import events as ev


class _Hand(Hand):
    """The hand of one board, in virtual time."""

    def __init__(self, run: VirtualWalk, board: str) -> None:
        super().__init__("unix:/nowhere")
        self.run, self.board = run, board

    def ask(self, *words: str, allow_s: float = 0.0) -> list[str]:
        answers: list[str] = []
        bench = self.run.bench
        obey(bench.boards[self.board], " ".join(words).encode(), bench.now_us(), answers.append)
        bench._cable_of[self.board].touched()
        while not answers:
            self.run.advance()
        verdict, *rest = answers[0].split() or [""]
        if verdict != "ok":
            raise Trouble(answers[0])
        return rest


class _Wait:
    def __init__(self, run: VirtualWalk) -> None:
        self.run = run

    def wait(self, seconds: float) -> None:
        self.run.pass_time(int(seconds * 1e6))


class VirtualWalk:
    """One walk over `panel` with `faults` in its boards; `walk.evidence` is what came of it."""

    def __init__(
        self,
        panel: Panel,
        faults: Mapping[str, Sequence[Fault]],
        seed: int = 0,
        face: type[SimulatedHandFace] = SimulatedHandFace,
        stands: Mapping[str, int] | None = None,
    ) -> None:
        self.panel = panel
        self.state = BenchState(panel.text, panel.digest)
        self.lock = threading.RLock()
        self.events: list[ev.Event] = []
        self.walk = Walk(panel)
        self.panel_boards = PanelBoards(cast("Session", self), panel)
        self.bench = VirtualBench(panel, self.state.observer, self._take, seed=seed, faults=faults)
        self.chance = random.Random(seed)
        self.face = face({board.name: _Hand(self, board.name) for board in panel.boards})
        self.face._ended = cast(Any, _Wait(self))
        self.stands = dict(stands or {})
        self.raw: set[str] = set()

    def _take(self, batches: list[Any], happened: list[list[ev.Event]]) -> None:
        for batch, events in zip(batches, happened, strict=True):
            self.state.take(batch, events)
            self.events += events

    def advance(self, until_us: int | None = None) -> None:
        """Let the next thing happen, but none later than `until_us`."""
        bench = self.bench
        bench.settle()
        due = bench.next_us()
        if due is None or (until_us is not None and due > until_us):
            assert until_us is not None
            due = until_us
        bench.go_to(max(due, bench.now_us()))
        bench.settle()
        self._hear()

    def pass_time(self, by_us: int) -> None:
        """Let so much time pass."""
        until = self.bench.now_us() + by_us
        while self.bench.now_us() < until:
            self.advance(until)

    def _hear(self) -> None:
        walk = self.walk
        events, self.events = self.events, []
        for event in events:
            for change, how in self.panel_boards.changes(event):
                self._one(change, how)
        while (due := walk.due_us()) is not None and due <= self.bench.now_us():
            walk.tick(due)

    def _one(self, change: Change, how: str) -> None:
        walk = self.walk
        while (due := walk.due_us()) is not None and due <= change.at_us:
            walk.tick(due)
        walk.heard(change, change.at_us, how)

    def run(self) -> Walk:
        """Walk to the end."""
        self.bench.open()
        self.panel_boards.meet()
        for name, at in self.stands.items():
            control = next(c for c in self.panel.controls if c.name == name)
            self.face.hands[control.channels[0].board].put(name, at)
        self.pass_time(500_000)
        self.events.clear()
        walk = self.walk
        walk.start(self.panel_boards.values(), self.bench.now_us())
        shown = -1
        for _ in range(100_000):
            if walk.state == "over":
                return walk
            if walk.wants_number != shown:
                shown = walk.wants_number
                self._light()
            if walk.state == "ask":
                number = walk.step_number
                self._set_raw()
                if lit := self.face._watch(walk.layout):
                    walk.lit(lit)
                walk.acting()
                assert walk.step is not None
                self.face._act(walk.layout, walk.step)
                if walk.step_number == number:
                    walk.said(self.bench.now_us())
                while walk.step_number == number and walk.state != "over":
                    self.advance(walk.due_us())
            elif walk.state == "light":
                walk.ready(walk.wants_number)
            elif walk.state == "look":
                self._look()
            else:
                self._set_raw()
                self.advance(walk.due_us())
        raise AssertionError("the walk does not end")

    def _set_raw(self) -> None:
        wanted = set(self.walk.raw_wanted())
        for key in self.raw ^ wanted:
            board, _, id_ = key.partition(".")
            self.bench.talks[board].ask(("raw", f"{id_}={int(key in wanted)}"), lambda outcome: None)
        if self.raw != wanted:
            self.raw = wanted
            self.pass_time(30_000)

    def _light(self) -> None:
        walk = self.walk
        values: dict[str, dict[str, int | bytes]] = {}
        for lamp in walk.layout.lamps.values():
            level = sent_permille(lamp, walk.wants.lamps.get(lamp.name, 0))
            values.setdefault(lamp.channel.board, {})[lamp.channel.id] = level
        for display in walk.layout.displays.values():
            picture = walk.wants.displays.get(display.name, b"").ljust(display.digits, b"\0")
            values.setdefault(display.channel.board, {})[display.channel.id] = picture
        came: list[object] = []
        for board, wanted in values.items():
            numbers = {i: v if isinstance(v, int) else int.from_bytes(v, "big") for i, v in wanted.items()}
            self.bench.talks[board].want(numbers, came.append)
        while len(came) < len(values):
            self.advance()
        self.pass_time(20_000)

    def _look(self) -> None:
        walk = self.walk
        walk.steady()
        walk.ready(walk.wants_number)
        scene = Scene(walk.prompt(), walk.state, walk.step_number, walk.step, walk.wants, dict(walk.values), True)
        answer = self.face._look(walk.layout, scene)
        if answer.word == "same":
            walk.looked(self.bench.now_us())
        else:
            walk.looked_otherwise(self.bench.now_us(), answer.lamps, answer.displays, answer.level, answer.flickering)


class ClumsyHand(SimulatedHandFace):
    """A hand that does what people's hands do now and then: habits from watching people, no source."""

    rng = random.Random(0)
    often = 0.06
    """How likely each slip is in a step."""

    def _act(self, layout: Any, step: Step) -> None:
        run = cast(Any, self._ended).run
        rng = self.rng
        run.pass_time(rng.randint(120_000, 900_000))
        if run.walk.step is not step:
            return  # the walk has gone on meanwhile, and asks for something else
        control = layout.controls[step.parts[0]]
        others = [c for c in layout.controls.values() if c.name not in step.parts and c.wired]
        if rng.random() < self.often and others:
            self._slip(layout, rng.choice(others), run)
        if rng.random() < self.often and control.kind == "button" and step.to and len(step.parts) == 1:
            # Pressed not quite, let go, and pressed again.
            super()._act(layout, step)
            run.pass_time(rng.randint(60_000, 160_000))
            super()._act(layout, Step("put", step.parts, 0))
            run.pass_time(rng.randint(90_000, 300_000))
            if run.walk.step is not step:  # the walk has gone on: what was begun is ended all the same
                super()._act(layout, step)
                run.pass_time(rng.randint(60_000, 200_000))
                super()._act(layout, Step("put", step.parts, 0))
                return
        if rng.random() < self.often and step.do == "turn":
            super()._act(layout, Step("turn", step.parts, step.to + rng.choice((-1, 1))))
        elif len(step.parts) > 1:
            for name in step.parts:
                super()._act(layout, Step(step.do, (name,), step.to))
                run.pass_time(rng.randint(10_000, 120_000))
        else:
            super()._act(layout, step)
        run.pass_time(rng.randint(20_000, 300_000))

    def _slip(self, layout: Any, other: Any, run: Any) -> None:
        """Another control is brushed, nudged, or taken for the one that was meant and put back."""
        rng = self.rng
        hand = self._hand(other.channels[0].board)
        if other.kind == "encoder":
            hand.turn(other.channels[0].id, rng.choice((-1, 1)))
        elif other.kind == "pot":
            return
        elif other.kind == "button":
            hand.press(other.channels[0].id)
            run.pass_time(rng.randint(30_000, 400_000))
            hand.release(other.channels[0].id)
        else:
            spring = other.spring
            here = hand.where()[other.name]
            to = rng.choice([n for n in range(len(other.codes)) if n != here and n not in spring] or [here])
            hand.put(other.name, to)
            run.pass_time(rng.randint(200_000, 900_000))
            if rng.random() < 0.7:
                hand.put(other.name, here)
        run.pass_time(rng.randint(100_000, 500_000))


class HesitantHand(ClumsyHand):
    """One that passes a detent to and fro before it leaves a switch of several positions where it was asked to: at most
    some ten times a second (fast finger tapping; common practice, no source)."""

    def _act(self, layout: Any, step: Step) -> None:
        run = cast(Any, self._ended).run
        rng = self.rng
        control = layout.controls[step.parts[0]]
        count, spring = len(control.codes), control.spring
        near = [n for n in (step.to - 1, step.to + 1) if 0 <= n < count and n not in spring]
        if step.do != "put" or count < 3 or rng.random() > 0.4:
            super()._act(layout, step)
            return
        run.pass_time(rng.randint(120_000, 500_000))
        number, hand = run.walk.step_number, self._hand(control.channels[0].board)
        for _ in range(rng.randint(1, 3)):
            hand.put(control.name, step.to)
            run.pass_time(rng.randint(35_000, 140_000))
            if run.walk.step_number != number:
                break
            hand.put(control.name, rng.choice(near))
            run.pass_time(rng.randint(35_000, 140_000))
        hand.put(control.name, step.to)
        run.pass_time(rng.randint(20_000, 300_000))
