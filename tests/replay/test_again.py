"""Replaying a capture to boards: the same board does the same, a broken one does not, and it is said which channel."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from junitparser import JUnitXml
from replay.story import Story, evening

from benchcon.capture.file import OpenFile, lines_of
from benchcon.capture.form import write_header
from benchcon.cli.main import main
from benchcon.cli.replay import _about_faults
from benchcon.demo.desks import panel_path, start
from benchcon.errors import Trouble
from benchcon.replay.cases import case_of
from benchcon.replay.compare_text import as_text
from benchcon.replay.rerun import RerunOptions, rerun, words_of
from benchcon.replay.script import ReplayedMove, Requested, script_of
from benchcon.replay.targets import processes
from benchcon.replay.tracks import tracks_of
from benchcon.replay.verdict import WHOLE, Verdict, run_against
from benchcon.rig.hand import Hand
from benchcon.state import BenchState
from benchcon.state_reader import StateReader
from benchcon.wire.codec import notification
from benchcon.wire.records import BENCH, KEYFRAME, LINE_UP, Batch

BENCHCON = [sys.executable, "-m", "benchcon"]


def test_the_script_is_what_host_and_hands_did(power_desk: Path) -> None:
    script = script_of(power_desk)
    steps = [
        (step.words[0], *step.words[1:]) if isinstance(step, Requested) else (step.part, step.value)
        for step in script.steps
    ]
    # From the middle to "on" the three-position switch passes "off": both contacts open.
    assert steps[:2] == [("mains", 1), ("set", "l_main=3E8")]
    assert ("standby", 2) in steps
    assert ("bus_volts", 700) in steps
    assert [step for step in steps if step[0] in ("dark", "light")][:2] == [("dark",), ("light",)]
    assert script.boards == ["power"]
    assert all(ask.answer is not None for ask in script.steps if isinstance(ask, Requested))


SESSION = Path(__file__).parents[2] / "captures" / "ostrey-session.capture"


def test_positions_that_a_rotary_switch_only_passes_are_no_moves_of_their_own() -> None:
    # In the file: at 4 s to the second position, on to the fourth within a blink past the third, and back by the end.
    moves = [step for step in script_of(SESSION).steps if isinstance(step, ReplayedMove) and step.part == "intensity"]
    assert [move.value for move in moves] == [1, 3, 0]
    assert [move.word for move in moves] == ["2", "4", "1"]


def test_a_knob_that_was_heard_of_late_is_turned_in_one_go(tmp_path: Path) -> None:
    """By the board's clock it went on after 20 ms; the host, which was busy, heard of that after 104 ms."""

    story = Story().ask(1, "read all", "read FFFF 00000000 00 sw1=0 sel1=2 l1=000 p1=0000")
    story.wait(300).notification(1, "is p1=00E8")
    clock_us = story.at_us + 20_000
    story.wait(104).put(1, LINE_UP, notification(1, clock_us, ["is", "p1=02BC"]))
    script = script_of(story.wait(500).write(tmp_path / "late.capture"))
    assert [step.value for step in script.steps if isinstance(step, ReplayedMove)] == [0x2BC]


@pytest.mark.slow
def test_the_same_board_does_the_same(power_desk: Path) -> None:
    case = case_of(power_desk)
    verdict = run_against(case, "simulated")
    assert verdict.same, verdict.text
    assert {"power.sw_main", "power.l_main", "power.volts", "power.(dark)", WHOLE} <= set(verdict.channels)
    assert verdict.remarks == []


def test_a_broken_board_is_found_by_its_channel(power_desk: Path, tmp_path: Path) -> None:
    faults = tmp_path / "faults.toml"
    faults.write_text('[[faults]]\nkind = "stuck"\nchannel = "power.sw_main"\n')
    case = case_of(power_desk)
    verdict = run_against(replace(case, faults=faults, how=replace(case.how, fast=True)), "simulated")
    assert {name for name, text in verdict.channels.items() if text} == {"power.sw_main"}
    assert "missing" in verdict.channels["power.sw_main"]
    assert "made" in verdict.channels["power.sw_main"]


