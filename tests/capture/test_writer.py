"""Recording: what is given is on disk within a second, and what is not there is said."""

from __future__ import annotations

import errno
import gzip
import os
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from capture.made import BEGAN, batches, flat, keyframe, one_by_one
from waiting import until

from benchcon.capture import Reader, Writer
from benchcon.capture import writer as writing
from benchcon.errors import Trouble
from benchcon.fresh import Fresh
from benchcon.wire.records import KEYFRAME, LINK, NOTE, Batch


class Counting:
    """A keyframe callable that says how many times it was asked."""

    def __init__(self) -> None:
        self.asked = 0

    def __call__(self) -> bytes:
        self.asked += 1
        return keyframe(self.asked)


def given_back(path: Path) -> list[tuple[int, int, str, bytes]]:
    """Everything read but keyframes; the file must be without a fault."""
    with Reader(path) as reader:
        records = [record for record in flat(list(reader)) if record[2] != KEYFRAME]
        assert not reader.problem_counts
    return records


def test_what_is_written_is_read(tmp_path: Path) -> None:
    given = batches(3000, each=9)
    path = tmp_path / "night.capture"
    writer = Writer(path, BEGAN, Counting(), words={"program": "test"})
    for batch in given:
        writer.write([batch])
    figures = writer.close()
    assert figures.records == 27_000
    assert figures.missed == figures.waiting == 0
    assert given_back(path) == flat(given)
    with Reader(path) as reader:
        assert reader.began == BEGAN
        assert reader.words == {"program": "test", "part": "1"}
        kinds = [batch.kind for batch in reader]
    assert kinds[0] == KEYFRAME
    assert kinds.count(KEYFRAME) == 1 + 27_000 // writing.KEYFRAME_RECORDS


def test_what_is_written_is_on_disk_within_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "night.capture"
    synced: list[tuple[float, int]] = []

    def fsync(descriptor: int, true: Callable[[int], None] = os.fsync) -> None:
        true(descriptor)
        synced.append((time.monotonic(), os.fstat(descriptor).st_size))

    monkeypatch.setattr(os, "fsync", fsync)
    writer = Writer(path, BEGAN, Counting())
    assert synced, "the opening keyframe is on disk before anything else"
    for batch in batches(3):
        writer.write([batch])
        before = len(synced)
        until(lambda before=before: len(synced) > before)
        # A sync line was written before the disk was made to hold the file, and nothing after it.
        size = synced[-1][1]
        assert b" 0 # records=" in path.read_bytes()[:size].split(b"\n")[-2]
    writer.close()
    assert synced[-1][1] == path.stat().st_size


def test_an_idle_bench_writes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = Writer(tmp_path / "idle.capture", BEGAN, Counting())
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    size = (tmp_path / "idle.capture").stat().st_size
    time.sleep(0.35)
    writer.close()
    assert (tmp_path / "idle.capture").stat().st_size == size
    assert not synced


def test_a_file_that_is_there_is_never_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "night.capture"
    path.write_text("precious\n")
    with pytest.raises(Trouble, match=r"exists already; .*--force"):
        Writer(path, BEGAN, Counting())
    assert path.read_text() == "precious\n"
    figures = Writer(path, BEGAN, Counting(), force=True).close()
    assert path.read_bytes().startswith(b"benchcon capture 1 ")
    assert figures.aside == str(tmp_path / "night.0001.capture")
    assert (tmp_path / "night.0001.capture").read_text() == "precious\n", "the old file gets a number"


@pytest.mark.parametrize("name", ["no/such/folder/x.capture", ".", "a\0b"])
def test_a_file_that_cannot_be_made_is_refused_in_one_line(tmp_path: Path, name: str) -> None:
    with pytest.raises(Trouble, match=r"cannot be written: [^\n]+\Z|exists already"):
        Writer(tmp_path / name, BEGAN, Counting())


def test_a_full_disk_at_the_beginning_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(Trouble, match="/dev/full: cannot be written: No space left"):
        Writer("/dev/full", BEGAN, Counting(), force=True)


# --- the disk is full, and is relieved -----------------------------------------------------------------------------


