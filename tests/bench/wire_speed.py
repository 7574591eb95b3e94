"""What a line costs in the wire room: codec alone, codec and observer, beside splitting and checking alone.

The baseline does with a read what no receiver can leave out: split it into lines and work out each line's CRC (in C,
`bytes.split` and `binascii.crc_hqx`), nothing else. All are measured on the same reads in the same run, in turns, best
of several; processor time of this process, so that what else the machine does counts little.

Two benches: `busy`, 40 contacts, 4 potentiometers and an encoder as hands move them (a knob turned passes through
values not seen before); and `chatter`, contacts only.

    python tests/bench/wire_speed.py [LINES]
"""

from __future__ import annotations

import random
import sys
import time
from binascii import crc_hqx
from collections.abc import Callable

from benchcon.wire.codec import Splitter, notification
from benchcon.wire.observer import Observer
from benchcon.wire.records import LINE_UP, Batch

READ = 4096
"""Bytes of one read: what a pseudo-terminal gives at most."""
ROUNDS = 9
ALIVE = ("alive", "0001", "0000", "0000", "0000", "01F4", "1388", "00")


def stream(lines: int, knobs: bool) -> bytes:
    chance = random.Random(1)
    pots, encoder, clock = [512] * 4, 0, 0
    out = [notification(0xFFFF, 0, ALIVE)]
    for number in range(lines - 1):
        clock += chance.randrange(2_000)
        pick = chance.random() if knobs else 0.0
        if pick < 0.6:
            words = ("is", f"sw{chance.randrange(40)}={chance.randrange(2)}")
        elif pick < 0.9:
            which = chance.randrange(4)
            pots[which] = min(max(pots[which] + chance.randrange(-20, 21), 0), 1023)
            words = ("is", f"p{which}={pots[which]:04X}")
        else:
            encoder += chance.choice((-4, 4))
            words = ("is", f"sw{chance.randrange(40)}={chance.randrange(2)}", f"e1={encoder & 0xFFFF:04X}")
        out.append(notification(number, clock, words))
    return b"\n".join(out) + b"\n"


def cut(data: bytes) -> list[bytes]:
    return [data[at : at + READ] for at in range(0, len(data), READ)]


def bare(reads: list[bytes]) -> int:
    count, rest = 0, b""
    for read in reads:
        *lines, rest = (rest + read).split(b"\n")
        for line in lines:
            crc_hqx(line[:-5], 0xFFFF)
        count += len(lines)
    return count


def codec(reads: list[bytes]) -> int:
    splitter, count = Splitter("up"), 0
    for read in reads:
        for _, bodies in splitter.feed(read):
            count += len(bodies)
    return count


def observed(reads: list[bytes]) -> int:
    splitter, observer, count = Splitter("up"), Observer(), 0
    for at_us, read in enumerate(reads):
        for kind, bodies in splitter.feed(read):
            count += len(observer.feed(Batch(at_us, 1, kind, bodies)))
    return count


def one_by_one(reads: list[bytes]) -> int:
    """As at 115 200 baud: each line is a read of its own."""
    splitter, observer, count = Splitter("up"), Observer(), 0
    for at_us, line in enumerate(b"".join(reads).splitlines(keepends=True)):
        ((kind, bodies),) = splitter.feed(line)
        assert kind == LINE_UP
        count += len(observer.feed(Batch(at_us, 1, kind, bodies)))
    return count


def main() -> None:
    lines = int(sys.argv[1]) if len(sys.argv) > 1 else 60_000
    ways: list[tuple[str, Callable[[list[bytes]], int]]] = [
        ("split and CRC only (baseline)", bare),
        ("codec", codec),
        ("codec and observer", observed),
        ("codec and observer, a line a read", one_by_one),
    ]
    for bench, knobs in (("busy", True), ("chatter", False)):
        reads = cut(stream(lines, knobs))
        best = dict.fromkeys((name for name, _ in ways), float("inf"))
        for _ in range(ROUNDS):
            for name, way in ways:
                begun = time.process_time()
                assert way(reads) == lines, name
                best[name] = min(best[name], time.process_time() - begun)
        base = best[ways[0][0]]
        print(f"{bench}: {lines} lines, reads of {READ} bytes")
        for name, took in best.items():
            print(
                f"  {name:36s} {lines / took:10,.0f} lines/s {took / lines * 1e9:7.0f} ns a line {took / base:6.2f} x"
            )


if __name__ == "__main__":
    main()
