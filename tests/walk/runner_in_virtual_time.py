"""The real `Runner`, its real inbox and outputs, on simulated boards in virtual time, with a person at the screen.

A walk that hangs is found at once: virtual time runs on, and the walk is not over when it must be. The person knows
nothing but what was shown: who is shown nothing does nothing.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Any, cast

from benchcon.diagnosis.evidence import Seen
from benchcon.panel.lightness import sent_permille
from benchcon.panel.model import Panel
from benchcon.rehearse.virtual import VirtualBench
from benchcon.session import Session
from benchcon.state import BenchState
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.runner import Runner
from benchcon.wire import events as ev

REACTS_US = 700_000
"""So soon a person does what a new scene asks (common practice, no source)."""


class _Link:
    """As much of `benchcon.link.Bench` as a walk asks for."""

    def __init__(self, run: VirtualRunner) -> None:
        self.run, self.bench = run, run.bench

    def note(self, kind: str, text: str) -> None:
        pass

    def beat(self, who: str, *, last: bool = False) -> None:
        pass

    def _talk(self, source: int) -> Any:
        return next(talk for talk in self.bench.talks.values() if talk.source == source)

    def set_many(self, source: int, values: Mapping[str, int | bytes]) -> Future[Any]:
        came: Future[Any] = Future()
        numbers = {i: v if isinstance(v, int) else int.from_bytes(v, "big") for i, v in values.items()}
        self._talk(source).want(numbers, came.set_result)
        return came

    def blink(self, source: int, channel: str, on: bool) -> None:
        lamps = {(lamp.channel.board, lamp.channel.id): lamp for lamp in self.run.panel.lamps}
        name = next(name for name, talk in self.bench.talks.items() if talk.source == source)
        lamp = lamps[name, channel]
        self._talk(source).blink(channel, on, sent_permille(lamp, lamp.on_permille))

    def raw(self, source: int, channel: str, on: bool) -> Future[Any]:
        came: Future[Any] = Future()
        self._talk(source).ask(("raw", f"{channel}={int(on)}"), came.set_result)
        return came

    def light(self) -> None:
        for talk in self.bench.talks.values():
            talk.ask(("light",), lambda outcome: None)

    def dark(self) -> None:
        for talk in self.bench.talks.values():
            talk.dark(lambda outcome: None)


class _Inbox:
    """The runner's inbox: who waits for it lets time pass."""

    def __init__(self, run: VirtualRunner) -> None:
        self.run = run
        self.items: list[Any] = []
        self.hurried: list[int] = []

    def put(self, item: Any) -> None:
        self.items.append(item)

    def get(self, timeout: float) -> Any:
        bench, until = self.run.bench, self.run.bench.now_us() + int(timeout * 1e6) + 1
        self._is_idle(bench.now_us())
        bench.settle()
        while not self.items and bench.now_us() < until:
            due = bench.next_us()
            bench.go_to(max(bench.now_us(), until if due is None else min(due, until)))
            bench.settle()
            self.run.look_at_the_clock()
        if not self.items:
            raise queue.Empty
        return self.items.pop(0)

    def _is_idle(self, now_us: int) -> None:
        """A loop that turns and turns while nothing comes has something due that it does not do."""
        self.hurried = [*self.hurried, now_us][-200:] if not self.items else []
        if len(self.hurried) == 200 and now_us - self.hurried[0] < 10_000:
            raise AssertionError(f"the walk turns in circles in {self.run.walk.state}, held by {self.run.runner._held}")


class VirtualRunner:
    """A walk over `panel`, run to its end by a `Person`; `run` raises `AssertionError` if it does not end."""

    def __init__(
        self,
        panel: Panel,
        only: tuple[str, ...] = (),
        *,
        most_s: float = 600.0,
        person: type[Person] | None = None,
        blink_s: float = 0.0,
        seed: int = 0,
    ) -> None:
        self.panel, self.most_us, self.seed = panel, int(most_s * 1e6), seed
        self.state = BenchState(panel.text, panel.digest)
        self.lock = threading.RLock()
        self.listeners: list[Callable[[list[ev.Event]], None]] = []
        self.bench: Any = VirtualBench(panel, self.state.observer, self._take, seed=seed)
        self.bench.open()
        self.pass_time(500_000)
        self.walk = Walk(panel, only, rest_us=300_000, still_us=300_000)
        self.link = _Link(self)
        self.began_us = self.bench.now_us()
        self.person = (person or Person)(self)
        session = cast(Session, _Session(self))
        self.runner = Runner(session, self.walk, self.person, blink_s=blink_s)
        self.runner._inbox = cast(Any, _Inbox(self))

    def _take(self, batches: list[Any], happened: list[list[ev.Event]]) -> None:
        for batch, events in zip(batches, happened, strict=True):
            self.state.take(batch, events)
            if events:
                for listener in tuple(self.listeners):
                    listener(list(events))

    def pass_time(self, by_us: int) -> None:
        """Let time pass before the walk."""
        until = self.bench.now_us() + by_us
        while self.bench.now_us() < until:
            due = self.bench.next_us()
            self.bench.go_to(max(self.bench.now_us(), until if due is None else min(due, until)))
            self.bench.settle()

    def look_at_the_clock(self) -> None:
        """Raise `AssertionError` if the walk should have been over long ago."""
        if self.bench.now_us() - self.began_us > self.most_us:
            walk, scene = self.walk, self.person.scene
            at = walk.group.name if walk.group else "nothing"
            raise AssertionError(
                f"the walk hangs in {walk.state} of {at}, held by {self.runner._held}; shown last: {scene}"
            )

    def run(self) -> Walk:
        """Walk."""
        assert self.runner.run()
        return self.walk

    def at(self, in_us: int, do: Callable[[], None]) -> None:
        """Have `do` happen then."""
        self.bench.loop.call_at((self.bench.now_us() + in_us) / 1e6, do)

    def hand(self, board: str, words: str) -> None:
        """Have a hand do something to a board."""
        self.bench.hand(board, words)


