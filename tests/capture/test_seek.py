"""Going to a moment in a capture, plain, packed or damaged."""

from __future__ import annotations

import gzip
import itertools
import os
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest
from capture.made import BEGAN, batches, flat, keyframe
from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.capture import Reader
from benchcon.capture.file import OpenFile, lines_of
from benchcon.capture.form import write_header
from benchcon.capture.store import pack
from benchcon.errors import Trouble
from benchcon.wire.records import BENCH, KEYFRAME, NOTE, Batch

GIVEN = batches(8000, each=3, step_us=700)
EVERY = 400
FRAMES = [Batch(batch.at_us, BENCH, KEYFRAME, [keyframe(n)]) for n, batch in enumerate(GIVEN)][::EVERY]


def whole() -> Iterator[Batch]:
    """The stream with a keyframe after every 400th batch, and some notes."""
    for number, batch in enumerate(GIVEN):
        yield batch
        if number % EVERY == 0:
            yield FRAMES[number // EVERY]
        if number % 900 == 450:
            yield Batch(batch.at_us, BENCH, NOTE, [b"mark number %d" % number, b"word twice"])


STREAM = list(whole())
FLAT = flat(STREAM)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("seek") / "plain.capture"
    with path.open("wb") as out:
        file = OpenFile(out.fileno(), write_header(BEGAN, {}))
        for batch in STREAM:
            file.put(lines_of(batch))
        file.flush(sync=True)
    assert path.stat().st_size > 900_000, "large enough that bisection has something to do"
    return path


@pytest.fixture(scope="module")
def packed(plain: Path) -> Path:
    target = plain.with_name("packed.capture.gz")
    assert pack(plain, target)
    assert target.stat().st_size < plain.stat().st_size / 2
    return target


@pytest.fixture(scope="module")
def without_syncs(plain: Path) -> Path:
    """A stranger's: no sync lines at all."""
    path = plain.with_name("nosync.capture")
    lines = plain.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(line for line in lines if b" 0 # " not in line))
    return path


@pytest.fixture(scope="module")
def misled(plain: Path) -> Path:
    """Sync lines whose offsets are all wrong, as after an edit near the beginning."""
    path = plain.with_name("misled.capture")
    header, _, rest = plain.read_bytes().partition(b"\n")
    path.write_bytes(header + b"\n7 0 * word something was put in here\n" + rest)
    return path


@pytest.fixture(params=["plain", "packed", "without_syncs", "misled"])
def any_file(request: pytest.FixtureRequest) -> Path:
    found = request.getfixturevalue(request.param)
    assert isinstance(found, Path)
    return found


@settings(max_examples=12, deadline=None)
@given(at_us=st.integers(-10, GIVEN[-1].at_us + 10**6))
@pytest.mark.parametrize("which", ["plain", "packed", "without_syncs", "misled"])
def test_seeking_gives_the_last_keyframe_and_what_follows(request, which: str, at_us: int) -> None:
    path = request.getfixturevalue(which)
    earlier = [frame for frame in FRAMES if frame.at_us <= at_us]
    with Reader(path) as reader:
        frame = reader.seek(at_us)
        after = flat(list(reader.until(at_us)))
        rest = flat(list(reader))
    everything = FLAT
    if not earlier:
        assert frame is None
        assert [record for record in after if record[3] != b"word something was put in here"] == [
            record for record in everything if record[0] <= at_us
        ]
        return
    assert frame == earlier[-1]
    start = everything.index((frame.at_us, BENCH, KEYFRAME, frame.bodies[0])) + 1
    assert after == [record for record in everything[start:] if record[0] <= at_us]
    assert after + rest == everything[start:]


def test_ends_notes_and_keyframes(any_file: Path) -> None:
    with Reader(any_file) as reader:
        assert reader.first_us in (GIVEN[0].at_us, 7)
        assert reader.last_us == GIVEN[-1].at_us
        notes = [mark.body for mark in reader.notes() if b"put in here" not in mark.body]
        assert notes == [body for batch in STREAM if batch.kind == NOTE for body in batch.bodies]
        assert [mark.body for mark in reader.notes(most=3)] == notes[-3:]
        frames = list(reader.keyframes())
        assert frames == [(frame.at_us, frame.bodies[0]) for frame in reversed(FRAMES)]
        some = list(reader.keyframes(apart_us=700_000))
        assert some[0] == frames[0]
        assert set(some) < set(frames)
        assert all(700_000 <= one[0] - other[0] < 1_400_000 for one, other in itertools.pairwise(some))


