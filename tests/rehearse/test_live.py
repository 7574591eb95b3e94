"""Scenarios in real time, on boards that are processes of their own: simulated ones, and the firmware's C core."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, cast

import pytest
from waiting import until

from benchcon import demo as demo_package
from benchcon.cli.main import main
from benchcon.demo.desks import Demo, start
from benchcon.link import Bench
from benchcon.panel.segments import decode
from benchcon.rehearse import rules_file
from benchcon.rehearse.live import OWN_US, LiveRun
from benchcon.rehearse.result import result_of
from benchcon.rehearse.scenario import Named, load
from benchcon.replay.targets import WantedBoards, start_of
from benchcon.session import LiveSession
from benchcon.walk.channel_changes import missing_boards

if TYPE_CHECKING:
    from benchcon.rig.hand import Hand

PANELS = Path(demo_package.__file__).parent / "panels"
BEHAVIOUR = f'[scenario]\nbehaviour = "{PANELS}/level-alert-behaviour.toml"\n'
NEAR = (
    '[[steps]]\nset = { level = "11500 ft" }\nturn = { level_set = 20 }\n'
    '[[steps]]\nat = "1 s"\nexpect = { level_alert = "on", selected_level = "12.000" }\nwithin = "1 s"\n'
)


@pytest.fixture(scope="module")
def board() -> Iterator[Demo]:
    with start(panel=PANELS / "level-alert.toml", separate=True) as running:
        yield running


def write(folder: Path, text: str) -> Path:
    path = folder / "near.toml"
    path.write_text(BEHAVIOUR + text)
    return path


@pytest.mark.slow
def test_kept_on_a_board_that_is_there(
    board: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    board.hands["alert"].reset()
    path = write(tmp_path, NEAR)
    assert main(["rehearse", str(path), board.boards[0].port, "--hand", board.boards[0].control]) == 0
    assert "1 of 1 expectations met (3 s)" in capsys.readouterr().out
    assert list(tmp_path.glob("*.capture")) == []
    assert set(board.hands["alert"].lit().values()) == {0}, "dark when it is over"


@pytest.mark.slow
def test_a_breach_leaves_a_capture(
    board: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    board.hands["alert"].reset()
    path = write(tmp_path, NEAR.replace('"on"', '"off"'))
    assert main(["rehearse", str(path), board.boards[0].port, "--hand", board.boards[0].control]) == 1
    out = capsys.readouterr().out
    assert "level_alert on; expected: level_alert off" in out
    (capture,) = tmp_path.glob("near*.capture")
    assert capture.name in out
    text = capture.read_text()
    assert " 0 * expectation Level alert is on; expected: Level alert off, Selected level '12.000'\n" in text
    assert "~ values level=11500%20ft" in text


@pytest.mark.slow
def test_what_a_hand_cannot_do_the_person_is_asked_and_time_waits(board: Demo, tmp_path: Path) -> None:
    hand = board.hands["alert"]
    hand.reset()
    read = load(write(tmp_path, NEAR))
    asked: list[str] = []

    def ask(text: str) -> bool:
        # The person takes longer than the whole scenario: it must not go on meanwhile.
        asked.append(text)
        until(lambda: decode(hand.shown("d_level")) == "10.000")
        hand.turn("level_set", 20)
        assert not run.wait(2.5)
        return True

    bench = Bench([board.boards[0].port], panel=read.panel, keep=False)
    session = LiveSession(bench, read.panel)
    bench.start()
    rules = rules_file.load(read.rules, read.panel, read.behaviour)
    run = LiveRun(session, read, rules, ask=ask)
    try:
        run.start()
        assert run.wait(20)
        assert run.trouble is None
        assert asked == ["turn Level set by 20 detents to the right"]
        assert run.rehearsal.failed == []
        assert list(run.rehearsal.judge.due.values()) == [1]
    finally:
        run.close()
        session.close()


@pytest.mark.slow
def test_expectations_stop_with_the_scenarios_hand(board: Demo, tmp_path: Path) -> None:
    """Who takes the controls is not told what the scenario would have made of them."""
    hand = board.hands["alert"]
    hand.reset()
    read = load(write(tmp_path, NEAR))
    bench = Bench([board.boards[0].port], panel=read.panel, keep=False)
    session = LiveSession(bench, read.panel)
    bench.start()
    rules = rules_file.load(read.rules, read.panel, read.behaviour)
    run = LiveRun(session, read, rules, hands=board.hands)
    try:
        run.hands_off()
        run.start()
        assert run.wait(20)
        assert run.trouble is None
        assert decode(hand.shown("d_level")) == "10.000", "nobody turned the knob to what the scenario expects"
        assert run.rehearsal.failed == []
    finally:
        run.close()
        session.close()


def test_what_the_user_lights_breaks_no_expectation(board: Demo, tmp_path: Path) -> None:
    hand = board.hands["alert"]
    hand.reset()
    out = '[[expect]]\nshow = { level_alert = "off" }\n'
    read = load(write(tmp_path, 'lasts = "60 s"\n' + out))
    (always,) = read.expectations
    bench = Bench([board.boards[0].port], panel=read.panel, keep=False)
    session = LiveSession(bench, read.panel)
    bench.start()
    run = LiveRun(session, read, rules_file.load(read.rules, read.panel, read.behaviour))
    judge = run.rehearsal.judge
    try:
        run.start()
        until(lambda: judge.due[always] == 1)
        with session.lock:
            (source,) = session.state.boards
            due_us = session.now_us()
        until(lambda: session.now_us() > due_us + OWN_US, "what is set at once may be the rules' own")
        bench.set_lamp(source, "l_alert", 700)
        until(lambda: hand.lit()["l_alert"] == 700 and always in judge.held)
        assert judge.broken == []
    finally:
        run.close()
        session.close()


def test_between_two_tests_of_the_bench_the_rules_show_nothing(
    board: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when a walk goes on after a wiggle test: what the rules show would be in the way of its questions."""
    hand = board.hands["alert"]
    hand.reset()
    read = load(write(tmp_path, 'lasts = "60 s"\n'))
    bench = Bench([board.boards[0].port], panel=read.panel, keep=False)
    session = LiveSession(bench, read.panel)
    bench.start()
    run = LiveRun(session, read, rules_file.load(read.rules, read.panel, read.behaviour))
    turns: list[None] = []
    run.on_turn = lambda: turns.append(None)

    def a_turn_later() -> None:
        before = len(turns)
        until(lambda: len(turns) >= before + 2)

    def shown() -> str:
        return decode(hand.shown("d_level")).strip()

    try:
        run.start()
        until(shown)
        run.pause(True)
        a_turn_later()
        with session.lock:
            (source,) = session.state.boards
        assert bench.set_display(source, "d_level", bytes(5)).result(5)
        until(lambda: not shown())
        monkeypatch.setattr("benchcon.rehearse.live.AFTER_TEST_US", 60_000_000)  # however busy the machine is
        run.pause(False)
        a_turn_later()
        run.pause(True)
        a_turn_later()
        assert not shown()
        monkeypatch.setattr("benchcon.rehearse.live.AFTER_TEST_US", 0)
        run.pause(False)
        until(shown)
    finally:
        run.close()
        session.close()


