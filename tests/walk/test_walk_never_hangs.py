"""Whatever befalls the boards, and whenever, the walk comes to its end with a person who does what is shown."""

from __future__ import annotations

import random
from collections.abc import Callable
from queue import SimpleQueue

import pytest
from few import few_of
from walk.runner_in_virtual_time import Person, VirtualRunner

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Change
from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.file import loads
from benchcon.walk.interfaces import FaceAnswer, Scene, SimulatedHandFace
from benchcon.walk.machine import Walk
from benchcon.walk.plan import Step
from benchcon.walk.prompts import prompt_for
from benchcon.walk.runner import ASKS
from benchcon.walk.wants import Wants

DESKS = """\
[panel]
title = "Two desks"
[boards.one]
[boards.two]
[controls.push]
kind = "button"
channel = "one.s1"
[controls.lever]
kind = "switch"
channel = "one.s2"
[controls.master]
kind = "switch"
begins = "on"
channel = "one.s3"
[controls.knob]
kind = "encoder"
channel = "two.e1"
[lamps.red]
channel = "one.l1"
[lamps.green]
channel = "two.l1"
[displays.depth]
digits = 2
channel = "two.d1"
"""
SUPPLY = """\
[supplies.mains]
feeds = ["two"]
on_when = [{ master = "on" }]
"""
desks, fed = loads(DESKS), loads(DESKS + SUPPLY)


@pytest.mark.parametrize("text", [DESKS, DESKS + SUPPLY])
@pytest.mark.parametrize("blink_s", [0.0, 2.0])
def test_a_healthy_bench(text: str, blink_s: float) -> None:
    run = VirtualRunner(loads(text), blink_s=blink_s, most_s=90)
    walk = run.run()
    assert diagnose(walk.panel, walk.evidence) == []
    assert {done.how for done in walk.done.values()} == {"done"}
    assert not any(scene.late or scene.trouble for scene in run.person.scenes)


# --- one heartbeat that says "no supply", at each place where it can come ---------------------------------------------


class Late(Person):
    """Has the supply of board `two` go at a moment of its own, and sees to it when told; the rest is `Person`'s."""

    when: Callable[[Late, Scene], bool]

    def __init__(self, run: VirtualRunner) -> None:
        super().__init__(run)
        self.gone = 0

    def off(self) -> None:
        self.gone += 1
        self.run.hand("two", "supply 0")


def test_the_supply_goes_before_the_look() -> None:
    class Before(Late):
        def show(self, scene: Scene) -> None:
            super().show(scene)
            if scene.state == "light" and scene.wants.lamps and not self.gone:
                self.off()

    _comes_through(VirtualRunner(desks, ("green",), person=Before, most_s=60))


@pytest.mark.parametrize("after_us", [0, 50_000, 400_000, 900_000, 1_000_000, 1_100_000, 1_900_000])
@pytest.mark.parametrize("answer", ["same", "otherwise"])
def test_the_supply_goes_as_the_eye_answers_and_the_board_says_so_later(answer: str, after_us: int) -> None:
    """Within a second, that is: before the next look, in the middle of it, or when the walk is over but for that."""

    class At(Late):
        def look(self, scene: Scene) -> FaceAnswer:
            if scene.wants.lamps and not self.gone:
                self.off()
                if answer == "same":  # it was lit when it was looked at
                    return FaceAnswer("same", scene.number)
            return super().look(scene)

    run = VirtualRunner(desks, ("green",), person=At, most_s=60)
    run.pass_time(after_us)
    run.began_us = run.bench.now_us()
    _comes_through(run, looked_at=answer == "otherwise")


@pytest.mark.parametrize("times", [1, ASKS - 1, ASKS, ASKS + 1, 2 * ASKS])
def test_the_supply_goes_again_and_again(times: int) -> None:
    """It is a person's doing: however often it goes, the lamp is asked for again."""

    class Often(Late):
        def look(self, scene: Scene) -> FaceAnswer:
            if scene.wants.lamps and self.gone < times:
                self.off()
            return super().look(scene)

    run = VirtualRunner(desks, ("green",), person=Often, most_s=120)
    run.run()
    assert {done.how for done in run.walk.done.values()} == {"done"}
    if times < ASKS:
        assert diagnose(desks, run.walk.evidence) == []


