"""Whatever ends a program that lights lamps, they go out: real terminals, processes and signals, simulated boards.

What is *really* lit is read through the boards' simulated hands. Two seconds are the promise of README's cautions.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from console.on_boards import OSTREY
from processes import processes_of
from waiting import PATIENCE_S, until

from benchcon.conform.board import DEADMAN
from benchcon.demo import Demo, start
from benchcon.errors import Trouble
from benchcon.rig.hand import Hand
from benchcon.walk.soak import STEP_S

ENDS_S = 2.0
DEADMAN_S = 2.0
SLACK_S = 1.0
"""For a busy machine: processes and this test share two cores."""


@pytest.fixture(scope="module")
def demo() -> Iterator[Demo]:
    with start(separate=True) as demo:
        yield demo


@pytest.fixture
def home(tmp_path: Path) -> dict[str, str]:
    return {"BENCHCON_HOME": str(tmp_path)}


def lit(hands: dict[str, Hand]) -> dict[str, object]:
    """Every lamp and display that is really lit."""
    found: dict[str, object] = {}
    for hand in hands.values():
        found |= {id_: level for id_, level in hand.lit().items() if level}
        found |= {id_: shown for id_, shown in hand.shown_all().items() if any(shown)}
    return found


@contextlib.contextmanager
def worked(demo: Demo) -> Iterator[None]:
    """Two contacts are worked all the while: the screen has something to draw in every frame."""
    over = threading.Event()

    def work() -> None:
        with Hand(demo.boards[0].control) as lighting, Hand(demo.boards[2].control) as power:
            while not over.is_set():
                with contextlib.suppress(Trouble):
                    lighting.press("sw_rwy")
                    power.press("sw_batt")
                    lighting.release("sw_rwy")
                    power.release("sw_batt")

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


@contextlib.contextmanager
def lit_console(demo: Demo, home: dict[str, str], *program: str) -> Iterator[Terminal]:
    """A console with a lamp lit by its user. `program`: how Python starts it, if not as usual."""
    words = (*(program or ("-m", "benchcon")), "console", *(desk.port for desk in demo.boards), "--panel", str(OSTREY))
    with Terminal(*words, env=home, columns=140, rows=45) as terminal:
        terminal.until(lambda: terminal.text().count("supply 5.00 V") == 3, "three live boards")
        terminal.press("right", "right", " ")
        terminal.until(lambda: lit(demo.hands) == {"l_xwind": 1000}, "the lamp")
        yield terminal


def read_for(terminal: Terminal, seconds: float) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        terminal.read(0.02)


def test_closing_the_terminal_puts_the_lamps_out_and_ends_the_console(demo: Demo, home: dict[str, str]) -> None:
    with lit_console(demo, home) as terminal, worked(demo):
        read_for(terminal, 1.0)
        terminal.close_window()
        dark = until(lambda: not lit(demo.hands), "dark")
        ended = dark + until(lambda: terminal.process.poll() is not None, "the end")
    assert dark < 0.5 + SLACK_S
    assert ended < ENDS_S + SLACK_S


def test_a_signal_ends_a_rehearsal_while_its_boards_are_being_met(home: dict[str, str]) -> None:
    """The signal comes where the program waits for its boards, which answer nobody who is dark for good."""
    scenario = OSTREY.parent / "panels" / "level-alert-scenario.toml"
    program = (
        "import os, signal, sys; from benchcon.cli import bench; from benchcon.cli.main import main\n"
        "met = bench.meet\n"
        "bench.meet = lambda *given: (os.kill(os.getpid(), signal.SIGTERM), met(*given))\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    with Terminal("-c", program, "rehearse", str(scenario), env=home) as terminal:
        until(lambda: terminal.process.poll() is not None, "the end")
        terminal.read(0.1)
        assert "hung" not in terminal.text()
        assert terminal.process.returncode == 128 + signal.SIGTERM


def test_closing_the_terminal_where_the_signal_is_ignored(demo: Demo, home: dict[str, str]) -> None:
    """As under a program that swallows SIGHUP: the terminal itself tells."""
    keep_out = "import signal, sys; from benchcon.cli.main import main\nreal = signal.signal\n"
    keep_out += "signal.signal = lambda n, h: real(n, signal.SIG_IGN if n == signal.SIGHUP else h)\n"
    keep_out += "sys.exit(main(sys.argv[1:]))"
    words = ("-c", keep_out, "console", *(desk.port for desk in demo.boards), "--panel", str(OSTREY))
    with Terminal(*words, env=home, columns=140, rows=45) as terminal:
        terminal.until(lambda: terminal.text().count("supply 5.00 V") == 3, "three live boards")
        terminal.press("right", "right", " ")
        terminal.until(lambda: lit(demo.hands) == {"l_xwind": 1000}, "the lamp")
        with worked(demo):
            terminal.close_window()
            assert until(lambda: not lit(demo.hands), "dark") < 0.5 + SLACK_S
            until(lambda: terminal.process.poll() is not None, "the end", ENDS_S + SLACK_S)


@pytest.mark.slow
def test_closing_the_terminal_of_the_demo_leaves_no_process(home: dict[str, str], tmp_path: Path) -> None:
    env = home | {"TMPDIR": str(tmp_path)}
    with Terminal("-m", "benchcon", "demo", env=env, columns=140, rows=45) as terminal:
        terminal.until(lambda: terminal.text().count("supply 5.00 V") == 3, "three live boards")
        desks = processes_of(terminal.process.pid)
        assert len(desks) >= 3
        read_for(terminal, 1.0)
        terminal.close_window()
        until(lambda: terminal.process.poll() is not None, "the end", ENDS_S + SLACK_S)
    for pid in desks:
        until(lambda pid=pid: not Path(f"/proc/{pid}").exists(), "the desks' end")  # type: ignore[misc]


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGHUP, marks=pytest.mark.slow)])
def test_a_signal_ends_a_console_whose_screen_hangs(demo: Demo, home: dict[str, str], number: signal.Signals) -> None:
    """Nobody reads the terminal: the screen's loop waits for room in it, for good."""
    with lit_console(demo, home) as terminal, worked(demo):
        time.sleep(0.7)  # the terminal's buffer and the writer's queue fill: nothing tells when they are full
        terminal.signal(number)
        dark = until(lambda: not lit(demo.hands), "dark")
        ended = dark + until(lambda: terminal.process.poll() is not None, "the end")
    assert dark < 0.5 + SLACK_S
    assert ended < ENDS_S + SLACK_S


