"""``benchcon record`` on simulated desks: real processes, real pseudo-terminals."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchcon.capture import Reader
from benchcon.capture.writer import Figures
from benchcon.cli.attendance import Attendance
from benchcon.cli.loss import Loss
from benchcon.cli.main import main
from benchcon.demo import Demo, panel_path, start
from benchcon.link import PortInfo
from benchcon.panel.model import Panel
from benchcon.wire.records import LINE_DOWN, NOTE

BENCHCON = [sys.executable, "-m", "benchcon"]
PATIENCE_S = 60


@pytest.fixture(scope="module")
def demo() -> Iterator[Demo]:
    with start(separate=True) as desks:
        yield desks


def record(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen([*BENCHCON, "record", *map(str, words)], stderr=subprocess.PIPE, text=True)


def wait_for(path: Path, text: bytes) -> None:
    end = time.monotonic() + PATIENCE_S
    while not (path.exists() and text in path.read_bytes()):
        assert time.monotonic() < end, f"{text!r} never came"
        time.sleep(0.02)


def test_what_a_hand_does_is_in_the_capture_and_ctrl_c_ends_well(demo: Demo, tmp_path: Path) -> None:
    path = tmp_path / "desk.capture"
    process = record("-o", path, "--panel", panel_path(), demo.boards[0].port)
    wait_for(path, b" read ")
    demo.hands["lighting"].put("approach", 1)
    wait_for(path, b"sw_app=1")
    process.send_signal(signal.SIGINT)
    assert process.wait(PATIENCE_S) == 0
    assert process.stderr is not None
    assert "records in" in process.stderr.read()
    with Reader(path) as reader:
        asked = [body for batch in reader if batch.kind == LINE_DOWN for body in batch.bodies]
        assert not reader.problem_counts
        assert reader.words["program"].startswith("benchcon ")
    words = {body.split(b" ")[1] for body in asked}
    assert words == {b"hello", b"item", b"read"}, "a program that records only asks"
    said = subprocess.run(
        [*BENCHCON, "replay", "--headless", "--json", path], capture_output=True, text=True, check=True
    )
    again = subprocess.run(
        [*BENCHCON, "replay", "--headless", "--json", path], capture_output=True, text=True, check=True
    )
    assert said.stdout == again.stdout, "a replay gives the same, byte for byte"
    board = json.loads(said.stdout)["state"]["boards"][0]
    values = {channel["id"]: channel["value"] for channel in board["channels"]}
    assert board["ident"] == "lighting"
    assert values["sw_app"] == 1


@pytest.mark.slow
def test_rotated_packed_and_pruned_it_says_where_the_records_are(demo: Demo, tmp_path: Path) -> None:
    path = tmp_path / "week.capture"
    words = ["--rotate-time", "300 ms", "--keep", "6 kB", "--pack", "--seconds", "2.5"]
    process = record("-o", path, *words, *(board.port for board in demo.boards))
    told = stderr_until(process)
    assert process.wait(PATIENCE_S) == 0
    assert told.count("\n") == 1
    assert f"records in {path}.gz and " in told
    assert "removed to keep to --keep" in told
    files = sorted(tmp_path.glob("week*"))
    assert {file.suffix for file in files} == {".gz"}
    for file in files:
        with Reader(file) as reader:
            list(reader)
            assert not reader.problem_counts


def test_it_ends_by_itself_after_so_many_seconds(demo: Demo, tmp_path: Path) -> None:
    path = tmp_path / "short.capture"
    process = record("-o", path, "--seconds", "1", demo.boards[1].port)
    assert process.wait(PATIENCE_S) == 0
    with Reader(path) as reader:
        assert list(reader)


def stderr_until(process: subprocess.Popen[str], says: str = "") -> str:
    """Return what the process says until it says `says`, else all the rest; it is ended if that takes too long."""
    assert process.stderr is not None
    told = ""
    limit = threading.Timer(PATIENCE_S, process.kill)
    limit.start()
    try:
        while not says or says not in told:
            line = process.stderr.readline()
            if not line and not says:
                break
            assert line, f"{says!r} was never said, but: {told}"
            told += line
    finally:
        limit.cancel()
    return told


def test_a_loss_that_begins_and_ends_between_two_looks_is_told_all_the_same() -> None:
    fine = Figures("x", 5, 0, 0, 0, "", 0, 0, "")
    loss = Loss()
    assert loss.look(fine) == []
    first = loss.look(fine._replace(missed=5, missed_why="the file was deleted"))
    assert "are being LOST (the file was deleted)" in first[0]
    assert "recording again; 5 records are MISSING" in first[1]
    assert loss.look(fine._replace(missed=5, missed_why="the file was deleted")) == []
    begins = loss.look(fine._replace(missed=7, missing="slow", missed_why="slow"))
    assert "LOST (slow)" in begins[0]
    assert loss.look(fine._replace(missed=9, missing="slow", missed_why="slow")) == []
    assert loss.look(fine._replace(missed=9, missed_why="slow")) == [
        "x: recording again; 9 records are MISSING from it"
    ]
    assert loss.look(fine._replace(missed=4, missed_why="slow")) == [], "on its way from one side to the other"


@pytest.mark.slow
def test_a_file_that_is_deleted_is_said_at_once_and_at_the_end(demo: Demo, tmp_path: Path) -> None:
    path = tmp_path / "gone.capture"
    process = record("-o", path, demo.boards[0].port)
    wait_for(path, b" read ")
    path.unlink()
    told = stderr_until(process, "are being LOST")
    assert "the file was deleted" in told
    stderr_until(process, "recording again")
    wait_for(path, b"missed records=")
    process.send_signal(signal.SIGINT)
    end = stderr_until(process)
    assert process.wait(PATIENCE_S) == 1
    assert "records are MISSING" in end
    # Whoever gets the file later reads it as well.
    for words in (["check", path], ["replay", path, "--headless"]):
        said = subprocess.run([*BENCHCON, *map(str, words)], capture_output=True, text=True, check=True).stdout
        assert re.search(r"\d+ records? (is|are) MISSING \(the file was deleted\)", said), said


def test_a_file_that_is_gone_at_the_end_is_no_success(demo: Demo, tmp_path: Path) -> None:
    path = tmp_path / "gone.capture"
    process = record("-o", path, demo.boards[0].port)
    wait_for(path, b" read ")
    process.send_signal(signal.SIGSTOP)
    path.unlink()
    process.send_signal(signal.SIGINT)
    process.send_signal(signal.SIGCONT)
    end = stderr_until(process)
    assert process.wait(PATIENCE_S) == 1
    assert f"records are MISSING in {path} (the file was deleted)" in end
    assert " records in " not in end


@pytest.mark.slow
def test_a_full_disk_is_said_when_it_is_full_and_when_it_is_over(demo: Demo, small_disk: Callable[[str], Path]) -> None:
    small = small_disk("48k")
    path = small / "night.capture"
    process = record("-o", path, demo.boards[0].port)
    wait_for(path, b" read ")
    with (small / "ballast").open("wb", buffering=0) as ballast, contextlib.suppress(OSError):
        while True:
            ballast.write(bytes(512))
    said = threading.Event()

    def work() -> None:
        end = time.monotonic() + PATIENCE_S
        at = 0
        while not said.is_set():
            if time.monotonic() > end:
                process.kill()
                return
            at = 1 - at
            demo.hands["lighting"].put("approach", at)

    worker = threading.Thread(target=work)
    worker.start()
    told = stderr_until(process, "LOST")
    said.set()
    worker.join()
    assert "disk: No space left on device" in told
    (small / "ballast").unlink()
    stderr_until(process, "recording again")
    process.send_signal(signal.SIGINT)
    assert process.wait(PATIENCE_S) == 1


def test_force_keeps_what_an_earlier_recording_wrote(demo: Demo, tmp_path: Path) -> None:
    path = tmp_path / "night.capture"
    path.write_text("precious")
    process = record("-o", path, "--force", "--seconds", "2", demo.boards[1].port)
    told = stderr_until(process)
    assert process.wait(PATIENCE_S) == 0
    assert f"{path} existed already and is now {tmp_path / 'night.0001.capture'}" in told
    assert (tmp_path / "night.0001.capture").read_text() == "precious"


def test_refusals_are_one_line_and_leave_no_file(
    demo: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = tmp_path / "there.capture"
    there.write_text("precious")
    for words, says in [
        (("-o", there, demo.boards[2].port), "exists already"),
        (("-o", tmp_path / "x", "/dev/no_such_port"), "/dev/no_such_port"),
        (("-o", tmp_path / "x", "--rotate-size", "5 apples", demo.boards[2].port), "--rotate-size: '5 apples'"),
        (("-o", tmp_path / "x", "--keep", "5 MB", demo.boards[2].port), "needs --rotate-size"),
        (("-o", tmp_path / "x", "--on-trigger", demo.boards[2].port), "--on-trigger needs"),
        (("-o", tmp_path / "no" / "x", demo.boards[2].port), f"there is no folder {tmp_path / 'no'} to put it in"),
    ]:
        assert main(["record", *map(str, words)]) == 2
        error = capsys.readouterr().err
        assert says in error
        assert error.count("\n") == 1, error
    assert there.read_text() == "precious"
    assert not (tmp_path / "x").exists()


def test_a_trigger_writes_out_what_came_before_it(demo: Demo, tmp_path: Path) -> None:
    panel = tmp_path / "ostrey.toml"
    trigger = '\n[[triggers]]\nkind = "range"\nname = "volts_high"\npart = "bus_volts"\nfrom = 900\nto = 1023\n'
    panel.write_text(panel_path().read_text() + trigger)
    hand = demo.hands["power"]
    hand.put("bus_volts", 300)
    process = record("-o", tmp_path / "fault.capture", "--on-trigger", "--panel", panel, demo.boards[2].port)
    try:
        # The port is held while it records: when a second program is refused, the first is listening.
        end = time.monotonic() + PATIENCE_S
        kept: list[Path] = []
        at = 0
        while not kept:
            assert time.monotonic() < end
            at = 1 - at
            hand.put("battery", at)
            hand.put("bus_volts", 1000 if at else 300)
            kept = list(tmp_path.glob("fault.2*.capture"))
        wait_for(kept[0], b"* trigger volts_high power.volts is ")
        hand.put("standby", 2)
        wait_for(kept[0], b"sb_on=1")
    finally:
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 0
    assert process.stderr is not None
    said = process.stderr.read()
    assert "benchcon: trigger: volts_high power.volts is " in said
    assert f"benchcon: kept {kept[0]}" in said
    with Reader(kept[0]) as reader:
        stream = list(reader)
        marks = [batch for batch in stream if batch.kind == NOTE]
        assert not reader.problem_counts
        assert reader.words["kept"] == "volts_high"
    moment = marks[0].at_us
    before = b" ".join(body for batch in stream if batch.at_us < moment for body in batch.bodies)
    assert b"hello" in before, "the bring-up came before the trigger and is in the file"
    assert not (tmp_path / "fault.capture").exists()


def silent_port() -> tuple[int, int, str]:
    """A port that can be opened, and nobody is there. Both descriptors are the caller's."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    return ours, theirs, os.ttyname(theirs)