def test_reading_again_after_seeking_counts_no_problem_twice(plain: Path) -> None:
    path = plain.with_name("twice.capture")
    text = plain.read_bytes()
    at = text.index(b"is sw", 40_000)
    path.write_bytes(text[:at] + b"IS" + text[at + 2 :])
    with Reader(path) as reader:
        list(reader)
        once = reader.problem_counts
        assert once == {"check": 1, "changed": 1}
        line = text.count(b"\n", 0, at) + 1
        assert reader.problems[0].where == f"line {line}"
        assert text[reader.problems[0].offset - 1 : reader.problems[0].offset] == b"\n"
        for at_us in (0, 10**6, 3 * 10**6):
            reader.seek(at_us)
            list(reader)
        reader.rewind()
        assert flat(list(reader))[:3] == FLAT[:3]
        assert reader.problem_counts == once


def test_times_running_backwards_are_named_and_straightened(plain: Path) -> None:
    path = plain.with_name("backwards.capture")
    header, *lines = plain.read_bytes().splitlines(keepends=True)
    back = lines[500].replace(lines[500].split()[0], b"17", 1)
    path.write_bytes(b"".join([header, *lines[:500], back, *lines[501:]]))
    with Reader(path) as reader:
        stamps = [batch.at_us for batch in reader]
        assert stamps == sorted(stamps)
        assert reader.problems[0].sort == "backwards"
        assert reader.problems[0].where == "line 502"
        assert "17 us after one of" in reader.problems[0].text


def test_damage_in_the_middle_costs_only_itself(plain: Path) -> None:
    path = plain.with_name("hole.capture")
    text = bytearray(plain.read_bytes())
    text[300_000:300_600] = b"\0" * 600
    path.write_bytes(text)
    with Reader(path) as reader:
        read = flat(list(reader))
        assert {"check", "changed"} <= set(reader.problem_counts)
    there = set(read)
    lost = [record for record in FLAT if record not in there]
    assert 1 <= len(lost) <= 20
    odd = [record for record in read if record[2] == "("]
    assert len(read) - len(odd) == len(FLAT) - len(lost)
    assert odd, "what the line became is given on as bytes"
    assert all(len(record[3]) <= 80 for record in odd)


def test_a_packed_file_torn_in_mid_member_opens_to_the_member_before(packed: Path) -> None:
    path = packed.with_name("torn.gz")
    path.write_bytes(packed.read_bytes()[:-100])
    with Reader(path) as reader:
        read = flat(list(reader))
        assert read == FLAT[: len(read)]
        assert len(read) > 1000
        assert "does not hold whole gzip members" in reader.problems[0].text


def test_a_stranger_s_gzip_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "other.gz"
    path.write_bytes(gzip.compress(b"benchcon capture 1\n"))
    with pytest.raises(Trouble, match="gunzip"):
        Reader(path)


def test_a_packed_file_that_lies_is_trouble(packed: Path, tmp_path: Path) -> None:
    path = tmp_path / "lies.gz"
    text = bytearray(packed.read_bytes())
    text[2000:2010] = b"\xff" * 10
    path.write_bytes(text)
    with pytest.raises(Trouble, match=r"gzip member at byte 0"):
        list(Reader(path))


@pytest.mark.parametrize("what", ["folder", "missing", "pipe"])
def test_what_is_no_file_is_refused(tmp_path: Path, what: str) -> None:
    path = tmp_path / what
    if what == "folder":
        path.mkdir()
    elif what == "pipe":
        os.mkfifo(path)
    with pytest.raises(Trouble, match=what):
        Reader(path)


def test_an_endless_line_is_passed_with_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "endless.capture"
    with path.open("wb") as out:
        out.write(write_header(BEGAN, {}) + b"5 0 * mark before\n")
        for _ in range(40):
            out.write(b"x" * (1 << 20))
        out.write(b"\n9 0 * mark after\n")
    tracemalloc.start()
    with Reader(path) as reader:
        assert [batch.at_us for batch in reader] == [5, 9]
        assert reader.problem_counts == {"long": 1}
        assert [mark.at_us for mark in reader.notes()] == [5, 9]
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 16 << 20


def test_a_header_with_nothing_after_it_is_read_and_told(tmp_path: Path) -> None:
    path = tmp_path / "empty.capture"
    path.write_bytes(write_header(BEGAN, {}))
    with Reader(path) as reader:
        assert list(reader) == []
        assert reader.seek(5) is None
        assert (reader.first_us, reader.last_us, reader.notes(), list(reader.keyframes())) == (0, 0, [], [])
        assert [(problem.line, problem.text) for problem in reader.problems] == [
            (2, "nothing follows the header: no record, and no keyframe")
        ]


def test_a_reader_closed_twice_closes_nobody_elses_file(plain: Path, packed: Path, tmp_path: Path) -> None:
    """Its number was closed again, which by then was another file's."""
    for path in (plain, packed):
        with Reader(path) as reader:
            reader.close()
            other = (tmp_path / "other").open("wb")  # gets the number that has just become free
        with other:
            other.write(b"still open")
        with pytest.raises(Trouble, match=rf"{path.name}: is closed; open it again to read it$"):
            list(reader)
