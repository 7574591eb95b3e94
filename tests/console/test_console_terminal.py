"""The console in a real terminal, on simulated boards in processes of their own: what is *really* lit decides."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.on_boards import OSTREY, OnBoards
from processes import processes_of
from waiting import PATIENCE_S, until

from benchcon.demo import Demo, start


@pytest.fixture(scope="module")
def demo() -> Iterator[Demo]:
    with start(separate=True) as demo:
        yield demo


@pytest.fixture
def home(tmp_path: Path) -> dict[str, str]:
    return {"BENCHCON_HOME": str(tmp_path)}


def console(demo: Demo, env: dict[str, str]) -> Terminal:
    ports = [desk.port for desk in demo.boards]
    words = ("-m", "benchcon", "console", *ports, "--panel", str(OSTREY))
    return Terminal(*words, env=env, columns=140, rows=45)


def all_live(terminal: Terminal) -> None:
    """Wait until the three boards have said all they have to say at first; the supply comes last.

    A console before this one may have left them dark, which the first heartbeat says; this one ends that.
    """

    def all_there() -> bool:
        text = terminal.text()
        return text.count("supply 5.00 V") == 3 and "◐" not in text

    terminal.until(all_there, "three live boards")


def lit(demo: Demo) -> dict[str, int]:
    """Every lamp that is really lit, and its level."""
    return {name: level for hand in demo.hands.values() for name, level in hand.lit().items() if level}


def test_lamps_displays_and_dark_on_real_serial_ports(demo: Demo, home: dict[str, str]) -> None:
    with console(demo, home) as terminal:
        all_live(terminal)
        terminal.press("2", "4", "7")
        terminal.until(lambda: demo.hands["met"].shown("d_dir") == bytes([0x6D, 0x33, 0x70]), "the text")
        terminal.press("right", "right", " ")
        terminal.until(lambda: lit(demo) == {"l_xwind": 1000}, "the lamp at 1000")
        terminal.press("-", "-")
        terminal.until(lambda: lit(demo) == {"l_xwind": 900}, "the lamp at 900")
        terminal.see("90 %")
        demo.hands["power"].press("sw_batt")
        terminal.see("Battery = on")
        terminal.press("F9")
        terminal.see("◐ DARK")
        assert lit(demo) == {}
        assert demo.hands["met"].shown("d_dir") == bytes(3)
        terminal.press("F8", "F10")  # the keys beside F9 do not end it
        terminal.press("F4")
        terminal.see("F12 End dark")
        assert "◐ DARK" in terminal.text()
        terminal.press("F2", "F12")
        terminal.see("Dark has ended", "outputs stay off until they are set")
        terminal.until(lambda: "◐ DARK" not in terminal.text(), "the end of dark")
        terminal.until(lambda: "Dark, confirmed" not in terminal.text(), "the notice to go")
        assert lit(demo) == {}  # it restores nothing
        assert demo.hands["met"].shown("d_dir") == bytes(3)
        terminal.press(" ")
        terminal.until(lambda: lit(demo) == {"l_xwind": 1000}, "the lamp at 1000")
        terminal.press("q")
        assert terminal.ended() == 0
    assert lit(demo) == {}  # dark on leaving


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(signal.SIGTERM, marks=pytest.mark.slow),
        pytest.param(signal.SIGHUP, marks=pytest.mark.slow),
        signal.SIGKILL,
    ],
)
def test_dark_whatever_ends_it(demo: Demo, home: dict[str, str], number: signal.Signals) -> None:
    with console(demo, home) as terminal:
        all_live(terminal)
        terminal.press("right", "right", " ")
        terminal.until(lambda: lit(demo) == {"l_xwind": 1000}, "the lamp at 1000")
        terminal.signal(number)
        terminal.ended()
    # After SIGKILL nobody is left to say so: the boards' dead-man does it, after two seconds.
    until(lambda: lit(demo) == {}, "dark")


def test_an_error_inside_leaves_it_dark_with_one_line_and_no_traceback(demo: Demo, home: dict[str, str]) -> None:
    broken = (
        "import sys; from benchcon.console.face import Face; from benchcon.cli.main import main\n"
        "Face.action_lamp_blink = lambda self: 1 / 0\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    ports = [desk.port for desk in demo.boards]
    with Terminal("-c", broken, "console", *ports, "--panel", str(OSTREY), env=home, columns=140, rows=45) as terminal:
        all_live(terminal)
        terminal.press("right", "right", " ")
        terminal.until(lambda: lit(demo) == {"l_xwind": 1000}, "the lamp at 1000")
        terminal.press("b")
        assert terminal.ended() == 2
        until(lambda: lit(demo) == {}, "dark")
        shown = terminal.raw.decode("utf-8", "replace")
        assert "Traceback" not in shown
        # What stands there after the console's screen has gone (the end of the alternate screen of xterm).
        left = re.sub(r"\x1b\[[0-9;?<>=]*[a-zA-Z]", "", shown.rpartition("\x1b[?1049l")[2]).strip()
        assert left.startswith("benchcon: the console ended: unexpected: ZeroDivisionError")
        assert len(left.splitlines()) == 1


def test_no_color_sends_no_colour(demo: Demo, home: dict[str, str]) -> None:
    with console(demo, home | {"NO_COLOR": "1"}) as terminal:
        all_live(terminal)
        terminal.press("right", "right", " ")
        terminal.see("▟██▙ on")
        terminal.press("F3")
        terminal.see("pin", "changes")
        terminal.press("q")
        terminal.ended()
        for parameters in re.findall(rb"\x1b\[([0-9;]*)m", terminal.raw):
            for code in parameters.split(b";"):
                assert not code or int(code) in (0, 1, 2, 3, 4, 7, 22, 23, 24, 27, 39, 49), parameters
        cells = [cell for row in terminal.screen.buffer.values() for cell in row.values()]
        assert {cell.fg for cell in cells} | {cell.bg for cell in cells} <= {"default"}


def test_the_demo_opens_on_its_own_and_something_moves(home: dict[str, str]) -> None:
    with Terminal("-m", "benchcon", "demo", env=home, columns=140, rows=45) as terminal:
        all_live(terminal)
        terminal.see("SIMULATED", "WEATHER DESK", "EVENTS")
        # The simulated hand works the desks: what it touched is shown in large letters, and among the events.
        terminal.until(lambda: "█" in "".join(terminal.screen.display[38:44]), "large letters")
        terminal.press("q")
        assert terminal.ended() == 0


@pytest.mark.parametrize("after_s", [0.25, *(pytest.param(s, marks=pytest.mark.slow) for s in (0.5, 0.8, 1.3, 2.0))])
def test_ctrl_c_at_any_moment_ends_the_demo_cleanly(home: dict[str, str], after_s: float) -> None:
    with Terminal("-m", "benchcon", "demo", env=home) as terminal:
        end = time.monotonic() + after_s  # the moment is what is tested: there is nothing to wait for
        while time.monotonic() < end:
            terminal.read(0.01)
        children = processes_of(terminal.process.pid)
        terminal.press("\x03")
        code = terminal.ended()
        shown = terminal.raw.decode("utf-8", "replace")
        assert "Traceback" not in shown
        assert code in (0, 130), shown[-300:]  # 130: it came before there was anything to end
        for mode in ("1049", "1000", "2004"):  # the other screen, the mouse, pasting: off again
            assert shown.count(f"\x1b[?{mode}h") == shown.count(f"\x1b[?{mode}l")
        assert shown.rfind("\x1b[?25l") <= shown.rfind("\x1b[?25h")  # and the cursor is there
    for pid in children:
        until(lambda pid=pid: not Path(f"/proc/{pid}").exists())  # type: ignore[misc]


def test_a_capture_is_played_back_on_the_same_screen(home: dict[str, str], tmp_path: Path) -> None:
    path = tmp_path / "night.capture"
    session = OnBoards()
    session.start_recording(path)
    session.wait(1.0)
    session.moved("power", sw_batt=1)
    session.mark("1")
    for _ in range(30):
        session.wait(1.0)
    session.moved("power", sw_batt=0)
    session.wait(1.0)
    session.stop_recording()
    with Terminal("-m", "benchcon", "replay", str(path), env=home) as terminal:
        terminal.see("paused", "night.capture", "0:00:0")
        terminal.press(".")
        terminal.see("0:00:01.1")
        terminal.until(lambda: terminal.text().count("▀ on") == 2, "the switch, beside the mains")
        terminal.press("g")
        terminal.see("Go to", "Enter OK")  # the line has the keys now
        terminal.press("2", ".", "5", "enter")
        terminal.see("0:00:02.500")
        assert terminal.text().count("▀ on") == 2
        terminal.press(".")
        terminal.see("0:00:31.2")
        terminal.until(lambda: terminal.text().count("▀ on") == 1, "the switch")
        terminal.press("F6")
        terminal.see("A –", "Intensity: 5", "▅")
        terminal.press("q")
        assert terminal.ended() == 0


def test_without_a_terminal_it_says_so_in_one_line(home: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchcon", "console", "/dev/null"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env={**os.environ, **home},
        timeout=PATIENCE_S,
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "needs a terminal" in done.stderr


def test_a_terminal_that_is_closed_during_the_start_ends_the_console_in_order(home: dict[str, str]) -> None:
    """Its signal has come, and what is left is no terminal any more."""
    program = (
        "import os, signal, sys; from benchcon.console import run; from benchcon.cli.main import main\n"
        "goes_on = run.open_and_run\n"
        "run.open_and_run = lambda *given: (os.kill(os.getpid(), signal.SIGHUP), goes_on(*given))[1]\n"
        "sys.exit(main(['console', '/dev/null']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env={**os.environ, **home},
        timeout=PATIENCE_S,
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_the_first_run_lists_ports_and_asks(demo: Demo, home: dict[str, str]) -> None:
    """Where something is there to be opened: here the desks that run."""
    with Terminal("-m", "benchcon", env=home) as terminal:
        terminal.see("Which ports should be opened?", "F9 DARK")
        terminal.press("\x1b")
        # Escape and a key right behind it are one key to a terminal, so wait until the question is gone.
        terminal.until(lambda: "Which ports" not in terminal.text(), "the question to go")
        terminal.see("No port is open")
        terminal.press("q")
        assert terminal.ended() == 0


def test_what_is_typed_ahead_goes_into_the_question_that_its_first_key_opens(
    home: dict[str, str], tmp_path: Path
) -> None:
    path = tmp_path / "night.capture"
    session = OnBoards()
    session.start_recording(path)
    for _ in range(30):
        session.wait(1.0)
    session.stop_recording()
    with Terminal("-m", "benchcon", "replay", str(path), env=home) as terminal:
        terminal.see("paused", "night.capture", "0:00:0")
        # In one write each, as a quick typist or a paste into the terminal sends them; and straight on after the line.
        terminal.press("g12.5\rg0:07.25\rg21.75\r")
        terminal.see("0:00:21.750")
        terminal.press("F4")
        terminal.press("/gap\rg17\r")
        terminal.see("only: gap", "0:00:17.000")
        terminal.press("q")
        assert terminal.ended() == 0


@pytest.mark.parametrize("size", [(80, 24), (140, 45)])
def test_the_walk_is_on_the_first_key_line_and_in_the_palette(
    demo: Demo, home: dict[str, str], size: tuple[int, int]
) -> None:
    words = ["-m", "benchcon", "console", *(desk.port for desk in demo.boards), "--panel", str(OSTREY)]
    with Terminal(*words, env=home, columns=size[0], rows=size[1]) as terminal:
        terminal.until(lambda: terminal.text().count("● live") >= 3, "three live boards")
        for keys in ((), ("right", "right"), ("down", "down")) if size[0] > 100 else ():  # a display, a lamp, a control
            terminal.press(*keys)
            terminal.until(
                lambda: "t Walk" in terminal.text().splitlines()[-1], f"the walk on the key line after {keys}"
            )
        terminal.press("\x10")
        terminal.see("Search for commands")
        terminal.press("walk")
        terminal.see("Walk", "key t")
        terminal.press("down", "enter")
        terminal.see("Walk: what?", "everything (25 parts)")