@pytest.mark.parametrize("times", [1, ASKS, 2 * ASKS])
@pytest.mark.parametrize("words", ["reset", "reset brownout", "fault garbage rate=500Hz for=300ms"])
def test_the_board_falls_in_each_look_and_is_given_up_after_so_many(words: str, times: int) -> None:
    class Falls(Late):
        def show(self, scene: Scene) -> None:
            super().show(scene)
            if scene.state == "look" and scene.wants.lamps and self.gone < times:
                self.gone += 1
                self.run.hand("two", words)

    run = VirtualRunner(desks, ("green",), person=Falls, most_s=120)
    run.run()
    assert run.walk.done["green"].how == ("skipped" if times > ASKS and "reset" in words else "done")
    assert diagnose(desks, run.walk.evidence) == []


@pytest.mark.parametrize("after_us", [0, 300_000, 800_000, 1_075_000, 1_080_000, 1_085_000, 1_089_000, 1_095_000])
def test_a_switch_that_takes_the_supply_away_is_to_be_put_back(after_us: int) -> None:
    """Whether its own board says first that it was moved, or the fed one that it has no supply."""

    class Switches(Late):
        def look(self, scene: Scene) -> FaceAnswer:
            if scene.wants.lamps and not self.gone:
                self.gone += 1
                self.run.hand("one", "put master 0")
                return FaceAnswer("otherwise", scene.number)  # it has gone out
            return super().look(scene)

    run = VirtualRunner(fed, ("green",), person=Switches, most_s=60)
    run.pass_time(after_us)
    run.began_us = run.bench.now_us()
    _comes_through(run)
    assert "put “Master” back" in [scene.trouble for scene in run.person.scenes if scene.trouble][-1]


def test_the_supply_goes_when_the_walk_is_over_and_the_last_answer_was_yes() -> None:
    """What was lit was lit: that the supply goes afterwards is nothing to ask again for."""

    class After(Late):
        def show(self, scene: Scene) -> None:
            super().show(scene)
            if scene.state == "over" and not self.gone:
                self.off()

    run = VirtualRunner(desks, ("green",), person=After, most_s=60)
    run.run()
    assert diagnose(desks, run.walk.evidence) == []


def _comes_through(run: VirtualRunner, looked_at: bool = True) -> None:
    run.run()
    person = run.person
    assert isinstance(person, Late)
    assert person.gone == 1
    assert any("no supply" in scene.trouble for scene in person.scenes) or not looked_at
    assert {done.how for done in run.walk.done.values()} == {"done"}
    assert diagnose(run.panel, run.walk.evidence) == []


# --- states in which nothing was shown, asked or due -----------------------------------------------------------------


def test_a_contact_that_chatters_does_not_keep_the_walk_from_looking() -> None:
    """It may be what switches the supply, and each of its moves would have the walk wait for another heartbeat."""
    run = VirtualRunner(desks, ("green", "depth"), most_s=60)

    def move(made: bool) -> None:
        run.hand("one", f"{'press' if made else 'release'} s2")
        run.at(110_000, lambda: move(not made))

    move(True)
    run.run()
    assert not any(scene.late for scene in run.person.scenes)
    assert {done.how for done in run.walk.done.values()} == {"done"}


def test_a_switch_that_is_moved_while_a_lamp_blinks_does_not_keep_it_from_being_looked_at() -> None:
    """It burns steadily when it was told to, whatever was moved meanwhile, and that is shown."""

    class Moves(Late):
        def show(self, scene: Scene) -> None:
            super().show(scene)
            if scene.state == "look" and scene.wants.blink and not self.gone:
                self.gone += 1
                self.run.at(1_950_000, lambda: self.run.hand("one", "press s2"))

    run = VirtualRunner(desks, ("green",), person=Moves, blink_s=2.0, most_s=60)
    run.run()
    assert diagnose(desks, run.walk.evidence) == []


def test_back_leads_past_what_there_is_nothing_to_ask_of_any_more() -> None:
    """The lever of a matrix without diodes was put off: that is not asked again, and does not bar the way either."""
    keys = "".join(
        f'[controls.k{n}]\nkind = "{"switch" if n == 3 else "button"}"\n'
        f'channel = {{ id = "one.s{n}", pin = "keys.r{n // 2}c{n % 2}" }}\n'
        for n in range(4)
    )
    matrix = '[matrices.keys]\nboard = "one"\nrows = ["D4", "D5"]\ncolumns = ["D6", "D7"]\ndiodes = false\n'
    walk = Walk(loads(f"[panel]\n[boards.one]\n{matrix}{keys}"))
    walk.start({f"one.s{n}": int(n == 3) for n in range(4)}, 0)
    walk.tick(60_000_000)
    assert walk.group is not None
    assert walk.group.kind == "clear"
    walk.heard(Change(62_000_000, "one.s3", 0), 62_000_000)
    walk.tick(64_000_000)
    assert walk.group.kind == "control"
    walk.back(65_000_000)
    assert walk.group.kind == "rest"


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_simulated_hand_that_fails_ends_the_walk() -> None:
    """Nobody is left to work the controls: the walk is left at once, and says why."""

    class Broken(SimulatedHandFace):
        def _watch(self, layout: PanelIndex) -> list[str]:
            raise KeyError("s9")

    face, posted = Broken({}), SimpleQueue[FaceAnswer]()
    face.begin(PanelIndex.of(desks), posted.put)
    step = Step("put", ("push",), 1)
    face.show(Scene(prompt_for(PanelIndex.of(desks), step, 0, 1, False), "ask", 1, step, Wants(), {}, False))
    assert posted.get(timeout=10).word == "leave"
    face.end()
    assert face.trouble == "the simulated hand failed: KeyError: 's9'"


