"""Values from other programs on a board that is a process of its own: a real broker, real sockets, killed processes.

The broker is mosquitto, the other side its own command-line clients: neither is ours.
"""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from rehearse.mosquitto import Mosquitto
from waiting import until

from benchcon import demo as demo_package
from benchcon.demo.desks import Demo, start
from benchcon.link import Bench
from benchcon.panel.segments import decode
from benchcon.rehearse import rules_file
from benchcon.rehearse.live import LiveRun
from benchcon.rehearse.publishing import Publisher
from benchcon.rehearse.scenario import without_steps
from benchcon.rehearse.sources import MqttSource, TcpSource, UdpSource, broker_of
from benchcon.session import LiveSession

PANELS = Path(demo_package.__file__).parent / "panels"
needs_broker = pytest.mark.skipif(shutil.which("mosquitto") is None, reason="needs the broker mosquitto")

RULES = """\
from benchcon.rehearse import display, lamp

@display("selected_level")
def level(level):
    return level

@lamp("level_alert")
def alert(level):
    return level > 1000
"""


@pytest.fixture(scope="module")
def board() -> Iterator[Demo]:
    with start(panel=PANELS / "level-alert.toml", separate=True) as running:
        yield running


@contextmanager
def running(board: Demo, folder: Path, max_age: str = "") -> Iterator[LiveRun]:
    (folder / "rules.py").write_text(RULES)
    age = f'max_age = "{max_age}"\n' if max_age else ""
    (folder / "b.toml").write_text(
        f'[behaviour]\npanel = "{PANELS}/level-alert.toml"\nrules = "rules.py"\n'
        f'[values.level]\nunit = "ft"\nrange = ["0 ft", "50000 ft"]\n{age}'
    )
    board.hands["alert"].reset()
    read = without_steps(folder / "b.toml")
    bench = Bench([board.boards[0].port], panel=read.panel, keep=False)
    session = LiveSession(bench, read.panel)
    bench.start()
    run = LiveRun(session, read, rules_file.load(read.rules, read.panel, read.behaviour))
    run.start()
    try:
        until(lambda: shown(board) == "-----", "no data is bars")
        yield run
    finally:
        run.close()
        session.close()
    assert run.trouble is None


def shown(board: Demo) -> str:
    return decode(board.hands["alert"].shown("d_level")).strip()


class Broker(Mosquitto):
    """A broker, and others that publish there and listen."""

    def publish(self, name: str, text: str, *more: str) -> None:
        words = ["mosquitto_pub", "-p", str(self.port), "-t", f"sim/{name}", "-m", text, *more]
        subprocess.run(words, check=True)

    def retained(self, topic: str) -> str:
        words = ["mosquitto_sub", "-p", str(self.port), "-t", topic, "-C", "1", "-W", "2"]
        return subprocess.run(words, capture_output=True, text=True).stdout.strip()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path, "allow_anonymous true")
    yield made
    made.kill()


def test_rules_are_loaded_again_when_they_are_saved(board: Demo, tmp_path: Path) -> None:
    with running(board, tmp_path) as run:
        told: list[str] = []
        run.on_rules = told.append
        run.offer({"level": 1500.0})
        until(lambda: shown(board) == "1500")
        (tmp_path / "rules.py").write_text(RULES.replace("return level\n", "return level / 100\n"))
        until(lambda: shown(board) == "15")
        assert told[-1].endswith("rules.py: reloaded, 2 rules")
        (tmp_path / "rules.py").write_text(RULES.replace("def level(level)", "def level(level"))
        until(lambda: len(told) == 2)
        assert "rules.py:4: is not valid Python" in told[-1]
        run.watched = True
        until(lambda: run.picture is not None and run.picture.mistakes == (told[-1],), "it stays on the screen")
        run.offer({"level": 1700.0})
        until(lambda: shown(board) == "17", "the old rules go on")
        (tmp_path / "rules.py").write_text(RULES.replace("return level\n", "return level / 0\n"))
        until(lambda: run.picture is not None and not any("valid Python" in each for each in run.picture.mistakes))
        until(lambda: shown(board) == "-----", "what cannot be worked out is no data")
        until(lambda: set(board.hands["alert"].lit().values()) == {1000}, "and everything else goes on")


@pytest.mark.slow
@needs_broker
def test_values_from_a_broker_that_is_killed_and_comes_back(board: Demo, tmp_path: Path, broker: Broker) -> None:
    with running(board, tmp_path, max_age="1 s") as run:
        source = MqttSource(
            broker_of(f"mqtt://127.0.0.1:{broker.port}/sim"), run.scenario.behaviour, run.offer, run.complain
        )
        # Retained from yesterday, for all we know: never shown as what is now.
        broker.publish("level", "77", "-r")
        source.start()
        try:
            for level in ("1500", "0.5 mi"):
                assert source.connected.wait(20)
                broker.publish("level", level)
                until(lambda level=level: shown(board) == {"1500": "1500", "0.5 mi": "2640"}[level])
                broker.kill()
                until(lambda: shown(board) == "-----", "too old is no data, not the last thing")
                broker.start()
            assert source.connected.wait(20)
            for text in ("x", "1e99", "{", "", "-3 ft", "[1]"):
                broker.publish("level", text)
            broker.publish("nobody", "3")
            broker.publish("bench", "here")  # as --publish says it, where both share a prefix
            broker.publish("level", "900")
            until(lambda: shown(board) == "900")
            assert any("unknown value 'nobody'" in text for text in run.complaints)
            assert not any("'bench'" in text for text in run.complaints)
            assert any("outside its range" in text for text in run.complaints)
        finally:
            source.close()


