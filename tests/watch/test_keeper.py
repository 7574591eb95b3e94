"""Keeping the fault: what came before a trigger is written out with what follows, and the bench is not held up."""

from __future__ import annotations

import json
import os
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchcon.capture.ring import Ring
from benchcon.panel.file import loads
from benchcon.recording import Keeper
from benchcon.replay.keyframes import hold_against_keyframes
from benchcon.state import BenchState
from benchcon.state.changes import Changes
from benchcon.state_reader import StateReader
from benchcon.watch import triggers_of
from benchcon.wire import codec
from benchcon.wire.records import BENCH, LINE_UP, NOTE, Batch

BEGAN = datetime(2026, 3, 1, 12, 0, 0, 0, UTC)
PANEL = """\
[boards.desk]
[[triggers]]
kind = "gap"
name = "lost"
rest = "100 ms"
[[triggers]]
kind = "reset"
save = false
"""


class Stream:
    """A bench's stream, with a keeper in it as the session has it: state first, notes come back with the stream."""

    def __init__(self, folder: Path, seconds: float = 600, follow_s: float = 2.0) -> None:
        panel = loads(PANEL)
        self.changes = Changes(BenchState(PANEL), shown=True)
        self.state = self.changes.state
        self.at_us = 0
        self.number = 0
        self.notes: list[Batch] = []
        ring = Ring(self.state.keyframe, seconds=seconds)
        self.keeper = Keeper(
            folder / "fault.capture",
            BEGAN,
            self.state,
            lambda kind, text: self.notes.append(Batch(self.at_us, BENCH, NOTE, [f"{kind} {text}".encode()])),
            triggers=triggers_of(panel),
            panel=panel,
            ring=ring,
            follow_s=follow_s,
        )

    def put(self, batch: Batch) -> None:
        changes = self.changes.feed(batch)
        self.keeper.take([batch], self.changes.events, changes)
        for note in self.notes:
            self.notes.remove(note)
            self.put(note)

    def notifications(self, count: int = 1, lost: int = 0, step_us: int = 10_000) -> None:
        self.number += lost
        for _ in range(count):
            self.at_us += step_us
            line = codec.notification(self.number, self.at_us, ["is", f"sw1={self.number & 1}"])
            self.put(Batch(self.at_us, 1, LINE_UP, [line]))
            self.number += 1


def stamps_and_notes(path: Path) -> tuple[list[int], list[str]]:
    with StateReader(path) as reader:
        stream = list(reader)
        assert not reader.problem_counts
        notes = [mark.body.decode() for mark in reader.notes()]
    return [batch.at_us for batch in stream if batch.kind == LINE_UP for _ in batch.bodies], notes


def test_what_came_before_and_what_follows(tmp_path: Path) -> None:
    stream = Stream(tmp_path)
    stream.notifications(500)  # five seconds
    stream.notifications(1, lost=3)
    moment = stream.at_us
    assert stream.keeper.writing is not None
    stream.notifications(500)
    assert stream.keeper.writing is None, "two seconds after the trigger it has ended"
    stream.keeper.end()
    (path,) = stream.keeper.kept
    assert path.name == "fault.20260301T120005Z.capture"
    stamps, notes = stamps_and_notes(path)
    assert stamps[0] == 10_000
    assert moment + 2_000_000 <= stamps[-1] <= moment + 2_100_000
    assert notes == ["trigger lost 3 notifications from board 1 lost on the way"]
    assert [fired.trigger.name for fired in stream.keeper.fired] == ["lost"]
    held = hold_against_keyframes(path)
    assert held.keyframes >= 1
    assert held.otherwise == []


def test_only_as_far_back_as_the_ring_reaches(tmp_path: Path) -> None:
    stream = Stream(tmp_path, seconds=3)
    stream.notifications(2000)  # twenty seconds
    stream.notifications(1, lost=1)
    moment = stream.at_us
    stream.keeper.end()
    stamps, _ = stamps_and_notes(stream.keeper.kept[0])
    assert moment - 4_000_000 <= stamps[0] <= moment - 3_000_000