class _Session:
    def __init__(self, run: VirtualRunner) -> None:
        self.run, self.bench, self.state, self.lock, self.panel = run, run.link, run.state, run.lock, run.panel

    def now_us(self) -> int:
        return cast(int, self.run.bench.now_us())

    def subscribe(self, listener: Callable[[list[ev.Event]], None]) -> Callable[[], None]:
        self.run.listeners.append(listener)
        return lambda: self.run.listeners.remove(listener)


class Person:
    """Does what is shown, once, a moment after it was shown; and what the walk waits for, as it says."""

    simulated = False

    def __init__(self, run: VirtualRunner) -> None:
        self.run = run
        self.scene: Scene | None = None
        self.scenes: list[Scene] = []
        self.warnings: list[str] = []
        self.layout: Any = None

    def begin(self, layout: Any, post: Callable[[FaceAnswer], None]) -> None:
        self.layout, self.post = layout, post

    def show(self, scene: Scene) -> None:
        self.scene = scene
        self.scenes.append(scene)
        self.run.at(REACTS_US, lambda: self._react(scene))

    def sound(self, word: str) -> None:
        pass

    def warn(self, text: str) -> None:
        self.warnings.append(text)

    def end(self) -> None:
        pass

    def _react(self, scene: Scene) -> None:
        if scene is not self.scene:
            return  # something newer is shown
        if scene.trouble:
            self.help(scene)
        elif scene.late:
            self.post(FaceAnswer("skip", scene.number))
        elif scene.state == "ask":
            self.act(scene)
        elif scene.state == "look" and scene.steady:
            self.post(self.look(scene))

    def help(self, scene: Scene) -> None:
        """Do what the walk says that it waits for."""
        if "is dark" in scene.trouble or "are dark" in scene.trouble:
            self.post(FaceAnswer("again"))
        if "no supply" in scene.trouble:
            for board in self.run.bench.boards if not self.run.panel.supplies else ():
                self.run.hand(board, "supply 5000")
            if self.run.panel.supplies:
                self.run.hand("one", "put master 1")
        if "silent" in scene.trouble or "gone" in scene.trouble:
            for board in self.run.bench.boards:
                self.run.hand(board, "clear")

    def act(self, scene: Scene) -> None:
        """Do what is asked of the hand."""
        step = scene.step
        assert step is not None
        for name in step.parts:
            control = self.layout.controls[name]
            channel = control.channels[0]
            words = f"put {name} {step.to}"
            if step.do == "turn":
                words = f"turn {channel.id} {step.to}"
            elif step.do == "end":
                words = f"put {channel.id} {100 if step.to else 0}%"
            elif control.kind == "button":
                words = f"{'press' if step.to else 'release'} {channel.id}"
            self.run.hand(channel.board, words)
        self.run.at(2_000_000, lambda: self.post(FaceAnswer("done", scene.number)))

    def look(self, scene: Scene) -> FaceAnswer:
        """Say what is lit."""
        boards = self.run.bench.boards
        lamps = {lamp.name for lamp in self.run.panel.lamps if boards[lamp.channel.board].lamps.lit[lamp.channel.id]}
        shown = {
            display.name: bytes(boards[display.channel.board].lamps.shown[display.channel.id])
            for display in self.run.panel.displays
        }
        shown = {name: picture for name, picture in shown.items() if any(picture)}
        wanted = {name for name, level in scene.wants.lamps.items() if level}
        pictures = {name: picture for name, picture in scene.wants.displays.items() if any(picture)}
        if scene.step is not None and scene.step.do == "no_supply":
            wanted, pictures = set(), {}
        if (lamps, shown) == (wanted, pictures):
            return FaceAnswer("same", scene.number)
        return FaceAnswer("otherwise", scene.number, dict.fromkeys(lamps, Seen()), shown)