@needs_broker
@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_what_the_panel_does_is_told_to_others(board: Demo, tmp_path: Path, broker: Broker, version: str) -> None:
    with running(board, tmp_path) as run:
        publisher = Publisher(broker_of(f"mqtt://127.0.0.1:{broker.port}/desk?version={version}"), run)
        run.on_turn = publisher.look
        publisher.start()
        try:
            run.offer({"level": 1500.0})
            until(lambda: broker.retained("desk/outputs/level_alert") == "on")
            until(lambda: broker.retained("desk/outputs/selected_level").strip() == "1500")
            board.hands["alert"].turn("level_set", 2)
            until(lambda: broker.retained("desk/controls/level_set") == "2")
            assert broker.retained("desk/boards/alert") == "live"
            assert broker.retained("desk/bench") == "here"
            # A broker that is restarted knows nothing: it is told again.
            broker.kill()
            broker.start()
            until(lambda: broker.retained("desk/controls/level_set") == "2")
        finally:
            publisher.close()
        assert broker.retained("desk/bench") == "gone"


@needs_broker
def test_a_bench_that_is_killed_leaves_its_last_will(board: Demo, tmp_path: Path, broker: Broker) -> None:
    with running(board, tmp_path):
        pass  # writes the files
    url = f"mqtt://127.0.0.1:{broker.port}"
    words = [
        "rehearse",
        str(tmp_path / "b.toml"),
        board.boards[0].port,
        "--values",
        f"{url}/sim",
        "--publish",
        f"{url}/d",
    ]
    process = subprocess.Popen([sys.executable, "-m", "benchcon", *words], cwd=tmp_path, stdout=subprocess.DEVNULL)
    try:
        until(lambda: broker.retained("d/bench") == "here")
        process.send_signal(signal.SIGKILL)
        until(lambda: broker.retained("d/bench") == "gone")
    finally:
        process.kill()
        process.wait()


def test_lines_over_tcp_and_udp_and_the_newest_counts(board: Demo, tmp_path: Path) -> None:
    with running(board, tmp_path) as run:
        tcp = TcpSource("127.0.0.1", 0, run.scenario.behaviour, run.offer, run.complain)
        udp = UdpSource("127.0.0.1", 0, run.scenario.behaviour, run.offer, run.complain)
        tcp.start()
        udp.start()
        try:
            with socket.create_connection(("127.0.0.1", tcp.port)) as line:
                for level in range(20_000):
                    line.sendall(json.dumps({"level": level}).encode() + b"\n")
                line.sendall(b'no line\n{"level": 12')
                until(lambda: shown(board) == "19999")
                line.sendall(b"345}\n")
                until(lambda: shown(board) == "12345")
            assert run.taken == 20_001
            assert run.given_up == set(), "what we sent is not taken for a user's, however much it was"
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as datagram:
                datagram.sendto(b'{"level": "1 mi"}', ("127.0.0.1", udp.port))
            until(lambda: shown(board) == "5280")
            assert list(run.complaints.values()) == [1]
        finally:
            tcp.close()
            udp.close()


def test_lines_on_standard_input(board: Demo, tmp_path: Path) -> None:
    with running(board, tmp_path):
        pass  # writes the files
    words = ["rehearse", str(tmp_path / "b.toml"), board.boards[0].port, "--values", "-"]
    process = subprocess.Popen(
        [sys.executable, "-m", "benchcon", *words],
        cwd=tmp_path,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    try:
        process.stdin.write('{"level": 4200}\nnonsense\n')
        process.stdin.flush()
        until(lambda: shown(board) == "4200")
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait()
    assert "1 value came from other programs" in out
    assert "standard input: not valid JSON" in out
    assert shown(board) == "", "dark when it is over"


@pytest.mark.slow
def test_without_a_port_simulated_boards_are_started(tmp_path: Path) -> None:
    behaviour = PANELS / "level-alert-behaviour.toml"
    steps = '[[steps]]\nat = "4 s"\nexpect = { level_alert = "on" }\n'
    (tmp_path / "near.toml").write_text(f'[scenario]\nbehaviour = "{behaviour}"\n{steps}')
    words = [sys.executable, "-m", "benchcon", "rehearse", "near.toml", "--values", "-"]
    done = subprocess.run(words, cwd=tmp_path, input='{"level": 10500}\n', capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 of 1 expectations met" in done.stdout
    assert "1 value came from other programs" in done.stdout
    assert "standard input: it has ended; the values stay as they were" in done.stderr
