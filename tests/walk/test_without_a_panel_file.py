"""A walk over what boards say of themselves: no false findings on healthy desks, and nothing left otherwise."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from console.looking import console
from walk.desks import Desks, Scripted

from benchcon.cli.walk import _described
from benchcon.console.walk.screen import WalkScreen
from benchcon.demo import Demo, panel_path, start
from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.one_switch import as_it_stands, remarks
from benchcon.link import Bench
from benchcon.panel.file import loads
from benchcon.panel.model import Panel
from benchcon.session import LiveSession
from benchcon.walk.channel_changes import missing_boards
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.plan import Step
from benchcon.walk.prompts import prompt_for
from benchcon.walk.runner import Runner

HEAD = '[panel]\ntitle = "Four"\n[boards.a]\n'
BUTTONS = HEAD + "".join(
    f'[controls.speed_{n}]\nlabel = "Speed {n}"\nkind = "button"\nchannel = {{ id = "a.s{n}", pin = "D{n}" }}\n'
    for n in (4, 5, 6, 7)
)


def evidence(*moves: tuple[str, int, int]) -> list[dict[str, object]]:
    """Hands off with the first made, then (part, asked position, number of the contact that is made)."""

    def values(made: int) -> dict[str, int]:
        return {f"a.s{n}": int(n == made) for n in (4, 5, 6, 7)}

    out: list[dict[str, object]] = [{"what": "hand", "do": "rest", "values": values(4)}]
    out += [{"what": "hand", "do": "put", "part": part, "to": to, "values": values(made)} for part, to, made in moves]
    return out


TURNED = [("speed_4", 0, 5), ("speed_4", 1, 4)]
TURNED += [(f"speed_{n}", to, n if to else n - 1) for n in (5, 6, 7) for to in (1, 0)]


def test_contacts_that_are_made_in_turn_are_one_switch_and_the_panel_file_lines_say_so() -> None:
    panel = loads(BUTTONS)
    assert diagnose(panel, evidence(*TURNED)) == []
    (remark,) = remarks(panel, evidence(*TURNED))
    assert remark.channels == ("a.s4", "a.s5", "a.s6", "a.s7")
    assert "look like the positions of one switch" in remark.line()
    as_one = loads(HEAD + remark.patch)
    (control,) = as_one.controls
    assert (control.name, control.label, control.kind, len(control.positions)) == ("speed", "Speed", "switch", 4)
    assert [channel.wire.pin for channel in control.channels] == ["D4", "D5", "D6", "D7"]


def test_buttons_that_are_not_made_in_turn_are_judged_as_buttons() -> None:
    """Two made at once, or none at rest. A contact of the switch that is stuck is found all the same."""
    panel = loads(BUTTONS)
    both = evidence(*TURNED)
    for each in both:
        each["values"] = {**dict(each["values"]), "a.s6": 1}  # type: ignore[call-overload]
    assert remarks(panel, both) == []
    assert any(finding.channels == ("a.s6",) and finding.kind == "stuck" for finding in diagnose(panel, both))
    none = evidence(*TURNED)
    none[0]["values"] = {"a.s4": 0, "a.s5": 0, "a.s6": 0, "a.s7": 0}
    assert remarks(panel, none) == []


def test_what_is_made_with_nobody_near_is_a_switch() -> None:
    panel = as_it_stands(loads(BUTTONS), {"a.s4": 1, "a.s5": 0})
    assert [control.kind for control in panel.controls] == ["switch", "button", "button", "button"]


def test_a_lamp_without_supply_is_not_called_dead_and_is_asked_when_there_is_supply(desks: Desks) -> None:
    """With the mains off nothing lights on the lighting desk; a hand puts it on, and the lamp is as it should be."""
    power = desks.hands["power"]
    told: list[str] = []

    def answer(scene: Scene) -> FaceAnswer | None:
        if scene.state == "light" and "no supply" in scene.trouble:
            told.append(scene.trouble)
            power.put("mains", 1)
        if scene.state != "look" or not scene.steady:
            return None
        lit = bool(desks.hands["lighting"].lit()["l_app"])
        return FaceAnswer("same" if lit == bool(scene.wants.lamps) else "otherwise", scene.number)

    power.put("mains", 0)
    desks.wait(lambda: desks.session.state.board_named("lighting").no_supply)
    face = Scripted(answer)
    face.simulated = False
    walk = Walk(desks.panel, ["approach_lit"])
    assert Runner(desks.session, walk, face, blink_s=0.0).run()
    assert told[0].startswith("Board 'lighting' has no supply, nothing there can light: switch its supply on.")
    assert diagnose(desks.panel, walk.evidence) == []
    assert any("no supply" in line for line in face.warnings)


@pytest.mark.slow
def test_an_answer_given_while_the_supply_had_just_gone_counts_for_nothing(desks: Desks) -> None:
    """The board says so with its next heartbeat only; until then nobody knows why it is dark."""
    power = desks.hands["power"]
    gone: list[bool] = []

    def answer(scene: Scene) -> FaceAnswer | None:
        if "no supply" in scene.trouble:  # before the eye has answered, or after
            power.put("mains", 1)
        if scene.state != "look" or not scene.steady:
            return None
        if scene.wants.lamps and not gone:
            gone.append(True)
            power.put("mains", 0)
            desks.wait(lambda: not desks.hands["lighting"].lit()["l_app"])
            return FaceAnswer("otherwise", scene.number)  # it has gone out
        return FaceAnswer("same", scene.number)

    face = Scripted(answer)
    face.simulated = False
    walk = Walk(desks.panel, ["approach_lit"])
    try:
        assert Runner(desks.session, walk, face, blink_s=0.0).run()
    finally:
        power.put("mains", 1)
    assert gone
    assert diagnose(desks.panel, walk.evidence) == []


def test_desks_are_at_rest_for_the_next_test_whatever_was_left_on(desks: Desks) -> None:
    """A battery left on feeds the desks while the mains are off: a walk waited for ever for what could not come."""
    before = {name: hand.where() for name, hand in desks.hands.items()}
    desks.hands["power"].put("battery", 1)
    desks.hands["power"].put("bus_volts", 900)
    desks.hands["lighting"].put("intensity", 2)
    desks.hands["met"].press("pressure_unit")
    desks.at_rest()
    assert {name: hand.where() for name, hand in desks.hands.items()} == before


def test_a_hand_that_is_stopped_leaves_the_switches_as_they_stood(desks: Desks) -> None:
    before = {name: hand.where() for name, hand in desks.hands.items()}

    class Stopping(Walk):
        """Is left as soon as the mains was thrown."""

        def said(self, now_us: int) -> None:
            super().said(now_us)
            runner.leave()

    from benchcon.walk.interfaces import SimulatedHandFace

    walk = Stopping(desks.panel, ["mains"], rest_us=50_000)
    runner = Runner(desks.session, walk, SimulatedHandFace(desks.hands), blink_s=0.0)
    assert not runner.run()
    assert {name: hand.where() for name, hand in desks.hands.items()} == before


@pytest.fixture
def fresh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Demo:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("BENCHCON_LOCKS", str(tmp_path))
    return start()


@pytest.mark.slow
def test_healthy_desks_are_healthy_without_a_panel_file_and_again_and_with_one(fresh: Demo) -> None:
    """The try-out of the README, word by word, and then once more on the same desks."""
    with fresh as demo:
        hands = [word for desk in demo.boards for word in ("--hand", desk.control)]
        before = {name: hand.where() for name, hand in demo.hands.items()}
        for panel in ([], [], ["--panel", str(panel_path())]):
            command = [sys.executable, "-m", "benchcon", "walk", *panel, *hands]
            run = subprocess.run(command, capture_output=True, text=True, timeout=90, stdin=subprocess.DEVNULL)
            assert (run.returncode, run.stdout) == (0, ""), run.stderr
            assert ("look like the positions of one switch" in run.stderr) == (not panel)
            assert {name: hand.where() for name, hand in demo.hands.items()} == before


async def test_the_consoles_walk_and_the_commands_are_over_the_same_panel(fresh: Demo) -> None:
    """The same parts, words and budgets; afterwards the console shows what it showed before."""
    with fresh as demo:
        port = next(desk.port for desk in demo.boards if desk.name == "met")
        commands = _described([port])
        bench = Bench([port], keep=False)
        session = LiveSession(bench, Panel(), {"met": demo.hands["met"]})
        bench.start()
        try:
            async with console(session, (110, 40)) as eyes:
                await eyes.see("PRESSURE SET")
                await eyes.until(lambda: not missing_boards(session, commands), "the board")
                # The console learns the outputs a moment later than the board has described them.
                await eyes.until(lambda: len(eyes.app.model.panel.parts) == len(commands.parts), "all its parts")
                faces = eyes.app.model.panel
                await eyes.press("t")
                await eyes.see("Walk: what?")
                await eyes.press("enter")
                await eyes.see("tested in turn")
                await eyes.press("ctrl+u", "enter")
                await eyes.see("Every lamp and display should be dark now.")
                screen = eyes.app.screen
                assert isinstance(screen, WalkScreen)
                assert (screen.panel.parts, screen.panel.boards) == (commands.parts, commands.boards)
                assert screen.panel.digest == commands.digest
                (outputs,) = bench._hub.all_outputs()
                assert outputs.allowance.total_ma == commands.boards[0].budget_ma
                steps = [Walk(panel, ["hpa_inhg"]) for panel in (screen.panel, commands)]
                asked = [[prompt_for(w.layout, step, 1, 1, False, False) for step in presses(w)] for w in steps]
                assert asked[0] == asked[1]
                await eyes.press("escape")
                await eyes.until(lambda: not isinstance(eyes.app.screen, WalkScreen), "the bench")
                assert eyes.app.model.panel.parts == faces.parts
        finally:
            session.close()


def presses(walk: Walk) -> list[Step]:
    return [Step("put", ("hpa_inhg",), to) for to in (1, 0)]