def _disturb(run: VirtualRunner, rng: random.Random) -> str:
    board = rng.choice(["one", "two"])
    supply = ["mains"] if run.panel.supplies else ["supply 0", "flicker"]
    what = rng.choice([*supply, "reset", "lose", "stall", "garbage", "dark", "brush", "unplug", "discard"])
    if what == "dark":
        run.bench.talks[board].dark(lambda outcome: None)
    elif what == "flicker":
        run.hand(board, "supply 0")
        run.at(rng.randrange(1_100_000, 2_500_000), lambda: run.hand(board, "supply 5000"))
    elif what == "mains":
        run.hand("one", "put master 0")
        run.at(rng.randrange(100_000, 5_000_000), lambda: run.hand("one", "put master 1"))
    elif what in ("lose", "stall", "garbage", "discard"):
        long = rng.choice([200, 1500, 2600, 4000, 9000])
        words = {
            "lose": f"lose share={rng.choice([20, 100])}%",
            "stall": f"stall silent={rng.choice(['yes', 'no'])}",
            "garbage": "garbage rate=200Hz",
            "discard": "lose_line share=30% way=up",
        }[what]
        run.hand(board, f"fault {words} for={long}ms")
    elif what == "brush":
        run.hand("one", "press s2")
        run.at(100_000, lambda: run.hand("one", "release s2"))
    elif what == "unplug":
        if run.bench.boards[board].powered:
            run.hand(board, "unplug")
            run.at(rng.randrange(100_000, 9_000_000), lambda: run.hand(board, "replug"))
    else:
        run.hand(board, what)
    return f"{board} {what}"


class Fidgety(Person):
    """Goes back, asks again, skips and says that something lit, whatever is asked; and is late now and then."""

    def show(self, scene: Scene) -> None:
        super().show(scene)
        rng = random.Random(f"{self.run.seed} {len(self.scenes)}")
        if len(self.scenes) < 80 and rng.random() < 0.25:
            words = ("back", "again", "skip", "not wired", "done", "same", "otherwise", "acting", "lit", "note")
            answer = FaceAnswer(rng.choice(words), rng.choice((0, scene.number, scene.number - 1)), text="so")
            self.run.at(rng.randrange(0, 1_500_000), lambda: self.post(answer))


@pytest.mark.parametrize("seed", few_of(30))
def test_a_bench_in_trouble_with_a_person_who_presses_any_key(seed: int) -> None:
    rng = random.Random(seed)
    run = VirtualRunner(rng.choice([desks, fed]), seed=seed, person=Fidgety, blink_s=rng.choice([0.0, 2.0]), most_s=600)
    for _ in range(rng.randint(0, 4)):
        run.at(rng.randrange(0, 40_000_000), lambda: _disturb(run, rng))
    run.run()


@pytest.mark.parametrize("seed", few_of(60))
def test_a_bench_in_trouble(seed: int) -> None:
    """At any moment: the walk ends, waits for nobody who was not told, and accuses no healthy part."""
    rng = random.Random(seed)
    panel = rng.choice([desks, fed])
    run = VirtualRunner(panel, seed=seed, blink_s=rng.choice([0.0, 2.0]), most_s=400)
    told: list[str] = []

    def once() -> None:
        told.append(f"{run.bench.now_us() / 1e6:.2f} s, {run.walk.state}: {_disturb(run, rng)}")

    for _ in range(rng.randint(1, 6)):
        run.at(rng.randrange(0, 40_000_000), once)
    try:
        walk = run.run()
        assert diagnose(panel, walk.evidence) == []
    finally:
        print("\n".join(told))  # pytest shows it of a test that fails
