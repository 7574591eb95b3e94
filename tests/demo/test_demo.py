"""The demo: three desks, one command, nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from processes import is_gone, name_of, processes_of
from rig.talk import PATIENCE_S, Talk
from waiting import until

from benchcon.demo import Demo, start
from benchcon.panel.file import load
from benchcon.rig.hand import Hand


def demo(*words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "benchcon", "demo", "--headless", *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_headless_prints_where_the_desks_are_and_ends_cleanly(how: int) -> None:
    run = demo()
    assert run.stdout is not None
    desks = [run.stdout.readline().split() for _ in range(3)]
    assert [name for name, _, _ in desks] == ["lighting", "met", "power"]
    for name, port, control in desks:
        with Hand(control) as hand, Talk(port) as talk:
            assert hand.ask("hello")[2] == name
            assert talk.ask("hello")[5] == name
    boards = processes_of(run.pid)
    assert {"lighting", "met", "power"} <= {name_of(pid) for pid in boards}
    run.send_signal(how)
    out, err = run.communicate(timeout=PATIENCE_S)
    assert (run.returncode, out, err) == (0, "", "")
    assert all(is_gone(pid) for pid in boards)
    assert not Path(desks[0][1]).parent.exists()


def test_headless_ends_by_itself_after_so_many_seconds() -> None:
    run = demo("--seconds", "0.2", "--tcp")
    out, err = run.communicate(timeout=PATIENCE_S)
    assert (run.returncode, err) == (0, "")
    assert [line.split()[1].partition(":")[0] for line in out.splitlines()] == ["socket"] * 3


def test_a_faults_file_that_is_wrong_is_said_before_anything_starts(tmp_path: Path) -> None:
    faults = tmp_path / "faults.toml"
    faults.write_text('[[faults]]\nkind = "open"\nchannel = "met.nothing"\n', "utf-8")
    run = demo("--faults", str(faults))
    out, err = run.communicate(timeout=PATIENCE_S)
    assert (run.returncode, out) == (2, "")
    assert f"{faults}:3: board 'met' has no channel 'nothing'" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("words", [["--seconds", "-1"], ["--seconds", "soon"]])
def test_seconds_must_be_a_number(words: list[str]) -> None:
    run = demo(*words)
    _, err = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 2
    assert "is not a number of seconds above 0" in err


EXAMPLES = sorted(Path(sys.modules["benchcon.demo"].__file__ or "").parent.glob("*faults*.toml"))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_faults_files_that_come_with_the_demo_are_good(path: Path) -> None:
    from benchcon.demo import panel_path
    from benchcon.rig import faults_file

    assert faults_file.load(path, load(panel_path())).faults


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/proc tells which process is which desk")
def test_a_desk_that_is_killed_leaves_no_link_to_what_may_be_anybodys_terminal() -> None:
    run = demo("--separate")
    assert run.stdout is not None
    desks = [run.stdout.readline().split() for _ in range(3)]
    (killed,) = [pid for pid in processes_of(run.pid) if name_of(pid) == "met"]
    os.kill(killed, signal.SIGKILL)
    until(lambda: not os.path.lexists(desks[1][1]))
    assert Path(desks[0][1]).is_char_device()
    _, err = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 2
    assert "the simulated board 'met' has ended by itself" in err
    assert not Path(desks[0][1]).parent.exists()


# --- the power desk ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def running() -> Iterator[Demo]:
    with start() as demo:
        yield demo


def test_with_the_power_switch_off_everything_else_is_dark(running: Demo) -> None:
    power, lighting, met = (running.hands[name] for name in ("power", "lighting", "met"))
    ports = {desk.name: desk.port for desk in running.boards}
    with Talk(ports["lighting"]) as lit, Talk(ports["met"]) as shown, Talk(ports["power"]) as own:
        lit.ask("set", "l_app=3E8")
        shown.ask("set", "d_spd=306D")
        own.ask("set", "l_main=3E8")
        assert lighting.lit()["l_app"] == 1000
        power.put("mains", 0)
        until(lambda: lighting.lit()["l_app"] == 0 and met.shown("d_spd") == b"\0\0")
        assert power.lit()["l_main"] == 1000
        lit.lines.clear()
        assert int(lit.notification("alive")[6], 16) < 100
        power.put("battery", 1)
        until(lambda: lighting.lit()["l_app"] == 1000 and met.shown("d_spd") == b"\x30\x6d")
        power.put("mains", 1)
        power.put("battery", 0)
        assert lighting.lit()["l_app"] == 1000