@pytest.mark.slow
def test_a_screen_that_stands_still_feeds_no_dead_man(demo: Demo, home: dict[str, str]) -> None:
    with lit_console(demo, home) as terminal, worked(demo):
        # Nobody reads: dark comes without a signal, by the boards' own dead-man.
        took = until(lambda: not lit(demo.hands), "dark by the dead-man")
        assert terminal.process.poll() is None
        # The screen goes on when it is read again, and so does the link; the boards stay dark until the user ends it.
        terminal.see("◐")  # in the head and at the board that was lit: the others may have been fed in time
        terminal.press("q")
        assert terminal.ended() == 0
    assert took > 1.0  # it was the dead-man, not a signal


@pytest.mark.slow
def test_a_stopped_console_is_darkened_by_the_dead_man(demo: Demo, home: dict[str, str]) -> None:
    with lit_console(demo, home) as terminal:
        terminal.signal(signal.SIGSTOP)
        assert until(lambda: not lit(demo.hands), "dark by the dead-man") < DEADMAN_S + SLACK_S
        terminal.signal(signal.SIGCONT)
        terminal.see("◐")  # in the head and at the board that was lit: the others may have been fed in time
        assert not lit(demo.hands)
        terminal.press("q")
        assert terminal.ended() == 0


def program(demo: Demo, home: dict[str, str], *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "benchcon", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, **home},
        start_new_session=True,
    )


FROM_OUTSIDE = [
    signal.SIGTERM,
    *(pytest.param(each, marks=pytest.mark.slow) for each in (signal.SIGHUP, signal.SIGQUIT)),
]
ENDS = [*FROM_OUTSIDE, pytest.param(signal.SIGINT, marks=pytest.mark.slow)]


def end_it(demo: Demo, running: subprocess.Popen[str], number: signal.Signals) -> int:
    try:
        until(lambda: lit(demo.hands) or running.poll() is not None, "something lit")
        assert running.poll() is None, running.communicate()
        running.send_signal(number)
        dark = until(lambda: not lit(demo.hands), "dark")
        ended = dark + until(lambda: running.poll() is not None, "the end")
        assert dark < 0.5 + SLACK_S
        assert ended < ENDS_S + SLACK_S
        # A dark that was confirmed is one that the program sent: the dead-man would have needed two seconds.
        time.sleep(0.2)
        assert not lit(demo.hands)
        return running.returncode
    finally:
        if running.poll() is None:
            running.kill()
        running.communicate()


