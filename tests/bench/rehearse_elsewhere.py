"""How quickly a value from elsewhere is at the board; a flood, broken messages, a dying broker.

    python tests/bench/rehearse_elsewhere.py [SECONDS]

A simulated board in a process of its own on a pseudo-terminal; 64 rules, of which one drives it. Baseline of the delay:
the bench's own answer time in the same run, from an intent to the board's answer. The delay is from handing a value to
the run (as every source does) to the board's answer to the line that came of it, so it holds one way more than the
target does.

The flood: 10 000 values a second for SECONDS (60) over TCP and, where mosquitto is installed, over MQTT: all must be
taken, the display must show the last, and memory must not grow. Then 1 000 broken messages, and a broker that is killed
and started again 20 times.
"""

from __future__ import annotations

import gc
import json
import random
import resource
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from benchcon import demo as demo_package
from benchcon.demo.desks import start
from benchcon.link import Bench
from benchcon.panel.segments import decode
from benchcon.rehearse import rules_file
from benchcon.rehearse.live import LiveRun
from benchcon.rehearse.scenario import without_steps
from benchcon.rehearse.sources import MqttSource, TcpSource, broker_of
from benchcon.session import LiveSession

PANEL = Path(demo_package.__file__).parent / "panels" / "level-alert.toml"
RULES, TRIES, RATE = 64, 300, 10_000


def write(folder: Path) -> Path:
    code = ["from benchcon.rehearse import derived, display, lamp"]
    for number in range(RULES - 2):
        code.append(f'@derived("d{number}")\ndef f{number}(level):\n    return level * {number} % 1000 > 500')
    code.append('@display("selected_level")\ndef shown(level):\n    return level')
    code.append('@lamp("level_alert")\ndef alert(d0):\n    return d0')
    (folder / "rules.py").write_text("\n".join(code) + "\n")
    path = folder / "b.toml"
    path.write_text(
        f'[behaviour]\npanel = "{PANEL}"\nrules = "rules.py"\n[values.level]\nunit = "ft"\n'
        'range = ["0 ft", "99999 ft"]\nmax_age = "2 s"\n'
    )
    return path


def until(test: Callable[[], bool], within_s: float = 30.0) -> bool:
    ends = time.monotonic() + within_s
    while not test():
        if time.monotonic() > ends:
            return False
        time.sleep(0.002)
    return True


def p99(times: list[float]) -> float:
    return statistics.quantiles(times, n=100)[98] * 1000


def delays(run: LiveRun, session: LiveSession, source: int) -> None:
    bench = session.bench
    assert bench is not None
    bare, ruled = [], []
    answered: list[float] = []

    def heard(events: list[object]) -> None:
        for event in events:
            if type(event).__name__ == "Answered" and event.words[0] == "set":  # type: ignore[attr-defined]
                answered.append(time.perf_counter())

    end = session.subscribe(heard)  # type: ignore[arg-type]
    for number in range(TRIES):
        began = time.perf_counter()
        bench.set_lamp(source, "l_alert", 100 + number % 20).result(5)
        bare.append(time.perf_counter() - began)
        time.sleep(random.random() / 100)
    for number in range(TRIES):
        answered.clear()
        began = time.perf_counter()
        run.offer({"level": float(10_000 + number)})
        if until(lambda: bool(answered), 5):
            ruled.append(answered[0] - began)
        time.sleep(random.random() / 100)
    end()
    more = p99(ruled) - p99(bare)
    print(f"intent to answer   median {statistics.median(bare) * 1000:6.2f} ms   p99 {p99(bare):6.2f} ms")
    print(
        f"value to answer    median {statistics.median(ruled) * 1000:6.2f} ms   p99 {p99(ruled):6.2f} ms ({more:+.2f})"
    )


def flood(name: str, seconds: float, say: Callable[[int], object], run: LiveRun, shown: Callable[[], str]) -> None:
    taken = run.taken
    gc.collect()
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began, sent = time.monotonic(), 0
    while (now := time.monotonic() - began) < seconds:
        for _ in range(min(int(now * RATE) - sent, 1000)):
            sent += 1
            say(sent % 90_000)
        time.sleep(0.005)
    say(99_999)
    sent += 1
    good = until(lambda: shown() == "99999")
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    print(f"{name}: {sent} values, {run.taken - taken} taken, newest shown: {good}, memory +{grown} KiB")


class Broker:
    def __init__(self, folder: Path) -> None:
        with socket.socket() as one:
            one.bind(("127.0.0.1", 0))
            self.port = one.getsockname()[1]
        self.config = folder / "mosquitto.conf"
        self.config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            ["mosquitto", "-c", str(self.config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def publish(self, text: str) -> None:
        words = ["mosquitto_pub", "-p", str(self.port), "-t", "sim/level", "-m", text]
        subprocess.run(words, check=False, stderr=subprocess.DEVNULL)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as name, start(panel=PANEL, separate=True) as boards:
        folder = Path(name)
        read = without_steps(write(folder))
        bench = Bench([boards.boards[0].port], panel=read.panel, keep=False)
        session = LiveSession(bench, read.panel)
        bench.start()
        bench.wait(lambda ports: all(port.stage == "live" for port in ports), 20)
        run = LiveRun(session, read, rules_file.load(read.rules, read.panel, read.behaviour))
        run.start()
        hand = boards.hands["alert"]

        def shown() -> str:
            return decode(hand.shown("d_level")).strip()

        delays(run, session, bench.ports()[0].source)
        tcp = TcpSource("127.0.0.1", 0, read.behaviour, run.offer, run.complain)
        tcp.start()
        with socket.create_connection(("127.0.0.1", tcp.port)) as line:
            flood("TCP ", seconds, lambda n: line.sendall(b'{"level": %d}\n' % n), run, shown)
        tcp.close()
        if shutil.which("mosquitto"):
            broker = Broker(folder)
            source = MqttSource(
                broker_of(f"mqtt://127.0.0.1:{broker.port}/sim"), read.behaviour, run.offer, run.complain
            )
            source.start()
            source.connected.wait(20)
            from benchcon.rehearse.sources import client_of

            other = client_of(broker_of(f"mqtt://127.0.0.1:{broker.port}/sim"), "flood")
            other.connect("127.0.0.1", broker.port)
            other.loop_start()
            flood("MQTT", seconds, lambda n: other.publish("sim/level", str(n)), run, shown)
            broken = [
                b"",
                b"{",
                b"\xff",
                b"1e999",
                b'"x kt"',
                b"[1]",
                bytes(range(256)),
                json.dumps("a" * 5000).encode(),
            ]
            for number in range(1000):
                other.publish("sim/level", broken[number % len(broken)])
            other.publish("sim/level", "123")
            print(f"1000 broken messages: newest shown after them: {until(lambda: shown() == '123')}")
            other.loop_stop()
            live, stale = 0, 0
            for number in range(20):
                broker.kill()
                stale += not until(lambda: shown() == "-----", 10)
                broker.start()
                source.connected.wait(20)
                broker.publish(str(5000 + number))
                live += until(lambda number=number: shown() == str(5000 + number), 20)  # type: ignore[misc]
            print(
                f"broker killed and restarted 20 times: {live} times back, {stale} times a stale value stood too long"
            )
            source.close()
            broker.kill()
        print(
            f"complaints kept: {len(run.complaints)}, trouble: {run.trouble}, put off: {run.rehearsal.engine.put_off}"
        )
        run.close()
        session.close()


if __name__ == "__main__":
    main()
