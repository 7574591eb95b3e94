"""Transport delay through a chain of processes whose true delay is known.

A board in a process of its own is pressed; the bench hears it and tells a first process, which waits a little and
tells a second, which waits a little and tells the bench to light a lamp: on the same board, or on another board in
another process, whose clock goes otherwise. What really happened when is written down by the boards themselves, by the
computer's monotonic clock, which the bench never sees.

Run: ``python tests/bench/transport_delay.py [PRESSES]``.
"""

from __future__ import annotations

import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

PANEL = """
[boards.near]
[boards.far]
[controls.button]
kind = "button"
channel = "near.b1"
[lamps.near_lit]
channel = "near.l1"
answers = "button"
within = "150 ms"
[lamps.far_lit]
channel = "far.l1"
answers = "button"
within = "150 ms"
"""


def board(ident: str, ppm: float) -> None:
    """A board: says its port, does ``1`` and ``0`` to its button, and at the end says when what happened."""
    from conform.bench_board import BenchBoard

    from benchcon.wire.board import BoardSide
    from benchcon.wire.items import items

    said: list[tuple[str, int]] = []
    described = items(("board", "", {}), ("contact", "b1", {}), ("lamp", "l1", {"dim": "1"}))

    def make(now_us: int) -> BoardSide:
        made = BoardSide(ident, ident, described, now_us=now_us, clock_ppm=ppm)
        made.on_outputs = lambda changed, at_us: said.append(("set", at_us))
        return made

    running = BenchBoard(make)
    print(running.port, flush=True)
    for line in sys.stdin:
        value = int(line)

        def act(value: int = value) -> None:
            now_us = running.now_us()
            running.board.change({"b1": value}, now_us)
            if value:
                said.append(("moved", now_us))

        running.do(act)
    running.close()
    print(json.dumps(said), flush=True)


def hop(listen: int, onward: int, seed: int) -> None:
    """Pass each line on, a little later."""
    rng = random.Random(seed)
    with socket.create_server(("127.0.0.1", listen)) as server:
        print("ready", flush=True)
        come, _ = server.accept()
        with socket.create_connection(("127.0.0.1", onward)) as go:
            for line in come.makefile("rb"):
                time.sleep(rng.uniform(0.005, 0.04))
                go.sendall(line)


def started(*words: object) -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [sys.executable, __file__, *map(str, words)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def main() -> None:
    from benchcon.link import Bench
    from benchcon.panel.file import loads
    from benchcon.timing.timing import Timing
    from benchcon.wire.events import Moved

    presses = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    panel = loads(PANEL, "bench.toml")
    back = socket.create_server(("127.0.0.1", 0))
    ports = [_free(), _free()]
    second, _ = started("hop", ports[1], back.getsockname()[1], 2)
    first, _ = started("hop", ports[0], ports[1], 1)
    go = socket.create_connection(("127.0.0.1", ports[0]))
    near, near_port = started("board", "near", 60)
    far, far_port = started("board", "far", -4200)
    come, _ = back.accept()
    timing = Timing()
    pressed = threading.Event()

    def take(batches: list) -> None:  # type: ignore[type-arg]
        for batch in batches:
            events = timing.state.feed(batch)
            timing.take(events)
            if any(type(event) is Moved and event.values.get("b1") for event in events):
                go.sendall(b"pressed\n")

    with Bench([near_port, far_port], keep=False) as bench:
        bench.subscribe(take)
        assert bench.wait(lambda infos: len(infos) == 2 and all(info.stage == "live" for info in infos), 20)
        numbers = {info.ident: info.source for info in bench.ports()}

        def program() -> None:
            for number, _ in enumerate(come.makefile("rb"), 1):
                level = 400 + 300 * (number % 2)
                for source in numbers.values():
                    bench.set_lamp(source, "l1", level)
                pressed.set()

        threading.Thread(target=program, daemon=True).start()
        time.sleep(6)
        rng = random.Random(7)
        for _ in range(presses):
            for value in "10":
                print(value, file=near.stdin, flush=True)
                time.sleep(rng.uniform(0.08, 0.15))
            pressed.wait(5)
            pressed.clear()
            time.sleep(0.3)
        time.sleep(1.5)
        found = timing.delays(panel)
    truth = {}
    for name, process in (("near", near), ("far", far)):
        out, _ = process.communicate()
        truth[name] = json.loads(out)
    for process in (first, second):
        process.kill()
        process.communicate()
    moved = [at for word, at in truth["near"] if word == "moved"]
    print(f"{'lamp':10}{'clocks':>12}{'answered':>10}{'worst error ms':>16}{'bound ms':>10}{'within bound':>14}")
    for one, name in zip(found, ("near", "far"), strict=True):
        lit = [at for word, at in truth[name] if word == "set"]
        true = [next(at for at in lit if at > start) - start for start in moved]
        errors = [abs(delay.delay_us - real) for delay, real in zip(one.found, true, strict=True)]
        held = sum(error <= delay.error_us for error, delay in zip(errors, one.found, strict=True))
        print(
            f"{one.output.name:10}{one.by:>12}{f'{len(one.found)}/{presses}':>10}{max(errors) / 1000:16.3f}"
            f"{one.error_us / 1000:10.3f}{f'{held}/{len(errors)}':>14}"
        )


def _free() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


if __name__ == "__main__":
    match sys.argv[1:2]:
        case ["board"]:
            board(sys.argv[2], float(sys.argv[3]))
        case ["hop"]:
            hop(int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
        case _:
            main()
            os._exit(0)