@pytest.mark.slow
@pytest.mark.parametrize("number", ENDS)
def test_a_soak_that_is_ended_is_dark(demo: Demo, home: dict[str, str], number: signal.Signals) -> None:
    ports = [desk.port for desk in demo.boards]
    running = program(demo, home, "walk", *ports, "--panel", str(OSTREY), "--soak", "1 h")
    assert end_it(demo, running, number) == 128 + number  # README, exit codes: it was not through


@pytest.mark.slow
@pytest.mark.parametrize("number", ENDS)
def test_a_walk_that_is_ended_is_dark(demo: Demo, home: dict[str, str], number: signal.Signals) -> None:
    words = [word for desk in demo.boards for word in ("--hand", desk.control)]
    code = end_it(demo, program(demo, home, "walk", *words, "--panel", str(OSTREY)), number)
    assert code == 128 + number


def capture_of_a_lit_lamp(demo: Demo, path: Path) -> None:
    from benchcon.link import Bench
    from benchcon.panel.file import load
    from benchcon.session import LiveSession

    panel = load(OSTREY)
    bench = Bench([demo.boards[1].port], panel=panel, keep=False)
    session = LiveSession(bench, panel)
    bench.start()
    assert bench.wait(lambda ports: bool(ports) and all(port.stage == "live" for port in ports), PATIENCE_S)
    source = bench.ports()[0].source
    bench.light(source).result(PATIENCE_S)
    session.start_recording(path)
    bench.set_lamp(source, "l_xwind", 1000).result(PATIENCE_S)
    began = time.monotonic()
    while time.monotonic() - began < 4.0:  # the capture is as long as the replay has to be
        bench.ask(source, ("read", "all")).result(PATIENCE_S)
        time.sleep(0.5)
    session.stop_recording()
    session.close()


@pytest.mark.slow
@pytest.mark.parametrize("number", ENDS)
def test_a_replay_to_a_board_that_is_ended_is_dark(
    demo: Demo, home: dict[str, str], tmp_path: Path, number: signal.Signals
) -> None:
    capture_of_a_lit_lamp(demo, tmp_path / "lit.capture")
    running = program(demo, home, "replay", str(tmp_path / "lit.capture"), "--to", demo.boards[1].port)
    assert end_it(demo, running, number) == 128 + number


@pytest.mark.parametrize("number", ENDS)
def test_a_conformance_test_that_is_ended_is_dark(demo: Demo, home: dict[str, str], number: signal.Signals) -> None:
    running = program(demo, home, "conform", demo.boards[1].port, "--only", "set", "--only", "deadman")
    assert end_it(demo, running, number) == 128 + number


@pytest.mark.parametrize("number", ENDS)
def test_a_rehearsal_that_is_ended_is_dark(demo: Demo, home: dict[str, str], number: signal.Signals) -> None:
    scenario = OSTREY.with_name("ostrey-scenario.toml")
    words = [word for desk in demo.boards for word in ("--hand", desk.control)]
    running = program(demo, home, "rehearse", str(scenario), *words)
    assert end_it(demo, running, number) == 128 + number


RULES_THAT_HANG = """\
import time
from benchcon.rehearse import lamp

@lamp("crosswind")
def limit(speed):
    if speed > 10:
        time.sleep(3600)
    return True
"""


def scenario_that_hangs(tmp_path: Path) -> str:
    (tmp_path / "rules.py").write_text(RULES_THAT_HANG)
    (tmp_path / "behaviour.toml").write_text(
        f'[behaviour]\npanel = "{OSTREY}"\nrules = "rules.py"\n'
        '[values.speed]\nunit = "kt"\nrange = ["0 kt", "100 kt"]\nstart = "0 kt"\n'
    )
    (tmp_path / "scenario.toml").write_text(
        '[scenario]\nbehaviour = "behaviour.toml"\n[[steps]]\nat = "1 s"\nset = { speed = "20 kt" }\n'
    )
    return str(tmp_path / "scenario.toml")