@pytest.mark.slow
def test_inputs_are_first_put_where_they_were_when_the_capture_began(
    power_desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script, then = script_of(power_desk), tracks_of(power_desk)
    assert script.began["power"]["sb_auto"] == 1
    with start(panel=panel_path(), boards=["power"], separate=True) as demo:
        name, port, _ = demo.boards[0]
        hand = demo.hands[name]
        # Somebody has left the desk in another state than the one in which the capture begins.
        hand.put("standby", 2)
        hand.put("bus_volts", 900)
        again = rerun(script, then, [port], {"power": hand}, RerunOptions(fast=True))
        assert again.same, as_text(again.comparison)
        assert again.left_out == []
        # An input that cannot be brought there is reported as what it is: another beginning.
        monkeypatch.setattr("benchcon.replay.rerun.SETTLE_S", 0.3)
        hand.ask("fault", "stuck", "sb_auto", "value=0")
        again = rerun(script, then, [port], {"power": hand}, RerunOptions(fast=True))
        differing = {name for name, one in again.comparison.channels.items() if one.count}
        assert differing == {"power.sb_auto"}
        assert "begins as made in A, as open in B" in as_text(again.comparison)


@pytest.mark.parametrize("fast", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_a_capture_that_begins_dark(power_desk: Path, tmp_path: Path, fast: bool) -> None:
    """As a rotated part may: its keyframe says that the board is dark."""
    state = BenchState()
    path = tmp_path / "dark.capture"
    with StateReader(power_desk) as reader, path.open("wb") as out:
        file = OpenFile(out.fileno(), write_header(reader.began, {}))
        dark = False
        for batch in reader:
            state.feed(batch)
            if dark and batch.kind != KEYFRAME:
                file.put(lines_of(batch))
            elif not dark and any(board.dark for board in state.boards.values()):
                dark = True
                file.put(lines_of(Batch(batch.at_us, BENCH, KEYFRAME, [state.keyframe()])))
        file.flush(sync=True)
    assert script_of(path).began_dark == {"power"}
    case = case_of(path)
    verdict = run_against(replace(case, how=replace(case.how, fast=fast)), "simulated")
    assert not verdict.channels["power.(dark)"], verdict.text
    assert verdict.same, verdict.text


def test_a_panel_that_cannot_be_built_is_named_with_its_reason(power_desk: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    path.write_bytes(power_desk.read_bytes())
    (tmp_path / "desk.toml").write_text('[boards.power]\n[controls.a]\nkind = "button"\nchannel = "power.sw_main"\n')
    (tmp_path / "x.capture.toml").write_text('panel = "desk.toml"\nagainst = "native"\n')
    with pytest.raises(Trouble, match=r"x\.capture: against native: .*desk\.toml:\d+: .{20}"):
        run_against(case_of(path), "native")


def test_a_panel_in_the_capture_that_cannot_be_built_is_named_by_its_place_there() -> None:
    case = case_of(Path(__file__).parents[2] / "captures" / "tapped-call-button.capture")
    with pytest.raises(Trouble, match=r"against native: the panel in it, line 4: boards\.near has no chip.*--panel"):
        run_against(case, "native")


def test_as_fast_as_it_goes_only_the_order_counts(power_desk: Path) -> None:
    case = case_of(power_desk)
    verdict = run_against(replace(case, how=replace(case.how, fast=True)), "simulated")
    assert verdict.same, verdict.text


@pytest.mark.slow
def test_to_a_port_with_a_hand_and_without(power_desk: Path, tmp_path: Path) -> None:
    with start(panel=panel_path(), boards=["power"], separate=True) as demo:
        name, port, control = demo.boards[0]
        junit, page = tmp_path / "r.xml", tmp_path / "r.html"
        words = ["replay", str(power_desk), "--to", port, "--hand", control, "--junit", str(junit), "--html", str(page)]
        done = subprocess.run([*BENCHCON, *words], capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "the same" in done.stdout
        suites = list(JUnitXml.fromfile(str(junit)))
        assert suites[0].failures == 0
        assert "power.sw_main" in [case.name for case in suites[0]]
        assert page.read_text().startswith("<!doctype html>")
        # Nobody moves the inputs: they are left out, and that is said; outputs and answers are compared all the same.
        alone = subprocess.run(
            [*BENCHCON, "replay", str(power_desk), "--to", port, "--fast"], capture_output=True, text=True
        )
        assert alone.returncode == 0, alone.stdout + alone.stderr
        for part in ("mains", "standby", "bus_volts"):
            assert f"left out: {name}.{part}: has to be moved, but there is no hand" in alone.stdout
        # With somebody at the desk it asks; whoever does not move anything leaves it out.
        asked = subprocess.run(
            [*BENCHCON, "replay", str(power_desk), "--to", port, "--by-hand", "--fast"],
            capture_output=True,
            text=True,
            input="n\n" * 50,
        )
        assert asked.returncode == 0, asked.stdout + asked.stderr
        assert "Please set mains on power to 'on', then press Enter" in asked.stdout
        assert "Please set standby on power to 'off', then press Enter" in asked.stdout
        assert "Please set bus_volts on power to the reading 700, then press Enter" in asked.stdout


def test_a_board_that_is_another_is_refused_in_one_line(tmp_path: Path) -> None:
    capture = evening().write(tmp_path / "x.capture")
    with start(panel=panel_path(), boards=["power"], separate=True) as demo:
        done = subprocess.run(
            [*BENCHCON, "replay", str(capture), "--to", demo.boards[0].port], capture_output=True, text=True
        )
    assert done.returncode == 2
    assert "recorded from lighting, met; connected: power" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--to", "/dev/no_such"], "/dev/no_such"),
        (["--against", "moon"], "--against: 'moon' is not known; allowed: state, simulated"),
        (["--hand", "unix:/x"], "need --to"),
        (["--headless", "--to", "x"], "one of the two"),
        (["--at", "5 s"], "--at needs --headless"),
        (["--json"], "--json needs --headless"),
        (["--to", "x", "--hand", "nowhere"], "'nowhere' is not a HAND"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(power_desk: Path, words: list[str], says: str) -> None:
    done = subprocess.run([*BENCHCON, "replay", str(power_desk), *words], capture_output=True, text=True)
    assert done.returncode == 2
    assert says in done.stderr
    assert done.stderr.count("\n") == 1


def test_headless_is_one_line_and_json_only_when_asked_for(power_desk: Path) -> None:
    words = [*BENCHCON, "replay", str(power_desk), "--headless"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.count("\n") == 1
    assert re.match(rf"{power_desk}: \d+ records in \d+\.\d{{3}} s.*; power \w+ with \d+ channels known", done.stdout)
    done = subprocess.run([*words, "--json"], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["state"]["boards"][0]["ident"] == "power"


def test_a_capture_without_a_panel_needs_one(tmp_path: Path) -> None:
    case = case_of(evening().write(tmp_path / "x.capture"))
    with pytest.raises(Trouble, match="carries no panel file; name one"):
        run_against(case, "simulated")


def test_what_a_user_is_asked_to_do() -> None:
    assert words_of(ReplayedMove(0, "met", "dial", "turn", -8, ("e1",))) == "turn dial on met by 2 detents to the left"
    assert (
        words_of(ReplayedMove(0, "met", "dial", "turn", -8, ("e1",), -4))
        == "turn dial on met by 2 detents to the right"
    )
    assert words_of(ReplayedMove(0, "met", "b", "press", 1, ("b",))) == "press, or make, b on met"
    assert words_of(ReplayedMove(0, "met", "sw", "put", 2, ("s", "t"), word="on")) == "set sw on met to 'on'"
    assert words_of(ReplayedMove(0, "met", "sel", "put", 3, ("s",))) == "set sel on met to position 3"


def test_requests_that_outlast_the_power_are_left_out(tmp_path: Path) -> None:
    story = evening().ask(1, "name New", "name New").ask(1, "ident other", "ident other")
    script = script_of(story.write(tmp_path / "x"))
    assert len(script.left_out) == 2
    assert not any(isinstance(step, Requested) and step.words[0] in ("name", "ident") for step in script.steps)


def test_boards_that_are_programs_can_be_a_target(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "benchcon.rig", "--panel", str(panel_path()), "--board", "power"]
    with processes({"power": [*command, "--folder", str(tmp_path)]}) as boards:
        hand = boards.hands["power"]
        assert isinstance(hand, Hand)
        hand.put("mains", 1)
        assert hand.where()["mains"] == 1
        assert len(boards.ports) == 1
    with pytest.raises(Trouble, match="ended, or did not report a port"):
        with processes({"power": [sys.executable, "-c", "pass"]}):
            pass
    with pytest.raises(Trouble, match="cannot be started"):
        with processes({"power": ["/no/such/program"]}):
            pass


def test_against_boards_it_is_said_whether_faults_were_put_in(
    power_desk: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture = tmp_path / "desk.capture"
    capture.write_bytes(power_desk.read_bytes())
    (tmp_path / "worn.toml").write_text('[[faults]]\nkind = "stuck"\nchannel = "power.sw_main"\n')
    (tmp_path / "desk.capture.toml").write_text('against = ["simulated"]\nfast = true\nfaults = "worn.toml"\n')
    assert main(["replay", str(capture), "--against", "simulated"]) == 1
    told = capsys.readouterr().err
    assert told.startswith(
        "benchcon: against simulated: the faults that desk.capture.toml names were put in (worn.toml)"
    )
    assert told.count("\n") == 1
    case = case_of(capture)
    different = Verdict("simulated", {"power.sw_main": "otherwise"})
    assert "no faults were put into the boards" in _about_faults(replace(case, faults=None), different)
    assert _about_faults(replace(case, faults=None), Verdict("simulated", {})) == ""
