"""One's own panel file as simulated boards, with the console on it and the keyboard, or a script, as the hand."""

from __future__ import annotations

import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from firmware.emulated import needs_emulator
from firmware.virtual import needs_compiler
from processes import is_gone, processes_of
from rig.talk import PATIENCE_S, Talk
from waiting import until

from benchcon.cli.main import main

PANEL = """\
[panel]
title = "Winch house"

[boards.winch]

[controls.drum_lock]
label = "Drum lock"
kind = "switch"
at = ["30 mm", "40 mm"]
channel = "winch.sw1"

[lamps.drum_locked]
label = "Drum locked"
colour = "green"
at = ["30 mm", "20 mm"]
channel = "winch.l1"

[displays.rope]
label = "Rope out"
digits = 3
at = ["80 mm", "20 mm"]
channel = "winch.d1"
"""


@pytest.fixture
def panel(tmp_path: Path) -> Path:
    path = tmp_path / "winch house.toml"  # a space in its name: nothing of ours may trip over it
    path.write_text(PANEL, "utf-8")
    return path


def benchcon(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchcon", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


@pytest.fixture
def headless(panel: Path) -> Iterator[tuple[str, str, str]]:
    command = [sys.executable, "-m", "benchcon", "try", str(panel), "--headless"]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert run.stdout is not None
    name, port, hand = run.stdout.readline().split()
    yield name, port, hand
    run.send_signal(signal.SIGTERM)
    out, err = run.communicate(timeout=PATIENCE_S)
    assert (run.returncode, out, err) == (0, "", "")
    assert not Path(port).parent.exists()


def test_the_user_s_own_modules_in_the_folder_are_left_alone(panel: Path) -> None:
    """A board looked for `random` and `re` in the folder where it was started, and ran what it found there."""
    for name in ("random", "re", "select", "json"):
        (panel.parent / f"{name}.py").write_text("raise SystemExit('this is mine')\n", "utf-8")
    command = [sys.executable, "-P", "-m", "benchcon", "try", panel.name, "--headless"]
    run = subprocess.Popen(command, cwd=panel.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert run.stdout is not None
    assert run.stdout.readline().split()[:1] == ["winch"], run.communicate(timeout=PATIENCE_S)
    run.send_signal(signal.SIGTERM)
    out, err = run.communicate(timeout=PATIENCE_S)
    assert (run.returncode, out, err) == (0, "", "")


def test_a_script_works_the_boards_of_any_panel_file(panel: Path, headless: tuple[str, str, str]) -> None:
    name, port, hand = headless
    assert name == "winch"
    assert f"{name} {port} {hand}\n" in benchcon("hand").stdout
    with Talk(port) as talk:
        assert talk.ask("hello")[5] == "winch"
        talk.ask("set", "l1=3E8")
        lit, shown = [benchcon("hand", hand, word).stdout for word in ("lit", "shown")]
        (lamp, level), (display, _) = (told.strip().split("=") for told in (lit, shown))
        assert (lamp, level, display) == ("drum_locked", "1000", "rope")
        assert benchcon("hand", hand, "lit", lamp).stdout == lit
        refused = benchcon("hand", hand, "lit", "nobody")
        assert (refused.returncode, refused.stderr.count("\n")) == (2, 1)
        # A fault in the lamp's wire: the board drives it, and nothing shines.
        assert benchcon("hand", hand, "fault", "open", "winch.l1").returncode == 0
        assert benchcon("hand", hand, "lit").stdout == f"{lamp}=0\n"
        assert benchcon("hand", hand, "faults").stdout == "1 open l1\n"
        # What really shines, in the words of a person who looks.
        talk.ask("set", "d1=306D79")
        shining = benchcon("try", str(panel), "--lit", hand, "--seconds", "0.2").stdout
        assert "Rope out [123]" in shining
        assert "Drum locked" not in shining
        talk.lines.clear()
        # By the board's name, as one of that name runs; the part by its name in the panel file.
        done = benchcon("hand", "winch", "press", "drum_lock")
        assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
        assert "sw1=1" in talk.notification("is")
        # A switch by the panel's words, and where it stands, one part a line and nothing else.
        assert benchcon("hand", "winch", "put", "drum_lock", "off").returncode == 0
        assert benchcon("hand", "winch", "where").stdout == "drum_lock=0\n"
        assert benchcon("hand", "winch", "put", "drum_lock", "on").returncode == 0
        assert benchcon("hand", "winch", "where").stdout == "drum_lock=1\n"
        # A quantity with a space in it, as a faults file writes it.
        assert benchcon("hand", hand, "fault", "delay", "by=5 ms").stdout == "2\n"


def test_what_a_hand_cannot_do_is_said_in_one_line(headless: tuple[str, str, str]) -> None:
    for words, said in (
        ((headless[2], "press", "drum_lok"), "there is no part 'drum_lok' on this board; did you mean 'drum_lock'?"),
        (("winch", "put", "drum_lock", "open"), "drum_lock has no position 'open'; its positions: off, on"),
        (("winsch", "lit"), "no simulated board 'winsch' runs on this machine"),
        (("unix:/nowhere", "lit"), "cannot be reached"),
        ((headless[2],), "no request given"),
    ):
        done = benchcon("hand", *words)
        assert done.returncode == 2
        assert done.stdout == ""
        assert done.stderr.startswith("benchcon: ")
        assert said in done.stderr
        assert done.stderr.count("\n") == 1


def test_running_simulated_boards_are_listed_with_the_ports(headless: tuple[str, str, str]) -> None:
    listed = benchcon("ports").stdout
    (row,) = [line for line in listed.splitlines() if headless[1] in line]
    assert "simulated board 'winch'" in row


def test_the_console_opens_on_ones_own_panel_and_the_keyboard_is_the_hand(panel: Path, tmp_path: Path) -> None:
    words = ("-m", "benchcon", "try", str(panel))
    with Terminal(*words, env={"BENCHCON_HOME": str(tmp_path / "home")}, columns=100, rows=30) as terminal:
        terminal.see("DRUM LOCKED", "DRUM LOCK ", "ROPE OUT", "SIMULATED", "● live")
        boards = processes_of(terminal.process.pid)
        assert boards
        terminal.press("down", "down")  # the lamp, and below it the switch
        terminal.see("Next position")
        terminal.press(" ")
        terminal.until(lambda: "on" in terminal.text().split(), "the switch to stand at on")
        terminal.press("q")
        assert terminal.ended() == 0
    assert all(map(is_gone, boards))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[panel]\n", "has no board to simulate"),
        ("[panel\n", "is not TOML here"),
        (PANEL.replace("winch.l1", "wich.l1"), "unknown board"),
    ],
)
def test_a_file_that_cannot_be_tried_is_one_line(text: str, said: str, panel: Path) -> None:
    panel.write_text(text, "utf-8")
    done = benchcon("try", str(panel), "--headless", "--seconds", "1")
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


