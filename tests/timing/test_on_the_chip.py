"""Bounce figures from raw edges that the firmware's real binary told on the emulated chip, against what was put in."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from firmware.emulated import FIRMWARE, PANELS, Log, ask, bench, needs_emulator

from benchcon.timing.bounce import Bounce, bounce_of
from benchcon.timing.timing import Timing
from benchcon.wire.records import LINE_UP, Batch

pytestmark = needs_emulator

SCAN_US = 400


def put_in(contact: str, count: int, seed: int, *, least_us: int) -> tuple[list[str], list[int]]:
    """Moves of a contact, each with an even number of bounces, and how long each takes to settle."""
    rng = random.Random(seed)
    script, truths = [], []
    for number in range(count):
        gaps = [rng.randint(least_us, 1800) for _ in range(2 * rng.randint(0, 3))]
        script.append(f"{100_000 + number * 60_000} bounce {contact} {' '.join(map(str, gaps))}".rstrip())
        truths.append(sum(gaps))
    return script, truths


def figures(log: Log, contact: str) -> Bounce:
    timing = Timing()
    for line in log.notifications("edge"):
        timing.feed(Batch(line.at_us, 1, LINE_UP, [line.line.rstrip(b"\r\n")]))
    return bounce_of(timing.raw.edges[1, contact])


def check(panel: Path, contact: str, least_us: int, within_us: int) -> None:
    script, truths = put_in(contact, 10, 5, least_us=least_us)
    kept = [(line, truth) for line, truth in zip(script, truths, strict=True) if truth]
    end = 100_000 + len(script) * 60_000 + 50_000
    log = bench(panel).run(
        ["50000 rx " + ask(1, f"raw {contact}=1"), *(line for line, _ in kept), f"{end} clock", f"{end} end"]
    )
    found = figures(log, contact)
    settled = [one.settling_us for one in found.movements]
    assert len(settled) == len(kept)
    assert found.spikes == []
    errors = [abs(told - truth) for told, (_, truth) in zip(settled, kept, strict=True)]
    assert max(errors) <= within_us, errors


@pytest.mark.slow
def test_settling_times_on_a_pin() -> None:
    # Each edge is stamped within 10 us of the truth (tests/firmware), a settling time is two of them.
    check(PANELS / "direct", "sw1", 60, 20)


def test_settling_times_behind_a_shift_register_are_within_a_scan() -> None:
    check(FIRMWARE / "panels" / "desk", "sw_ap", 2 * SCAN_US + 50, SCAN_US)
