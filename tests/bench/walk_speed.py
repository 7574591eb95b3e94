"""How much time the walk itself adds to a step: python tests/bench/walk_speed.py [ROUNDS]

On the simulated desks, over pseudo-terminals. From the moment at which the change is on the wire (the record's stamp)
to the next prompt being shown, for buttons and switches, moved by a hand that needs a quarter of a second to react;
beside it, in the same run, how long a bare subscriber takes to see the same change. Reach: less than 50 ms added.
Then, on the walk's own clock, a panel of 64 channels with a hand that takes 2 s an action. Reach: under six minutes.
"""

from __future__ import annotations

import os
import random
import statistics
import sys
import tempfile
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from walk.desks import Desks, Scripted
from walk.person import Person
from walk.random_panels import random_panel

from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.runner import Runner
from benchcon.wire import events as ev

PARTS = ("approach", "taxiway", "lamp_test", "pressure_unit", "mains", "battery", "intensity")


def on_desks(rounds: int) -> tuple[list[float], list[float]]:
    """Return what the walk added and what a bare subscriber took, ms."""
    desks = Desks()
    added: list[float] = []
    bare: list[float] = []
    stamp = [0]

    def listen(events: list[ev.Event]) -> None:
        now = desks.session.now_us()
        for event in events:
            if isinstance(event, ev.Moved):
                bare.append((now - event.at_us) / 1000)
                stamp[0] = event.at_us

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "look" and scene.steady:
            stamp[0] = 0
            return FaceAnswer("same", scene.number)
        if scene.state == "ask" and scene.step is not None:
            if stamp[0]:
                added.append((desks.session.now_us() - stamp[0]) / 1000)
            control = scene.step.parts[0]
            board = face.layout.controls[control].channels[0].board
            threading.Timer(0.25, desks.hands[board].put, (control, scene.step.to)).start()
        return None

    desks.session.subscribe(listen)
    for _ in range(rounds):
        stamp[0] = 0
        face = Scripted(act)
        Runner(desks.session, Walk(desks.panel, PARTS, rest_us=50_000), face).run()
    desks.close()
    return added, bare


def on_paper() -> tuple[int, int, float, float]:
    """Return channels, actions, minutes in all and the most that a step added, ms, for a panel of 64 channels."""
    for seed in range(1000):
        panel = random_panel(random.Random(seed))
        channels = sum(len(c.channels) for c in panel.controls) + len(panel.lamps) + len(panel.displays)
        if channels == 64:
            person = Person(panel, [], random.Random(seed), clumsy=0, action_us=2_000_000)
            start = person.now
            person.go()
            return channels, person.actions, (person.now - start) / 60e6, max(person.added_us) / 1000
    raise AssertionError("no panel of 64 channels")


def main() -> int:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    with tempfile.TemporaryDirectory() as home:
        os.environ["BENCHCON_HOME"] = os.environ["BENCHCON_LOCKS"] = home
        added, bare = on_desks(rounds)
    added.sort()
    bare.sort()
    p95 = added[int(len(added) * 0.95)]
    print(f"bare subscriber: median {statistics.median(bare):.2f} ms, p95 {bare[int(len(bare) * 0.95)]:.2f} ms")
    print(
        f"the walk adds:   median {statistics.median(added):.1f} ms, p95 {p95:.1f} ms, most {added[-1]:.1f} ms a step"
    )
    channels, actions, minutes, _ = on_paper()
    print(f"{channels} channels, {actions} actions of 2 s: {minutes:.1f} minutes")
    return 0 if p95 < 50 and minutes < 6 else 1


if __name__ == "__main__":
    sys.exit(main())