def test_a_second_trigger_meanwhile_goes_on_in_the_same_file(tmp_path: Path) -> None:
    stream = Stream(tmp_path)
    stream.notifications(100)
    stream.notifications(150, lost=1)
    stream.notifications(150, lost=1)
    assert stream.keeper.writing is not None
    stream.notifications(300)
    stream.keeper.end()
    (path,) = stream.keeper.kept
    assert len(stamps_and_notes(path)[1]) == 2


def test_each_fault_has_a_file_of_its_own_and_none_is_overwritten(tmp_path: Path) -> None:
    stream = Stream(tmp_path, follow_s=0.05)
    there = tmp_path / "fault.20260301T120000Z.capture"
    there.write_text("precious")
    for _ in range(3):
        stream.notifications(20, lost=1)
    stream.keeper.end()
    assert there.read_text() == "precious"
    assert [path.name for path in stream.keeper.kept] == [
        "fault.20260301T120000Z-2.capture",
        "fault.20260301T120000Z-3.capture",
    ][: len(stream.keeper.kept)]
    assert len(stream.keeper.kept) == 2


def test_one_key_keeps_too(tmp_path: Path) -> None:
    stream = Stream(tmp_path)
    stream.notifications(10)
    path = stream.keeper.keep(stream.at_us, "by hand")
    assert path is not None
    stream.keeper.tick(stream.at_us + 10_000_000)
    assert stream.keeper.writing is None, "time alone ends it, though nothing comes any more"
    stream.keeper.end()
    assert len(stamps_and_notes(path)[0]) == 10
    with StateReader(path) as reader:
        assert reader.words["kept"] == "by hand"


def test_a_trigger_that_does_not_save_only_notes(tmp_path: Path) -> None:
    stream = Stream(tmp_path)
    stream.notifications(5)
    stream.put(Batch(stream.at_us, 1, LINE_UP, [codec.notification(0, 100, ["boot", "0007", "brownout", "01"])]))
    assert stream.keeper.kept == []
    assert [fired.trigger.kind for fired in stream.keeper.fired] == ["reset"]


def test_a_file_that_cannot_be_made_is_said_and_watching_goes_on(tmp_path: Path) -> None:
    stream = Stream(tmp_path / "no" / "such")
    stream.notifications(5)
    stream.notifications(1, lost=1)
    assert "cannot be written" in stream.keeper.trouble
    assert stream.keeper.kept == []
    stream.notifications(50)
    (tmp_path / "no" / "such").mkdir(parents=True)
    stream.notifications(1, lost=1)
    assert stream.keeper.trouble == ""
    stream.keeper.end()
    assert len(stream.keeper.kept) == 1


def test_closing_a_file_does_not_hold_up_the_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Stream(tmp_path, follow_s=0.05)
    stream.notifications(100)
    stream.notifications(1, lost=1)
    stuck = [True]
    true = os.fsync

    def fsync(descriptor: int) -> None:
        while stuck[0]:
            time.sleep(0.001)
        true(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    stream.notifications(200)  # the file ends on the way, and the disk does not answer: this returns all the same
    assert stream.keeper.writing is None
    stuck[0] = False
    stream.keeper.end()
    stamps, _ = stamps_and_notes(stream.keeper.kept[0])
    assert len(stamps) >= 101


def test_a_kept_file_carries_the_panel(tmp_path: Path) -> None:
    stream = Stream(tmp_path)
    stream.notifications(3)
    path = stream.keeper.keep(stream.at_us)
    stream.keeper.end()
    assert path is not None
    with StateReader(path) as reader:
        bodies = [batch.bodies[0] for batch in reader if batch.kind == "="]
    assert [json.loads(body)["panel"]["text"] for body in bodies] == [PANEL, PANEL], "at the beginning and at the end"
