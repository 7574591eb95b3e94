"""The clock exchange and transport delay with the firmware's C core, built for this computer.

Simulated clocks know their truth, but they are ours. Here the judge is what this computer knows: a movement was after
the hand was told to make it and before its line was read, and both boards' clocks go as fast as the computer's own.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from benchcon.firmware.targets import native
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.replay.targets import NotHere, WantedBoards
from benchcon.timing.timing import Timing
from benchcon.wire.events import Moved
from benchcon.wire.records import Batch

PANEL = """
[boards.near]
chip = "atmega328p"
[boards.far]
chip = "atmega328p"
[controls.button]
kind = "button"
channel = { id = "near.b1", pin = "D4" }
[lamps.near_lit]
channel = { id = "near.l1", pin = "D5" }
answers = "button"
within = "500 ms"
[lamps.far_lit]
channel = { id = "far.l1", pin = "D5" }
answers = "button"
within = "500 ms"
"""
LONG_S = 20.0
PRESSES = 12


@pytest.mark.slow
def test_native_boards_are_placed_where_they_were(tmp_path: Path) -> None:
    path = tmp_path / "desk.toml"
    path.write_text(PANEL)
    timing = Timing()
    changed = threading.Condition()
    heard: list[Moved] = []
    try:
        boards = native(WantedBoards(path, ("near", "far"), None))
        running = boards.__enter__()
    except NotHere as why:
        pytest.skip(str(why))
    try:
        with Bench(running.ports, panel=load(path), keep=False) as bench:

            def take(batches: list[Batch]) -> None:
                for batch in batches:
                    events = timing.state.feed(batch)
                    timing.take(events)
                    for event in events:
                        if type(event) is Moved and event.values.get("b1"):
                            # The program: as quick as it can, and it is never quicker than no time at all.
                            for source, board in timing.state.boards.items():
                                lamp = board.channels.get("l1")
                                if lamp is not None:
                                    bench.set_lamp(source, "l1", 0 if lamp.value else 1000)
                with changed:
                    heard.extend(event for event in events if type(event) is Moved)
                    changed.notify_all()

            bench.subscribe(take)
            assert bench.wait(lambda infos: len(infos) == 2 and all(info.stage == "live" for info in infos), LONG_S)
            with changed:
                assert changed.wait_for(lambda: all(len(timing.clocks.epoch(n).exchanges) >= 8 for n in (1, 2)), LONG_S)
            told: list[tuple[int, int]] = []
            for _ in range(PRESSES):
                before = len(heard)
                began = bench.now_us()
                running.hands["near"].press("button")
                with changed:
                    assert changed.wait_for(lambda n=before: len(heard) > n, LONG_S)
                told.append((began, bench.now_us()))
                running.hands["near"].release("button")
                with changed:
                    assert changed.wait_for(lambda n=before: len(heard) > n + 1, LONG_S)
                time.sleep(0.2)  # a hand's pause: lamps may not flash faster than three times a second
            with changed:
                pairs = [one for one in timing.delays(load(path)) if one.output.answers]
    finally:
        boards.__exit__(None, None, None)

    for source in (1, 2):
        epoch = timing.clocks.epoch(source)
        found = epoch.map()
        assert found is not None
        # Both clocks are this computer's own.
        assert abs(found.rate_ppm) <= found.rate_error_ppm + 1
        for one in epoch.exchanges:
            assert one.received_us <= one.answered_us
            received, answered = found.bench_us(one.received_us), found.bench_us(one.answered_us)
            assert one.sent_us - received.error_us <= received.at_us
            assert answered.at_us <= one.heard_us + answered.error_us
    near = timing.clocks.epoch(next(n for n, board in timing.state.boards.items() if board.ident == "near"))
    presses = [event for event in heard if event.values.get("b1")]
    for event, (began, ended) in zip(presses, told, strict=True):
        placed, own = near.place(event.clock_us, event.at_us)
        assert own
        # Not before the hand was told, and never after its line was read.
        assert began - placed.error_us <= placed.at_us <= ended + placed.error_us
    by_name = {one.output.name: one for one in pairs}
    assert by_name["near_lit"].by == "one board"
    assert by_name["far_lit"].by == "two boards"
    for one in by_name.values():
        assert len(one.found) >= PRESSES - 1, one
        # Set as soon as the press was read, so never before the press and after no more than the answer took to come.
        assert all(-each.error_us <= each.delay_us <= 500_000 for each in one.found)
