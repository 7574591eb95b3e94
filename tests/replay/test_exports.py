"""Exports read back by others, value for value: vcdvcd for IEEE 1364, the standard library for CSV and JSON."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from replay.story import BEGAN, Story, evening, write
from vcdvcd import VCDVCD

from benchcon.capture.form import write_header
from benchcon.replay.exports import CSV_HEAD, export

BENCHCON = [sys.executable, "-m", "benchcon"]

# Channel, board's number and name, hex digits, greatest value as it is on the wire, whether the host sets it.
CHANNELS = {
    "sw1": (1, "lighting", 1, 1, False),
    "sel1": (1, "lighting", 1, 4, False),
    "p1": (1, "lighting", 4, 1023, False),
    "l1": (1, "lighting", 3, 1000, True),
    "e1": (2, "met", 4, 0xFFFF, False),
    "d1": (2, "met", 6, 0xFFFFFF, True),
    "d8": (2, "met", 16, (1 << 64) - 1, True),
    "b1": (2, "met", 1, 1, False),
}
WIDTHS = {"sw1": 1, "sel1": 4, "p1": 16, "l1": 10, "e1": 16, "d1": 24, "d8": 64, "b1": 1}
MOVES = st.lists(
    st.sampled_from(sorted(CHANNELS)).flatmap(
        lambda channel: st.tuples(st.just(channel), st.integers(0, CHANNELS[channel][3]), st.integers(1, 5000))
    ),
    max_size=40,
)


def moved_story(moves: list[tuple[str, int, int]]) -> tuple[Story, dict[str, list[tuple[int, int]]]]:
    """A story and, known without any of our readers, what each channel did: (time, value as on the wire)."""
    story = Story()
    did: dict[str, list[tuple[int, int]]] = {channel: [] for channel in CHANNELS}
    for channel, value, gap_ms in moves:
        source, _, width, _, is_set = CHANNELS[channel]
        story.wait(gap_ms)
        if is_set:
            story.set(source, f"{channel}={value:0{width}X}")
        else:
            story.notification(source, f"is {channel}={value:0{width}X}")
        if not did[channel] or did[channel][-1][1] != value:
            did[channel].append((story.at_us, value))
    return story, did


def exported(path: Path, form: str) -> str:
    out = io.StringIO(newline="")
    assert export(path, out, form) == []
    return out.getvalue()


@settings(deadline=None, max_examples=30)
@given(MOVES)
def test_every_form_gives_every_value(tmp_path_factory, moves: list[tuple[str, int, int]]) -> None:
    folder = tmp_path_factory.mktemp("e")
    story, did = moved_story(moves)
    path = story.write(folder / "x.capture")
    check_vcd(folder, exported(path, "vcd"), did)
    rows = list(csv.DictReader(io.StringIO(exported(path, "csv"), newline="")))
    objects = [json.loads(line) for line in exported(path, "jsonl").splitlines()]
    for channel, steps in did.items():
        _, board, _, _, _ = CHANNELS[channel]
        signed = [(at_us, value - 0x10000 if channel == "e1" and value & 0x8000 else value) for at_us, value in steps]
        assert [
            (int(row["at_us"]), int(row["value"])) for row in rows if (row["board"], row["channel"]) == (board, channel)
        ] == signed
        assert [
            (one["at_us"], one["value"])
            for one in objects
            if (one.get("board"), one.get("channel")) == (board, channel)
        ] == signed


def check_vcd(folder: Path, text: str, did: dict[str, list[tuple[int, int]]]) -> None:
    (folder / "x.vcd").write_text(text)
    waves = VCDVCD(str(folder / "x.vcd"))
    assert float(waves.timescale["timescale"]) == 1e-6
    for channel, steps in did.items():
        width = WIDTHS[channel]
        name = f"{CHANNELS[channel][1]}.{channel}" + (f"[{width - 1}:0]" if width > 1 else "")
        signal = waves[name]
        assert int(signal.size) == width
        first, *rest = signal.tv
        assert set(first[1]) == {"x"}, "nothing is known at first"
        assert [(at_us, int(bits, 2)) for at_us, bits in rest] == steps


def test_what_a_reset_makes_unknown_is_x(tmp_path: Path) -> None:
    path = evening(reset=1).write(tmp_path / "x.capture")
    (tmp_path / "x.vcd").write_text(exported(path, "vcd"))
    waves = VCDVCD(str(tmp_path / "x.vcd"))
    assert waves["met.b1"].tv[-1][1] == "x"
    assert [int(bits, 2) for _, bits in waves["met._resets[31:0]"].tv[1:]] == [0, 1]


def test_notes_are_events_and_comments(tmp_path: Path) -> None:
    story = Story().wait(5).note("look here $end $var wire 1 ! evil $end").alive(1)
    text = exported(story.write(tmp_path / "x"), "vcd")
    assert "$comment mark look here _end _var wire 1 ! evil _end $end" in text
    assert text.count("$var event") == 1


def test_units_and_labels_are_in_comments(tmp_path: Path) -> None:
    text = exported(evening().write(tmp_path / "x"), "vcd")
    assert "$comment lighting.sw1: contact, 1 made, 0 open, label Stop bar, pin D4 $end" in text
    assert "$comment lighting.l1: lamp, permille of lightness $end" in text


def test_csv_is_as_rfc_4180_says(tmp_path: Path) -> None:
    text = exported(evening().write(tmp_path / "x"), "csv")
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert tuple(rows[0]) == CSV_HEAD
    assert {len(row) for row in rows} == {len(CSV_HEAD)}
    assert rows[1][:2] != ["1010900", "2026-03-01T12:00:01.010900Z"]
    at_us, utc = next(row[:2] for row in rows if row[3] == "sw1" and row[5] == "1")
    assert utc == f"2026-03-01T12:00:00.{int(at_us):06d}Z"
    assert {row[7] for row in rows if row[3] == "d1"} >= {"037", "074"}


def test_json_lines_tell_what_happened_to_the_bench_too(tmp_path: Path) -> None:
    objects = [json.loads(line) for line in exported(evening(reset=1).write(tmp_path / "x"), "jsonl").splitlines()]
    assert {"note": "mark", "text": "the moment"}.items() <= next(one for one in objects if "note" in one).items()
    assert any(one.get("reset") == "brownout" and one["board"] == "met" for one in objects)
    assert [one["at_us"] for one in objects] == sorted(one["at_us"] for one in objects)


def test_a_stranger_s_names_stay_harmless(tmp_path: Path) -> None:
    story = Story()
    batches = [
        batch._replace(bodies=[body.replace(b"ident=met ", b"ident=%1B[2Jm%22,$end ") for body in batch.bodies])
        for batch in story.wait(3).notification(2, "is b1=1").batches
    ]
    path = write(tmp_path / "x.capture", batches)
    for form in ("vcd", "csv", "jsonl"):
        out = io.StringIO(newline="")
        export(path, out, form)
        assert not re.search(r"[\x00-\x09\x0b\x0c\x0e-\x1f\x7f]", out.getvalue())
        if form == "vcd":
            (tmp_path / "x.vcd").write_text(out.getvalue())
            assert VCDVCD(str(tmp_path / "x.vcd"), only_sigs=True).signals


def test_the_command(tmp_path: Path) -> None:
    path = evening().write(tmp_path / "x.capture")

    def run(*words: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run([*BENCHCON, "export", *map(str, words)], capture_output=True, text=True)

    target = tmp_path / "x.csv"
    assert run(path, "-o", target).returncode == 0
    first = target.read_bytes()
    again = run(path, "-o", target)
    assert (again.returncode, "exists already" in again.stderr) == (2, True)
    assert run(path, "-o", target, "--force").returncode == 0
    assert target.read_bytes() == first
    for words, says in [
        ((path, "-o", tmp_path / "x.xls"), "must end with .vcd, .csv, .jsonl"),
        ((tmp_path / "none", "-o", tmp_path / "y.csv"), "No such file"),
        ((path, "-o", "/dev/full", "--force"), "must end with"),
        ((path, "-o", tmp_path / "no" / "y.csv"), "there is no folder"),
    ]:
        refused = run(*words)
        assert refused.returncode == 2
        assert says in refused.stderr
        assert refused.stderr.count("\n") == 1
    assert sorted(each.name for each in tmp_path.iterdir()) == ["x.capture", "x.csv"], "nothing half written is left"
    empty = tmp_path / "empty.capture"
    empty.write_bytes(write_header(BEGAN, {}))
    assert run(empty, "-o", tmp_path / "e.vcd").returncode == 0


def test_a_board_has_its_name_from_the_first_row_on_and_what_tells_of_all_of_it_says_so(tmp_path: Path) -> None:
    # A recording begins before the board has said who it is.
    desk = Path(__file__).parents[2] / "captures" / "ostrey-session.capture"
    rows = list(csv.DictReader(io.StringIO(exported(desk, "csv"), newline="")))
    assert {row["board"] for row in rows} == {"lighting", "met", "power"}
    objects = [json.loads(line) for line in exported(desk, "jsonl").splitlines()]
    assert {each["board"] for each in objects if "board" in each} == {"lighting", "met", "power"}
    dark = next(row for row in rows if row["channel"] == "(dark)")
    assert (dark["kind"], dark["unit"]) == ("whole board", "1 if the whole board is dark, else 0")