FIRMWARE = PANEL.replace(
    "[boards.winch]",
    '[boards.winch]\nchip = "atmega328p"\nchains.7219 = { data = "D11", clock = "D13", load = "D10" }',
)
SUPPLY = '[supplies.main]\nfeeds = ["winch"]\non_when = [{ drum_lock = "on" }]\n'
for _id, _pin in (("sw1", "D4"), ("l1", "D5"), ("d1", "7219.0")):
    FIRMWARE = FIRMWARE.replace(f'"winch.{_id}"', f'{{ id = "winch.{_id}", pin = "{_pin}" }}')


@pytest.mark.parametrize(
    "way",
    [
        pytest.param("native", marks=needs_compiler),
        pytest.param("emulated", marks=[needs_emulator, pytest.mark.slow]),
    ],
)
def test_the_real_firmware_is_tried_without_a_chip(way: str, panel: Path, tmp_path: Path) -> None:
    panel.write_text(FIRMWARE + SUPPLY, "utf-8")
    command = [sys.executable, "-m", "benchcon", "try", str(panel), "--headless", "--firmware", way]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert run.stdout is not None
    name, port, hand = run.stdout.readline().split()
    assert name == "winch"
    children = processes_of(run.pid)
    with Talk(port) as talk:
        talk.ask("set", "l1=3E8")
        until(lambda: benchcon("hand", hand, "lit").stdout == "l1=1000\n")
        assert benchcon("hand", hand, "press", "sw1").returncode == 0
        assert "sw1=1" in talk.notification("is")
    # However it ends, nothing stays behind.
    run.kill()
    _, told = run.communicate(timeout=PATIENCE_S)
    assert told.startswith("benchcon: firmware does not know the panel's supplies: what")
    assert told.count("\n") == 1
    assert children
    until(lambda: all(is_gone(pid) for pid in children))


def test_what_is_missing_for_the_firmware_is_named_with_its_package(
    panel: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    panel.write_text(FIRMWARE, "utf-8")
    monkeypatch.setenv("PATH", "")
    assert main(["try", str(panel), "--headless", "--firmware", "emulated"]) == 2
    told = capsys.readouterr().err
    assert "apt-get install make gcc gcc-avr binutils-avr" in told
    assert told.count("\n") == 1
    panel.write_text(PANEL, "utf-8")
    monkeypatch.undo()
    assert main(["try", str(panel), "--headless", "--firmware", "native"]) == 2
    assert capsys.readouterr().err.startswith(f"benchcon: {panel}:")


def test_too_few_open_files_is_said_in_a_line(panel: Path) -> None:
    words = f"ulimit -n 10; exec {shlex.quote(sys.executable)} -m benchcon try {shlex.quote(str(panel))} --headless"
    ran = subprocess.run(["sh", "-c", words], capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert "too few open files; 'ulimit -n 256'" in ran.stderr