@pytest.mark.slow
def test_rules_that_hang_keep_nothing_lit(demo: Demo, home: dict[str, str], tmp_path: Path) -> None:
    words = [word for desk in demo.boards for word in ("--hand", desk.control)]
    running = program(demo, home, "rehearse", scenario_that_hangs(tmp_path), *words)
    try:
        until(lambda: lit(demo.hands) or running.poll() is not None, "something lit")
        until(lambda: not lit(demo.hands), "dark by the dead-man", 1.0 + 1.0 + DEADMAN_S + SLACK_S)
        assert running.poll() is None, running.communicate()
        running.send_signal(signal.SIGINT)
        _, err = running.communicate(timeout=ENDS_S + SLACK_S)
        assert running.returncode == 128 + signal.SIGINT
        assert err.endswith("look at the panel, and unplug what is still lit\n")
        assert "ended by force" in err
    finally:
        running.kill()


@pytest.mark.slow
def test_rules_that_hang_keep_nothing_lit_under_a_console_that_is_at_work(
    demo: Demo, home: dict[str, str], tmp_path: Path
) -> None:
    words = [word for desk in demo.boards for word in ("--hand", desk.control)]
    command = ("-m", "benchcon", "rehearse", scenario_that_hangs(tmp_path), *words)
    with Terminal(*command, env=home, columns=140, rows=45) as terminal:
        terminal.until(lambda: lit(demo.hands), "the lamp")
        terminal.until(lambda: not lit(demo.hands), "dark by the dead-man")
        terminal.see("◐")  # the screen turns, and says so


# Ctrl-C is a key of the console: what it does there is tested with the keys.
@pytest.mark.parametrize("number", [*FROM_OUTSIDE, "\x1c"])  # Ctrl-\, which is a key of a screen as well
def test_a_console_that_is_ended_by_a_signal_is_dark_and_was_to_be_ended(
    demo: Demo, home: dict[str, str], number: signal.Signals | str
) -> None:
    with lit_console(demo, home) as terminal:
        if isinstance(number, str):
            terminal.press(number)
        else:
            terminal.signal(number)
        assert until(lambda: not lit(demo.hands), "dark") < 0.5 + SLACK_S
        assert terminal.ended() == 0
        assert b"\x1b[?1049l" in terminal.raw, "the terminal's own screen is shown again"


def ended_while_met_stands_still(demo: Demo, running: subprocess.Popen[str], number: signal.Signals) -> str:
    """End a program that lights something by a signal, while the board `met` does not answer; return its last words."""
    met = demo.pids[[desk.name for desk in demo.boards].index("met")]
    try:
        until(lambda: lit(demo.hands) or running.poll() is not None, "something lit")
        os.kill(met, signal.SIGSTOP)
        running.send_signal(number)
        return running.communicate(timeout=PATIENCE_S)[1]
    finally:
        os.kill(met, signal.SIGCONT)
        running.kill()


def test_dark_that_a_board_did_not_confirm_is_said_by_a_conformance_test_too(demo: Demo, home: dict[str, str]) -> None:
    running = program(demo, home, "conform", demo.boards[1].port, "--only", "set")
    err = ended_while_met_stands_still(demo, running, signal.SIGTERM)
    assert "NOT CONFIRMED by every board: pull the plug" in err
    assert running.returncode == 128 + signal.SIGTERM
    until(lambda: not lit(demo.hands), "dark by the dead-man")


def test_a_reader_that_leaves_ends_a_program_that_lights_dark_and_silently(demo: Demo, home: dict[str, str]) -> None:
    running = program(
        demo, home, "conform", demo.boards[1].port, "--only", "set", "--only", "deadman", "--only", "dark"
    )
    assert running.stdout is not None
    until(lambda: lit(demo.hands) or running.poll() is not None, "something lit")
    running.stdout.close()
    code = running.wait(PATIENCE_S)
    assert running.stderr is not None
    with running.stderr as err:
        assert err.read() == ""
    assert code == 128 + signal.SIGPIPE
    assert not lit(demo.hands)


@pytest.mark.slow
def test_a_conformance_test_that_is_killed_is_darkened_by_the_dead_man(demo: Demo, home: dict[str, str]) -> None:
    running = program(demo, home, "conform", demo.boards[1].port, "--only", "set")
    try:
        until(lambda: lit(demo.hands) or running.poll() is not None, "something lit")
        running.kill()
        until(lambda: not lit(demo.hands), "dark", int(DEADMAN, 16) / 1000 + SLACK_S)
    finally:
        running.kill()
        running.communicate()


