"""The firmware's figures, each measured on its real binary in the emulator.

    python tests/bench/firmware_figures.py [--minutes 10]

Needs gcc-avr, avr-libc, libsimavr-dev, libelf-dev and make. The load is `panels/desk`: twelve inputs through 74HC165,
an encoder, two potentiometers, eight lamps through a 74HC595, three displays. Times are by the chip's cycles, not by
this machine's clock.
"""

from __future__ import annotations

import argparse
import random
import re
import subprocess
import sys
from itertools import accumulate, pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from firmware.emulated import PANELS, Chip, Log, ask, bench, line_us, missing

BUSY = (
    "set l_app=1F4 l_rwy=07B l_twy=0C8 l_stp=3E7",
    "set l_obs=02A l_xwd=258 l_mai=12C l_bat=0FA",
    "set d_dir=7E306D d_spd=FFFF d_prs=7E306D7933",
)
SET = BUSY[0]
CRYSTAL_HZ = 16_000_000


def busy(at_us: int = 50_000) -> list[str]:
    """All lamps at different levels, all places lit."""
    return [f"{at_us + 12_000 * n} rx {ask(0xF0 + n, words)}" for n, words in enumerate(BUSY)]


def row(what: str, reach: str, measured: str) -> None:
    print(f"{what:<66} | {reach:<16} | {measured}", flush=True)


def memory(chip: Chip) -> tuple[int, int]:
    """Flash and static RAM in bytes, by avr-size."""
    told = subprocess.run(["avr-size", str(chip.elf)], capture_output=True, text=True, check=True).stdout
    text, data, bss = map(int, re.findall(r"\d+", told.splitlines()[1])[:3])
    return text + data, data + bss


def under_load(chip: Chip) -> Log:
    """Everything at once: a full window, notifications of all kinds, raw edges, EEPROM, wink, dark, noise."""
    return chip.run(
        [
            *(
                "40000 rx " + ask(1, "deadman 2710"),
                *busy(),
                "150000 scans_anew",
                "160000 rx " + ask(2, "raw e_prs=1 sw_ap=1"),
            ),
            *("200000 chatter sw_ap 150 12100", "200000 chatter sw_rw 140 13300", "200000 chatter sw_tw 2500 700"),
            *("200000 chatter int1 160 11900", "200000 turn e_prs 120", "300000 put p_vol 100%", "600000 put p_bri 0%"),
            *(
                "300000 noise p_vol 3",
                "700000 window 112 " + ask(5, SET),
                "1500000 window 0",
                "1600000 rx " + ask(6, "read all"),
            ),
            *(
                "1650000 rx " + ask(6, "item 0A"),
                "1700000 rx " + ask(7, "name Another%20name"),
                "2000000 rx " + ask(8, "wink"),
            ),
            *("2200000 rx " + ask(9, "dark"), "2300000 rx " + ask(9, "light"), "2400000 hex " + "41" * 200 + "0A"),
            *("2500000 stack", "2500000 scans", "2500000 overruns"),
        ]
    )


def stamp_errors(chip: Chip) -> list[float]:
    """Clock told for raw edges less the truth, in us, with lamps, encoder and notifications in between."""
    dice = random.Random(7)
    script = ["50000 rx " + ask(1, "raw sw1=1"), "60000 rx " + ask(2, "set l1=07B l3=2BC")]
    truth: list[int] = []
    for burst in range(60):
        begin = 100_000 + 60_000 * burst + dice.randrange(400)
        gaps = [dice.choice((60, 75, 131, 420, 977, 1503)) + dice.randrange(40) for _ in range(9)]
        truth += accumulate(gaps, initial=begin)
        script.append(f"{begin - 9_000} turn e1 {dice.choice((2, -2, 3))}")
        script.append(f"{begin} bounce sw1 " + " ".join(map(str, gaps)))
    log = chip.run([*script, "3800000 clock", "3800000 end"])
    zero = float(log.replies("clock")[0])
    clocks = [
        clock
        for line in log.notifications("edge")
        if line.words[1].startswith("sw1=")
        for clock in accumulate((int(word, 16) for word in line.words[2:]), initial=line.parsed.clock)
    ]
    assert len(clocks) == len(truth), (len(clocks), len(truth))
    return [clock + zero - at for clock, at in zip(clocks, truth, strict=True)]


def first_bytes(chip: Chip, ahead: bool) -> list[float]:
    """Pin edge to the first byte of its line, us; with a line ahead what is more than that line's own time."""
    dice = random.Random(11)
    script, edges = busy(), []
    for n in range(500):
        at = 200_000 + 40_000 * n + dice.randrange(2_000)
        if ahead:
            script.append(f"{at - 1_500 - dice.randrange(6_000)} rx " + ask(3, "item 0A"))
        edges.append(at)
        script.append(f"{at} {('press', 'release')[n % 2]} b_tst")
    log = chip.run([*script, f"{edges[-1] + 100_000} end"])
    told = [line for line, _ in log.moved("b_tst")]
    assert len(told) == len(edges)
    ends = [(line.at_us, line.at_us + line_us(len(line.line) + 1)) for line in log.lines]
    late = []
    for line, at in zip(told, edges, strict=True):
        between = [(begun, end) for begun, end in ends if end > at and begun < line.at_us]
        if ahead and len(between) == 1:
            late.append(line.at_us - at - (between[0][1] - max(between[0][0], at)))
        elif not ahead and not between:
            late.append(line.at_us - at)
    return late