@pytest.fixture
def silent() -> Iterator[str]:
    """A port that can be opened, and nobody is there."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


@pytest.mark.slow  # asking goes on for five seconds, past boot loaders
def test_a_port_where_nobody_answers_is_told_at_once(silent: str, tmp_path: Path) -> None:
    process = record("-o", tmp_path / "night.capture", silent)
    assert process.stderr is not None
    first = process.stderr.readline()  # long before the end: nobody has ended it yet
    assert first.startswith(f"benchcon: {silent}: no answer: is this the right port")
    process.send_signal(signal.SIGINT)
    assert process.wait(PATIENCE_S) == 2


def test_a_recording_in_which_nobody_answered_is_no_success(demo: Demo, silent: str, tmp_path: Path) -> None:
    path = tmp_path / "night.capture"
    process = record("-o", path, "--panel", panel_path(), "--seconds", "0.5", silent)
    told = stderr_until(process)
    assert process.wait(PATIENCE_S) == 2
    assert f"{silent}: no board ever answered there" in told
    assert "not there: lighting, met, power" in told
    assert f"nobody answered: no board is in {path}" in told
    assert path.is_file()
    # One that answers makes it worth having; the other is named all the same.
    process = record("-o", path, "--force", "--seconds", "1", silent, demo.boards[0].port)
    told = stderr_until(process)
    assert process.wait(PATIENCE_S) == 0
    assert f"{silent}: no board ever answered there" in told
    assert demo.boards[0].port not in told


def test_what_is_the_matter_with_a_port_is_told_once() -> None:
    def port(stage: str, text: str) -> PortInfo:
        return PortInfo("/dev/ttyUSB0", stage, text, 1, "met" if stage == "live" else "", 115200)

    there = Attendance(["/dev/ttyUSB0"], Panel(), "")
    assert there.look([port("asking", "asking who is there")], {}) == []
    assert there.look([port("mute", "no answer")], {}) == ["/dev/ttyUSB0: no answer"]
    assert there.look([port("mute", "no answer")], {}) == []
    assert there.look([port("live", "")], {1: "met"}) == ["/dev/ttyUSB0: 'met' answers now"]
    assert there.missed() == []


def test_boards_that_are_not_those_of_the_panel_file_are_told_in_one_line(demo: Demo, tmp_path: Path) -> None:
    panel = tmp_path / "my.toml"
    panel.write_text(panel_path().read_text().replace("[boards.power]", '[boards.power]\nident = "spare"'))
    process = record("-o", tmp_path / "c.capture", "--panel", panel, "--seconds", "1", demo.boards[2].port)
    told = stderr_until(process)
    assert process.wait(PATIENCE_S) == 0
    assert f"in {panel}, but not there: lighting, met, power; there, but not in {panel}: power" in told


def test_record_and_check_count_alike(demo: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "short.capture"
    process = record("-o", path, "--seconds", "2", demo.boards[1].port)
    told = stderr_until(process)
    assert process.wait(PATIENCE_S) == 0, told
    number = told.split()[1]
    assert main(["check", str(path)]) == 0
    assert f"a good capture: {number} records and " in capsys.readouterr().out
