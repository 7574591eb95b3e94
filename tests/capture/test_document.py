"""`protocols/capture-file.md` tells the truth: its example can be read, and it names everything there is."""

from __future__ import annotations

import re
from pathlib import Path

from capture.made import flat

from benchcon.capture import Reader, form, parse, places, ring, store, writer
from benchcon.protocol_files import protocols_dir
from benchcon.replay.cases import case_of
from benchcon.replay.keyframes import hold_against_keyframes
from benchcon.replay.targets import TARGETS
from benchcon.wire.records import KINDS

TEXT = (protocols_dir() / "capture-file.md").read_text()
EXAMPLE = "".join(
    line[4:] + "\n" for line in TEXT.partition("\n\n")[2].split("\n\n- [")[0].splitlines() if line[:4] == "    "
)


def test_the_example_is_a_capture_without_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "example.capture"
    path.write_text(EXAMPLE)
    with Reader(path) as reader:
        records = flat(list(reader))
        assert reader.problem_counts == {}
        assert reader.words == {"program": "benchcon 0.1.0"}
        assert [mark.at_us for mark in reader.notes()] == [1_080_000]
    assert [kind for _, _, kind, _ in records] == ["=", "~", ">", "<", "<", "*", "("]
    assert records[-1][3] == b"\x00\xf8!00"
    assert hold_against_keyframes(path).otherwise == []


def test_it_names_every_kind_problem_and_target() -> None:
    for kind in (*KINDS, form.SYNC):
        assert f"| `{kind}` |" in TEXT
    sorts = set(re.findall(r"\.add\(\s*\"([a-z]+)\"|_note\(lines, number, \"([a-z]+)\"", _source()))
    for sort in {one or other for one, other in sorts}:
        assert f"| *{sort}*" in TEXT, sort
    for target in TARGETS:
        assert f"| `{target}` |" in TEXT


def _source() -> str:
    return (
        "".join(Path(module.__file__ or "").read_text() for module in (parse, places, store))
        + Path((parse.__file__ or "").replace("parse", "reader")).read_text()
    )


def test_its_numbers_are_those_of_the_code() -> None:
    prose = " ".join(TEXT.split())
    assert f"at most {form.MOST_LINE >> 20} MiB long" in prose
    assert f"{form.SYNC_BYTES >> 10} KiB, after a record" in prose
    assert f"after at most {writer.KEYFRAME_RECORDS} records" in prose
    assert writer.KEYFRAME_US == 60_000_000
    assert f"about {store.MEMBER_BYTES >> 10} KiB" in prose
    assert ring.SECONDS == 600


def test_its_settings_for_tests_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    path.write_text(EXAMPLE)
    section = TEXT.partition("## 11")[2]
    toml = "".join(line[4:] + "\n" for line in section.splitlines() if line.startswith("    "))
    (tmp_path / "x.capture.toml").write_text(toml)
    for name in ("desk.toml", "faults.toml"):
        (tmp_path / name).write_text("")
    case = case_of(path)
    assert case.against == ("state", "simulated")
    assert case.how.ignore == ("power.volts", "met.*")
    for key in ("against", "tolerance", "counts", "ignore", "fast", "panel", "faults"):
        assert f"| `{key}` |" in section