@pytest.mark.slow
def test_a_board_that_does_not_confirm_dark_is_said_with_every_plug_to_pull(
    demo: Demo, home: dict[str, str], tmp_path: Path
) -> None:
    panel = tmp_path / "desk.toml"
    panel.write_text(OSTREY.read_text().replace('budget = "250 mA"', 'budget = "250 mA"\nexternal_supply = "12 V"'))
    ports = [desk.port for desk in demo.boards]
    running = program(demo, home, "walk", *ports, "--panel", str(panel), "--soak", "1 h")
    err = ended_while_met_stands_still(demo, running, signal.SIGINT)
    assert "NOT CONFIRMED by every board: pull the plug; at met switch off its 12 V supply too" in err
    assert running.returncode != 0
    until(lambda: not lit(demo.hands), "dark by the dead-man")


def benchcon_that_hangs(where: str, when: str = "True") -> tuple[str, ...]:
    """The program, with a thread of it that hangs for good in the method `where` as soon as `when` holds there."""
    module, kind, method = where.rsplit(".", 2)
    return (
        "-c",
        f"import sys, threading\nimport {module} as room\nfrom benchcon.cli.main import main\n"
        f"real = room.{kind}.{method}\n"
        f"def hangs(self, *more, **named):\n    if {when}:\n        threading.Event().wait()\n"
        f"    return real(self, *more, **named)\nroom.{kind}.{method} = hangs\nsys.exit(main(sys.argv[1:]))",
    )


def test_a_screen_that_hangs_as_the_user_quits_is_dark_by_then(demo: Demo, home: dict[str, str]) -> None:
    hangs = benchcon_that_hangs("textual.app.App._shutdown")
    with lit_console(demo, home, *hangs) as terminal:
        terminal.press("q")
        assert until(lambda: not lit(demo.hands), "dark") < 0.5 + SLACK_S


@pytest.mark.slow
def test_a_walk_that_hangs_keeps_nothing_lit_under_a_console_that_is_at_work(demo: Demo, home: dict[str, str]) -> None:
    hangs = benchcon_that_hangs(
        "benchcon.walk.runner.Runner._tick", "self.walk.state == 'look' and self.walk.wants.lamps"
    )
    ports = [desk.port for desk in demo.boards]
    with Terminal(*hangs, "console", *ports, "--panel", str(OSTREY), env=home, columns=140, rows=45) as terminal:
        terminal.until(lambda: terminal.text().count("supply 5.00 V") == 3, "three live boards")
        terminal.press("t")
        terminal.see("Walk: what?")
        terminal.press("c")
        terminal.see("Walk only")
        terminal.press(*"crosswind", "enter")
        terminal.see("What you chose is tested in turn")
        terminal.press("ctrl+u", "enter")  # without a report
        terminal.see("Every lamp and display should be dark now.")

        def the_lamp_comes() -> bool:
            terminal.press("enter")  # too soon an answer does not count, and the lamp's own question hangs
            terminal.read(0.2)
            return bool(lit(demo.hands))

        terminal.until(the_lamp_comes, "the lamp that is looked at")
        terminal.until(lambda: not lit(demo.hands), "dark by the dead-man")
        assert terminal.process.poll() is None


@pytest.mark.slow
def test_a_soak_that_hangs_keeps_nothing_lit(demo: Demo, home: dict[str, str]) -> None:
    hangs = benchcon_that_hangs("benchcon.walk.soak.Soaking.next_step", "self.wants.lamps")
    words = (*hangs, "walk", *(desk.port for desk in demo.boards), "--panel", str(OSTREY), "--soak", "1 h")
    kept_dark_though_it_hangs(demo, home, *words)


@pytest.mark.slow
def test_a_replay_to_a_board_that_hangs_keeps_nothing_lit(demo: Demo, home: dict[str, str], tmp_path: Path) -> None:
    capture_of_a_lit_lamp(demo, tmp_path / "lit.capture")
    hangs = benchcon_that_hangs("benchcon.replay.rerun._Run._sleep_until", "self.asked")
    kept_dark_though_it_hangs(demo, home, *hangs, "replay", str(tmp_path / "lit.capture"), "--to", demo.boards[1].port)


def kept_dark_though_it_hangs(demo: Demo, home: dict[str, str], *words: str) -> None:
    running = subprocess.Popen(
        [sys.executable, *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **home},
        start_new_session=True,
    )
    try:
        until(lambda: lit(demo.hands) or running.poll() is not None, "something lit")
        until(lambda: not lit(demo.hands), "dark by the dead-man", STEP_S + 1.0 + DEADMAN_S + 2 * SLACK_S)
        assert running.poll() is None
    finally:
        running.kill()
        running.wait()
