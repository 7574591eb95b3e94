"""What a tap adds to a round trip, beside ``socat`` in the same run; and whether a gigabyte goes through unchanged.

A process echoes what comes on a pseudo-terminal, as a board would; a program sends lines to it, directly, through
``socat`` and through a tap that records, in turns. Added is what comes on top of the direct way.

Run: ``python tests/bench/tap.py [ROUNDS [MEGABYTES]]``.
"""

from __future__ import annotations

import hashlib
import os
import select
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path

LINE = b">07 set l1=1F4 #C08E\n"
TURNS = 12


def echo() -> None:
    """Be a board that says again what it hears."""
    master, slave = os.openpty()
    tty.setraw(slave)
    print(os.ttyname(slave), flush=True)
    while True:
        if select.select([master, 0], [], [])[0] == [0]:
            return
        os.write(master, os.read(master, 4096))


def board() -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [sys.executable, __file__, "echo"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def round_trips(fd: int, count: int) -> list[float]:
    found = []
    for _ in range(count):
        began = time.perf_counter()
        os.write(fd, LINE)
        got = 0
        while got < len(LINE):
            got += len(os.read(fd, 4096))
        found.append((time.perf_counter() - began) * 1e6)
        time.sleep(0.002)  # as between two lines, so that processes really wait
    return found


def opened(path: str) -> int:
    end = time.monotonic() + 10
    while not os.path.exists(path):
        assert time.monotonic() < end, path
        time.sleep(0.01)
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    time.sleep(0.2)
    return fd


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3000
    megabytes = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    with tempfile.TemporaryDirectory() as folder:
        boards = [board() for _ in range(3)]
        relay = subprocess.Popen(["socat", f"{boards[1][1]},raw,echo=0", f"pty,raw,echo=0,link={folder}/socat"])
        tap, name = tapped(boards[2][1], Path(folder) / "tap.capture")
        ways = {"direct": opened(boards[0][1]), "socat": opened(f"{folder}/socat"), "tap": opened(name)}
        times: dict[str, list[float]] = {way: [] for way in ways}
        for _ in range(TURNS):
            for way, fd in ways.items():
                times[way] += round_trips(fd, rounds // TURNS)
        for way in times:
            times[way].sort()
        print(f"{'round trip':10}{'p50 us':>9}{'p99 us':>9}{'added p50':>11}{'added p99':>11}")
        added = {}
        for way, row in times.items():
            p50, p99 = row[len(row) // 2], row[int(len(row) * 0.99)]
            direct = times["direct"]
            added[way] = p99 - direct[int(len(direct) * 0.99)]
            print(f"{way:10}{p50:9.0f}{p99:9.0f}{p50 - direct[len(direct) // 2]:11.0f}{added[way]:11.0f}")
        p99 = {way: row[int(len(row) * 0.99)] for way, row in times.items()}
        print(
            f"tap / socat, round trip p99: {p99['tap'] / p99['socat']:.2f}; added: {added['tap'] / added['socat']:.2f}"
        )
        for fd in ways.values():
            os.close(fd)
        relay.terminate()
        tap.terminate()
        for process in (relay, tap):
            process.wait()
        for process, _ in boards:
            process.communicate()
    much(megabytes)


def tapped(port: str, capture: Path | None) -> tuple[subprocess.Popen[str], str]:
    command = [sys.executable, "-m", "benchcon", "tap", port, *(["-o", str(capture)] if capture else [])]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def much(megabytes: int) -> None:
    """Half of it up and half of it down, at once."""
    master, slave = os.openpty()
    tty.setraw(slave)
    tap, name = tapped(os.ttyname(slave), None)
    program = opened(name)
    each = megabytes * 500_000
    block = bytes(range(256)) * 16
    sums: dict[str, str] = {}

    def write(fd: int, seed: int) -> None:
        left, count, sent = each, seed, hashlib.sha256()
        while left:
            piece = (block[count % 256 :] + block[: count % 256])[: min(left, 4096)]
            count += 7
            done = os.write(fd, piece)
            sent.update(piece[:done])
            left -= done
        sums[f"sent{seed}"] = sent.hexdigest()

    def read(fd: int, seed: int) -> None:
        left, got = each, hashlib.sha256()
        while left:
            data = os.read(fd, min(left, 65536))
            got.update(data)
            left -= len(data)
        sums[f"got{seed}"] = got.hexdigest()

    began = time.monotonic()
    threads = [
        threading.Thread(target=write, args=(master, 1)),
        threading.Thread(target=read, args=(program, 1)),
        threading.Thread(target=write, args=(program, 2)),
        threading.Thread(target=read, args=(master, 2)),
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    took = time.monotonic() - began
    same = sums["sent1"] == sums["got1"] and sums["sent2"] == sums["got2"]
    print(
        f"{megabytes} MB, both ways at once: {'not a byte changed' if same else 'CHANGED'}, {megabytes / took:.0f} MB/s"
    )
    os.close(program)
    tap.terminate()
    tap.wait()
    os.close(master)
    os.close(slave)


if __name__ == "__main__":
    if sys.argv[1:] == ["echo"]:
        echo()
    else:
        main()