class Disk:
    """Lets `os.write` through until it is full; what fits in goes to the file, as a real disk does it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.room = 1 << 40
        self._write = os.write
        monkeypatch.setattr(os, "write", self.write)

    def write(self, descriptor: int, text: bytes) -> int:
        if self.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        count = self._write(descriptor, text[: self.room])
        self.room -= count
        return count


def check_missed(path: Path, given: list[Batch], figures: writing.Figures) -> None:
    """What is in the file and what its ``missed`` record says make up what was given, in order, without a torn line."""
    records = given_back(path)
    missed = [record for record in records if record[2] == LINK]
    assert len(missed) == 1
    words = dict(word.split(b"=") for word in missed[0][3].split(b" ")[1:])
    hole = int(words[b"records"])
    assert hole == figures.missed > 0
    at = records.index(missed[0])
    everything = flat(given)
    assert records[:at] == everything[:at]
    assert records[at + 1 :] == everything[at + hole :]
    assert records[at + 1 :], "it went on"
    with Reader(path) as reader:
        kinds = [batch.kind for batch in reader]
    assert kinds[kinds.index(LINK) + 1] == KEYFRAME


def test_after_a_full_disk_it_goes_on_with_a_fresh_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "ASK_AGAIN_S", 0.0)
    disk = Disk(monkeypatch)
    path = tmp_path / "night.capture"
    given = batches(600)
    writer = Writer(path, BEGAN, Counting())
    disk.room = 3333  # in the middle of a line
    turn = iter(given)
    for _ in range(300):
        writer.write([next(turn)])
    until(lambda: writer.figures().missing)
    assert writer.figures().missing == "disk: No space left on device"
    writer.write([next(turn)])
    assert writer.figures().missing
    disk.room = 1 << 40
    for batch in turn:
        writer.write([batch])
        if writer.figures().missing:
            until(lambda: writer.figures().waiting == 0)
    figures = writer.close()
    assert figures.missing == ""
    assert "why=disk" in path.read_text()
    check_missed(path, given, figures)


def test_a_small_file_system_that_really_is_full(
    small_disk: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    small = small_disk("256k")
    monkeypatch.setattr(writing, "ASK_AGAIN_S", 0.05)
    path = small / "night.capture"
    (small / "ballast").write_bytes(bytes(128 << 10))
    given = batches(8000)
    writer = Writer(path, BEGAN, Counting())
    turn = iter(given)
    while not writer.figures().missing:
        writer.write([next(turn)])
        time.sleep(0.0001)
    (small / "ballast").unlink()
    while writer.figures().missing:
        writer.write([next(turn)])
        time.sleep(0.001)
    for _ in range(20):
        writer.write([next(turn)])
    figures = writer.close()
    check_missed(path, given[: len(given) - len(list(turn))], figures)


def test_a_disk_that_fails_to_the_end_leaves_a_whole_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(monkeypatch)
    path = tmp_path / "night.capture"
    writer = Writer(path, BEGAN, Counting())
    disk.room = 5000
    given = batches(400)
    writer.write(given)
    until(lambda: writer.figures().missing)
    figures = writer.close()
    assert figures.records + figures.missed == 2000
    assert given_back(path) == flat(given)[: figures.records]


def test_a_failing_fsync_counts_what_it_left_unsure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "ASK_AGAIN_S", 0.0)
    path = tmp_path / "night.capture"
    writer = Writer(path, BEGAN, Counting())
    true = os.fsync
    failing = [True]

    def fsync(descriptor: int) -> None:
        if failing[0]:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        true(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    given = batches(300)
    writer.write(given[:100])
    until(lambda: writer.figures().missing)
    failing[0] = False
    turn = iter(given[100:])
    while writer.figures().missing:
        writer.write([next(turn)])
        until(lambda: writer.figures().waiting == 0)
    writer.write([next(turn)])
    figures = writer.close()
    check_missed(path, given[: 300 - len(list(turn))], figures)


def test_a_slow_disk_never_holds_up_the_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "MOST_WAITING", 1000)
    stuck = [True]
    true = os.write

    def write(descriptor: int, text: bytes) -> int:
        while stuck[0]:
            time.sleep(0.001)
        return true(descriptor, text)

    path = tmp_path / "night.capture"
    writer = Writer(path, BEGAN, Counting())
    monkeypatch.setattr(os, "write", write)
    given = batches(1200)
    for batch in given[:1000]:
        writer.write([batch])  # returns at once, or this test never ends
    assert writer.figures().missing == "slow"
    assert writer.figures().waiting <= 2000
    stuck[0] = False
    until(lambda: writer.figures().waiting == 0)
    for batch in given[1000:]:
        writer.write([batch])
        until(lambda: writer.figures().waiting < 500)
    figures = writer.close()
    assert "why=slow" in path.read_text()
    check_missed(path, given, figures)


# --- rotation ------------------------------------------------------------------------------------------------------


def feed(writer: Writer, given: list[Batch]) -> None:
    for batch in given:
        writer.write([batch])
        until(lambda: writer.figures().waiting < 200)


@pytest.mark.parametrize("packed", [False, True])
def test_rotation_by_size_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, packed: bool) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    path = tmp_path / "night.capture"
    given = batches(3000)
    writer = Writer(path, BEGAN, Counting(), rotate_bytes=60_000, packed=packed)
    feed(writer, given)
    figures = writer.close(wait_s=60)
    assert figures.missed == 0
    assert figures.trouble == ""
    assert figures.parts >= 5
    files = sorted(tmp_path.glob("night.0*.capture*"))
    last = tmp_path / ("night.capture.gz" if packed else "night.capture")
    assert len(files) == figures.parts
    assert sorted(tmp_path.iterdir()) == sorted([*files, last])
    records = []
    for number, file in enumerate([*files, last], 1):
        with Reader(file) as reader:
            assert reader.words["part"] == str(number)
            assert next(iter(reader)).kind == KEYFRAME
        records += given_back(file)
        if packed:
            assert gzip.decompress(file.read_bytes()).startswith(b"benchcon capture 1 ")
    assert records == flat(given)


def test_rotation_by_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    writer = Writer(tmp_path / "x", BEGAN, Counting(), rotate_s=0.05)
    given = one_by_one(100_000)
    written = []
    while writer.figures().parts < 3:
        written.append(next(given))
        writer.write(written[-1:])
        time.sleep(0.001)
    writer.close()
    records = [record for name in ("x.0001", "x.0002", "x.0003", "x") for record in given_back(tmp_path / name)]
    assert records == flat(written)


def test_pruning_keeps_to_the_budget_and_never_takes_the_one_being_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    bystander = tmp_path / "nightly.0001.capture"
    bystander.write_bytes(bytes(1 << 20))
    path = tmp_path / "night.capture"
    given = batches(4000)
    writer = Writer(path, BEGAN, Counting(), rotate_bytes=40_000, keep_bytes=150_000)
    feed(writer, given)
    figures = writer.close(wait_s=60)
    assert figures.trouble == ""
    files = sorted(tmp_path.glob("night.0*.capture"))
    assert sum(file.stat().st_size for file in files) <= 150_000
    assert 1 <= len(files) < figures.parts
    assert bystander.exists()
    records = [record for file in [*files, path] for record in given_back(file)]
    assert records == flat(given)[-len(records) :]


@pytest.mark.parametrize("packed", [False, True])
def test_pruning_removes_nothing_that_it_did_not_make(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, packed: bool
) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    others = ["night.20260301.capture", "night.2026.capture", "night.0007.capture", "night.0008.capture.gz"]
    for name in others:
        (tmp_path / name).write_bytes(bytes(100_000))
    (tmp_path / "earlier.capture").write_bytes(b"")
    # A part of another evening's recording, which is a capture and has a number.
    Writer(tmp_path / "night.0003.capture", BEGAN + timedelta(days=-1), Counting()).close()
    path = tmp_path / "night.capture"
    victim = tmp_path / "precious"
    victim.write_text("precious")
    writer = Writer(path, BEGAN, Counting(), rotate_bytes=40_000, keep_bytes=1, packed=packed)
    feed(writer, batches(2000))
    figures = writer.close(wait_s=60)
    assert figures.pruned == figures.parts > 3
    assert figures.trouble == ""
    last = "night.capture.gz" if packed else "night.capture"
    assert {file.name for file in tmp_path.iterdir()} == {
        *others,
        "earlier.capture",
        "night.0003.capture",
        "precious",
        last,
    }


def test_a_file_that_took_the_place_of_a_closed_one_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    writer = Writer(tmp_path / "night.capture", BEGAN, Counting(), rotate_bytes=40_000, keep_bytes=110_000)
    turn = iter(batches(4000))
    while writer.figures().parts < 1:
        feed(writer, [next(turn)])
    (tmp_path / "night.0001.capture").write_text("precious")
    feed(writer, list(turn))
    figures = writer.close(wait_s=60)
    assert (tmp_path / "night.0001.capture").read_text() == "precious"
    assert "night.0001.capture: no longer a file of this recording" in figures.trouble
    assert figures.pruned


def test_links_that_stand_in_the_way_are_not_followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    victim = tmp_path / "victim"
    victim.write_text("precious")
    for name in ("night.capture.next", "night.0001.capture.gz.part", "night.capture.gz.part", "night.0001.capture"):
        (tmp_path / name).symlink_to(victim)
    writer = Writer(tmp_path / "night.capture", BEGAN, Counting(), rotate_bytes=40_000, packed=True)
    feed(writer, batches(1000))
    figures = writer.close(wait_s=60)
    assert figures.parts
    assert not figures.trouble
    assert victim.read_text() == "precious"


@pytest.mark.parametrize("away", ["deleted", "moved away", "cut short"])
def test_a_file_that_somebody_takes_away_is_noticed_and_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, away: str
) -> None:
    monkeypatch.setattr(writing, "LOOK_S", 0.01)
    path = tmp_path / "night.capture"
    given = batches(300)
    writer = Writer(path, BEGAN, Counting())
    turn = iter(given)
    for _ in range(100):
        writer.write([next(turn)])
    until(lambda: not writer.figures().waiting)
    if away == "deleted":
        path.unlink()
    elif away == "moved away":
        path.rename(tmp_path / "elsewhere")
    else:
        os.truncate(path, 10)
    until(lambda: writer.figures().missing)
    assert away in writer.figures().missing
    while writer.figures().missing:
        writer.write([next(turn)])
        until(lambda: writer.figures().waiting == 0)
    rest = list(turn)
    writer.write(rest)
    figures = writer.close()
    assert figures.missed + figures.records == 1500
    assert figures.missed >= 500
    records = given_back(path)
    assert records[0][2] == LINK, "the new file says what is missing"
    assert records[1:] == flat(given)[figures.missed :]


def test_a_file_that_is_deleted_just_before_the_end_is_no_success(tmp_path: Path) -> None:
    path = tmp_path / "night.capture"
    writer = Writer(path, BEGAN, Counting())
    writer.write(batches(10))
    path.unlink()
    writer.stop()
    figures = writer.close()
    assert figures.records == 0
    assert figures.missed == 50
    assert "deleted" in figures.missing


def test_a_killed_packing_leaves_nothing(tmp_path: Path) -> None:
    source = tmp_path / "night.capture"
    line = b"12345 1 ( " + b"x" * 60 + b"\n"
    source.write_bytes(b"benchcon capture 1 began=2026-03-01T12:00:00Z unit=us\n" + line * 2_000_000)
    program = (
        "import sys, threading, os, time; from pathlib import Path; from benchcon.capture.store import pack\n"
        "def end(): sys.stdin.readline(); os.kill(os.getpid(), 9)\n"
        "threading.Thread(target=end, daemon=True).start(); print('x', flush=True)\n"
        "pack(Path(sys.argv[1]), Path(sys.argv[1] + '.gz'))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(source)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stdin is not None
    assert process.stdout.readline()
    until(lambda: written_by(process.pid) > 100_000)  # it is at work
    process.communicate(b"\n", timeout=30)
    assert process.returncode == -9
    left = [file.name for file in tmp_path.iterdir()]
    assert left == ["night.capture"] or not hasattr(os, "O_TMPFILE"), left


def written_by(pid: int) -> int:
    words = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    return int(words["wchar"])


def test_files_are_packed_and_pruned_to_the_last_without_a_word_of_trouble(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    path = tmp_path / "night.capture"
    given = batches(4000)
    writer = Writer(path, BEGAN, Counting(), rotate_bytes=40_000, keep_bytes=20_000, packed=True)
    feed(writer, given)
    figures = writer.close(wait_s=60)
    assert figures.trouble == ""
    assert figures.path == f"{path}.gz", "the last one is packed too, and that is where the records are"
    files = sorted(tmp_path.iterdir())
    assert Path(figures.path) in files
    assert all(file.name.endswith(".gz") for file in files)
    assert sum(file.stat().st_size for file in files) <= 20_000
    assert len(files) == 1 + figures.parts - figures.pruned
    ordered = [*(file for file in files if file != Path(figures.path)), Path(figures.path)]
    records = [record for file in ordered for record in given_back(file)]
    assert records == flat(given)[-len(records) :]


def test_a_rotation_that_cannot_be_done_costs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)

    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Fresh, "place", refused)
    given = batches(2000)
    writer = Writer(tmp_path / "night.capture", BEGAN, Counting(), rotate_bytes=20_000)
    feed(writer, given)
    figures = writer.close()
    assert "could not go on in a new file" in figures.trouble
    assert figures.missed == 0
    assert given_back(tmp_path / "night.capture") == flat(given)


def test_notes_and_odd_bytes_go_in_whole(tmp_path: Path) -> None:
    given = [Batch(5, 0, NOTE, ["mark Ankunft \u2603 \x1b[2J".encode()]), Batch(6, 2, "(", [b"\x00\xff\n\\"])]
    writer = Writer(tmp_path / "x", BEGAN, Counting())
    writer.write(given)
    writer.close()
    assert given_back(tmp_path / "x") == flat(given)


def test_a_file_closed_in_order_ends_with_a_keyframe(tmp_path: Path) -> None:
    counting = Counting()
    writer = Writer(tmp_path / "x", BEGAN, counting)
    writer.write(batches(5))
    writer.stop()
    writer.write(batches(5))  # too late
    assert writer.close().records == 25
    with Reader(tmp_path / "x") as reader:
        stream = list(reader)
    assert (stream[-1].kind, stream[-1].bodies) == (KEYFRAME, [keyframe(2)])