def long_run(chip: Chip, minutes: float) -> dict[str, float]:
    """The window kept full and contacts bouncing, below what the line carries."""
    end = int(minutes * 60e6)
    periods = {"sw_ap": 12_100, "sw_rw": 13_300}
    counts = {contact: int((end - 400_000) // period) // 2 * 2 for contact, period in periods.items()}
    bounces = int((end - 400_000) // 700) // 2 * 2
    log = chip.run(
        [
            *busy(),
            *(f"200000 chatter {contact} {counts[contact]} {periods[contact]}" for contact in periods),
            f"200000 chatter sw_tw {bounces} 700",
            f"250000 window 112 {ask(5, SET)}",
            *(
                f"{at} turn e_prs {('-', '')[n % 2]}20"
                for n, at in enumerate(range(1_000_000, end - 2_000_000, 5_000_000))
            ),
            *(f"{end} {word}" for word in ("window 0", "windows", "overruns", "scans")),
            f"{end + 100_000} rx {ask(6, 'read e_prs')}",
            f"{end + 1_500_000} end",
        ],
        timeout_s=3600,
    )
    wrong = 0
    for contact, count in counts.items():
        values = [value for _, value in log.moved(contact)]
        wrong += abs(len(values) - count) + sum(a == b for a, b in pairwise(values))
    numbers = [line.parsed.number for line in log.notifications()]
    alive = log.notifications("alive")[-1].words
    return {
        "notifications": len(numbers),
        "lost or doubled": wrong + len(log.moved("sw_tw")),
        "holes": sum((b - a) % 0x10000 != 1 for a, b in pairwise(numbers)),
        "dropped": int(alive[4], 16),
        "bad": int(alive[3], 16),
        **log.numbers("windows")[0],
        "overruns": log.numbers("overruns")[0]["lost"],
        "longest scan": log.numbers("scans")[0]["longest"],
    }


def above_the_line(chip: Chip) -> tuple[int, int, int]:
    """Raw edges at 5000 a second: sent in, told, counted as dropped."""
    edges = 50_000
    log = chip.run(["50000 rx " + ask(1, "raw sw1=1"), f"100000 chatter sw1 {edges} 200", "11500000 end"])
    told = sum(len(line.words) - 1 for line in log.notifications("edge"))
    lost = sum(int(line.words[1], 16) for line in log.notifications("lost"))
    return edges, told, lost


def main() -> int:
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("--minutes", type=float, default=10.0, help="of the chip's time with the window full (10)")
    minutes = given.parse_args().minutes
    if missing():
        print(f"needed: apt-get install {' '.join(missing())}")
        return 2
    desk, direct = bench(), bench(PANELS / "direct")
    flash, ram = memory(desk)
    load = under_load(desk)
    stack, scans = int(load.replies("stack")[0]), load.numbers("scans")[0]
    row("figure", "reach", "measured")
    row("flash, ATmega328P, panels/desk", "<= 16384 B", f"{flash} B")
    row("RAM: static + stack at its deepest", "<= 1228 B", f"{ram} + {stack} = {ram + stack} B")
    row("scan rate, full load", ">= 2000 Hz", f"{1e6 / scans['mean']:.1f} Hz")
    jitter = max(scans["longest"] - scans["mean"], scans["mean"] - scans["shortest"])
    row("jitter of the scan", "<= 50 us", f"{jitter:.1f} us ({scans['shortest']:.1f} to {scans['longest']:.1f})")
    errors = stamp_errors(direct)
    row(
        f"time stamp of a raw edge on a pin ({len(errors)} edges)",
        "<= 10 us",
        f"{min(errors):+.1f} to {max(errors):+.1f} us",
    )
    idle, ahead = first_bytes(desk, False), first_bytes(desk, True)
    row(f"pin edge to first byte, line idle ({len(idle)} edges, worst)", "<= 1200 us", f"{max(idle):.0f} us")
    row(f"the same after a line ahead, beyond its own time ({len(ahead)})", "<= 1200 us", f"{max(ahead):.0f} us")
    sent, told, lost = above_the_line(direct)
    row("above line rate: edges = told + dropped", "exact", f"{sent} = {told} + {lost} ({sent - told - lost:+d})")
    for baud in (115_200, 500_000, 1_000_000):
        divider = round(CRYSTAL_HZ / 8 / baud)
        log = bench(baud=baud).run(
            [*busy(), "200000 window 112 " + ask(5, SET), "2200000 window 0", "2300000 windows", "2300000 overruns"]
        )
        window = log.numbers("windows")[0]
        row(
            f"{baud} baud: UBRR {divider - 1}, error",
            "runs",
            f"{CRYSTAL_HZ / 8 / divider / baud - 1:+.1%}; {window['answered'] / 2:.0f} requests a second,"
            f" {log.numbers('overruns')[0]['lost']:.0f} overruns",
        )
    long = long_run(desk, minutes)
    told_ = ", ".join(f"{key} {value:.0f}" for key, value in long.items())
    row(f"{minutes:g} minutes, window full, bouncing: lost or doubled notifications", "0", told_)
    return 0


if __name__ == "__main__":
    sys.exit(main())
