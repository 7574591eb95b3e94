"""The pre-trigger ring: what is kept, how far back, and what became of the rest."""

from __future__ import annotations

from itertools import accumulate
from pathlib import Path

import pytest
from capture.made import BEGAN, batches, flat
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.capture import Reader, Writer
from benchcon.capture.ring import Ring
from benchcon.state import BenchState
from benchcon.wire.records import KEYFRAME, NOTE, Batch

CAPTURES = Path(__file__).parents[2] / "captures"


def fed(given: list[Batch], each: int = 1, **limits: float) -> tuple[Ring, BenchState]:
    state = BenchState()
    ring = Ring(state.keyframe, **limits)  # type: ignore[arg-type]
    for at in range(0, len(given), each):
        for batch in given[at : at + each]:
            state.feed(batch)
        ring.feed(given[at : at + each])
    return ring, state


def written(ring: Ring, state: BenchState, path: Path) -> list[Batch]:
    Writer(path, BEGAN, state.keyframe, opening=ring.contents()).close()
    with Reader(path) as reader:
        read = list(reader)
        assert not reader.problem_counts
    return read


@settings(max_examples=30, deadline=None)
@given(
    count=st.integers(1, 3000),
    each=st.integers(1, 50),
    step_us=st.integers(0, 5000),
    seconds=st.floats(0.01, 5),
    most_bytes=st.integers(1000, 300_000),
)
def test_keyframe_and_what_follows_come_to_the_live_state(
    tmp_path_factory, count: int, each: int, step_us: int, seconds: float, most_bytes: int
) -> None:
    stream = batches(count, each=3, step_us=step_us)
    ring, state = fed(stream, each, seconds=seconds, most_bytes=most_bytes)
    read = written(ring, state, tmp_path_factory.mktemp("r") / "x.capture")
    again = BenchState()
    for batch in read:
        again.feed(batch)
    assert read[0].kind == KEYFRAME
    assert again.keyframe() == state.keyframe()
    kept = [record for record in flat(read) if record[2] != KEYFRAME]
    assert kept == flat(stream)[len(flat(stream)) - len(kept) :]
    assert ring.folded_in + ring.records == len(flat(stream))
    assert len(kept) == ring.records


@settings(max_examples=30, deadline=None)
@given(gaps_us=st.lists(st.integers(0, 1_200_000), min_size=40, max_size=100))
def test_what_is_written_out_has_a_sync_line_each_second(tmp_path_factory, gaps_us: list[int]) -> None:
    # A stretch is longer than a second here, so that its batches are joined over several.
    at_us = accumulate(gaps_us)
    stream = [batch._replace(at_us=at) for batch, at in zip(batches(len(gaps_us)), at_us, strict=True)]
    ring, state = fed(stream)
    written(ring, state, tmp_path_factory.mktemp("r") / "x.capture")


@pytest.mark.parametrize("name", ["ostrey-session", "tapped-call-button", "emulated-desk"])
def test_what_a_recorded_session_leaves_in_the_ring_is_a_good_capture(name: str, tmp_path: Path) -> None:
    with Reader(CAPTURES / f"{name}.capture") as reader:
        stream = [batch for batch in reader if batch.kind != KEYFRAME]
    ring, state = fed(stream)
    read = written(ring, state, tmp_path / "x.capture")
    assert flat([batch for batch in read if batch.kind != KEYFRAME]) == flat(stream)


def test_the_last_minutes_are_kept_whole_and_not_much_more() -> None:
    stream = batches(6000, step_us=10_000)  # a minute
    ring, _ = fed(stream, seconds=20)
    now = stream[-1].at_us
    assert 20_000_000 <= now - ring.from_us <= 23_000_000
    assert ring.folded_in > 0


def test_it_is_bounded_in_bytes_and_keeps_most_of_them() -> None:
    ring, _ = fed(batches(20_000), most_bytes=500_000)
    assert 400_000 <= ring.bytes <= 500_000
    assert sum(len(lines.text) for lines in ring.contents()) <= 500_000


def test_a_burst_in_one_feed_does_not_break_the_bound() -> None:
    ring, _ = fed(batches(20_000), each=5000, most_bytes=500_000)
    assert ring.bytes <= 500_000


def test_notes_are_found_in_what_was_written_out(tmp_path: Path) -> None:
    stream = batches(2000)
    stream.insert(700, Batch(stream[699].at_us, 0, NOTE, [b"trigger chatter sw1"]))
    ring, state = fed(stream, each=7)
    written(ring, state, tmp_path / "x")
    with Reader(tmp_path / "x") as reader:
        assert [mark.body for mark in reader.notes()] == [b"trigger chatter sw1"]


def test_what_comes_after_follows_without_a_hole(tmp_path: Path) -> None:
    stream = batches(3000)
    ring, state = fed(stream[:2000], seconds=0.3)
    writer = Writer(tmp_path / "x", BEGAN, state.keyframe, opening=ring.contents())
    for batch in stream[2000:]:
        state.feed(batch)
        writer.write([batch])
    writer.close()
    with Reader(tmp_path / "x") as reader:
        kept = [record for record in flat(list(reader)) if record[2] != KEYFRAME]
        assert not reader.problem_counts
    assert kept == flat(stream)[-len(kept) :]
    assert kept[0][0] <= stream[2000].at_us - 300_000