def test_what_a_turn_works_out_while_a_walk_begins_is_not_sent(
    board: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would light what the walk has just darkened, and the walk would not know."""
    hand = board.hands["alert"]
    hand.reset()
    read = load(write(tmp_path, 'lasts = "60 s"\n'))
    bench = Bench([board.boards[0].port], panel=read.panel, keep=False)
    session = LiveSession(bench, read.panel)
    bench.start()
    run = LiveRun(session, read, rules_file.load(read.rules, read.panel, read.behaviour))
    work_out, turns = run.rehearsal.work_out, []

    def meanwhile(now_us: int) -> list[str]:
        changed = work_out(now_us)
        run.pause(True)
        return changed

    monkeypatch.setattr(run.rehearsal, "work_out", meanwhile)
    run.on_turn = lambda: turns.append(None)
    try:
        until(lambda: not missing_boards(session, read.panel))
        run.start()
        until(lambda: len(turns) >= 2)
        (source,) = session.state.boards
        assert bench.ask(source, ("hello",)).result(5).done
        assert not decode(hand.shown("d_level")).strip()
    finally:
        run.close()
        session.close()


@pytest.mark.slow
@pytest.mark.parametrize("gone", ["dark", "unplugged"])
def test_while_a_board_is_dark_or_lost_nothing_is_judged(tmp_path: Path, gone: str) -> None:
    """Dark is what the person wanted, and a pulled plug is told elsewhere: no rule is to blame for either."""
    expect = '[[expect]]\nshow = { level_alert = "on" }\nwhen = { level = "at least 11000 ft" }\nwithin = "2 s"\n'
    read = load(write(tmp_path, NEAR + '[[steps]]\nat = "60 s"\nset = { level = "11500 ft" }\n' + expect))
    rules = rules_file.load(read.rules, read.panel, read.behaviour)
    with start(panel=PANELS / "level-alert.toml", separate=True) as running:
        hand = running.hands["alert"]
        bench = Bench([running.boards[0].port], panel=read.panel, keep=False)
        session = LiveSession(bench, read.panel)
        bench.start()
        run = LiveRun(session, read, rules, hands=running.hands)
        judge = run.rehearsal.judge
        (always,) = read.expectations
        try:
            run.start()
            until(lambda: judge.due[always] == 1)
            assert hand.lit()["l_alert"] > 0
            if gone == "dark":
                bench.dark()
                until(lambda: not any(hand.lit().values()))
            else:
                hand.unplug()
            until(lambda: always in judge.held)
            if gone == "dark":
                bench.light()
                until(lambda: judge.due[always] == 2, "when dark has ended it is judged again")
                assert hand.lit()["l_alert"] > 0
            assert judge.broken == []
        finally:
            run.close()
            session.close()
    assert run.trouble is None
    reason = "not judged while a board was dark, reset or lost"
    assert f"{reason}: {always.name}" in result_of(run.rehearsal, 0.0, None).remarks


@pytest.mark.slow
def test_a_rule_that_sleeps_is_dark_and_both_are_said(
    board: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing ends a sleep from outside: the dead-man does its part, and whoever looks at a dark panel is told why."""
    monkeypatch.chdir(tmp_path)
    board.hands["alert"].reset()
    rules = tmp_path / "sleeping.py"
    rules.write_text(
        "import time\nfrom benchcon.rehearse import lamp\n\n"
        '@lamp("level_alert")\ndef level_alert(level):\n    return time.sleep(7 if level > 11000 else 0) is None\n'
    )
    path = write(tmp_path, '[[steps]]\nat = "1 s"\nset = { level = "11500 ft" }\n')
    assert main(["rehearse", str(path), board.boards[0].port, "--rules", str(rules), "--headless"]) == 1
    told = capsys.readouterr()
    assert "sleeping.py:5: level_alert has not returned and cannot be suspended" in told.out
    assert "alert: dark by its dead-man" in told.out
    assert "level_alert has not returned" in told.err, "while it lasts, not only at the end"


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("cc") is None and shutil.which("gcc") is None, reason="needs a C compiler")
def test_the_c_core_keeps_the_same_scenario(tmp_path: Path) -> None:
    """The firmware's own core, built for this computer: our simulated board is not the only judge."""
    panel = tmp_path / "panel.toml"
    text = (PANELS / "mode-row.toml").read_text()
    pins = {"sw_mast": "D2", "b_hdg": "D3", "b_lvl": "D4", "b_spd": "D5", "l_hdg": "D6", "l_lvl": "D9", "l_spd": "D10"}
    for id_, pin in (pins | {"d_spd": "7219.0"}).items():
        text = text.replace(f'id = "modes.{id_}"', f'id = "modes.{id_}", pin = "{pin}"')
    chain = 'chip = "atmega328p"\nchains.7219 = { data = "D11", clock = "D13", load = "D8" }\n'
    panel.write_text(text.replace("[boards.modes]\n", f"[boards.modes]\n{chain}"))
    path = tmp_path / "modes.toml"
    path.write_text(
        f'[scenario]\nbehaviour = "{PANELS}/mode-row-behaviour.toml"\n'
        '[[steps]]\nput = { master = "on" }\n'
        '[[steps]]\nat = "0.5 s"\npress = "heading"\n'
        'expect = { heading_on = "on", level_on = "off", selected_speed = "120" }\nwithin = "1 s"\n'
        '[[steps]]\nat = "2 s"\nput = { master = "off" }\n'
        'expect = { heading_on = "on", selected_speed = "" }\nwithin = "1 s"\n'
    )
    read = load(path, Named(panel))
    rules = rules_file.load(read.rules, read.panel, read.behaviour)
    with start_of("native")(WantedBoards(panel, ["modes"], None)) as boards:
        bench = Bench(boards.ports, panel=read.panel, keep=False)
        session = LiveSession(bench, read.panel)
        bench.start()
        try:
            assert bench.wait(lambda ports: all(port.stage == "live" for port in ports), 20)
            run = LiveRun(session, read, rules, hands=cast("dict[str, Hand]", boards.hands))
            run.start()
            assert run.wait(20)
            run.close()
        finally:
            session.close()
    assert run.trouble is None
    assert run.left_out == {}
    assert run.rehearsal.failed == []
    assert list(run.rehearsal.judge.due.values()) == [1, 1]
