"""Captures from strangers through every command that reads one: nothing raises or grows, no control code comes out."""

from __future__ import annotations

import json
import os
import random
import struct
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchcon.capture.store import MOST_MEMBER, pack
from benchcon.cli.main import main
from benchcon.errors import Trouble
from benchcon.state_reader import StateReader
from benchcon.wire.codec import seal

SESSION = Path(__file__).parents[2] / "captures" / "ostrey-session.capture"
HEADER = b"benchcon capture 1 began=2026-03-01T12:00:00.000000Z unit=us\n"
NASTY = b"\x1b]0;owned\x07\x1b[31m[bold red]x[/]<script>alert(1)</script>\x9b31m"
OUTPUTS = ("o.vcd", "o.csv", "o.jsonl", "o.html", "o.xml")


def commands(path: str) -> Iterator[list[str]]:
    yield ["check", path]
    yield ["replay", path, "--headless"]
    yield ["replay", path, "--headless", "--json"]
    yield ["replay", path, "--against", "state", "--junit", "o.xml", "--force"]
    yield ["compare", path, str(SESSION), "--html", "o.html", "--force"]
    yield ["compare", str(SESSION), path]
    for name in OUTPUTS[:3]:
        yield ["export", path, "-o", name, "--force"]


def read_by_all(path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHCON_TRACEBACK", "1")  # what is not foreseen is raised
    monkeypatch.chdir(path.parent)
    for command in commands(path.name):
        assert main(command) in (0, 1, 2)
        out, err = capsys.readouterr()
        files = [(path.parent / name).read_text() for name in OUTPUTS if (path.parent / name).exists()]
        for text in (out, err, *files):
            # C0 and C1 control codes and marks that turn the direction of writing (ECMA-48; Unicode, bidi controls).
            odd = {each for each in text if (ord(each) < 32 and each not in "\n\r\t") or 127 <= ord(each) < 160}
            assert not odd | ({"\u202e"} & set(text)), command
            assert len(text) < 1_000_000
        assert "<script>" not in "".join(text for text in files if text.startswith("<!doctype html>"))


def record(at_us: int, kind: str, body: bytes) -> bytes:
    return b"%d 1 %s %s\n" % (at_us, kind.encode(), body)


def test_control_codes_and_markup(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = {"form": 1, "panel": {"text": f"[boards.{NASTY!r}]", "digest": ""}, "boards": [{"ident": "\x1b[2J\u202e"}]}
    lines = [
        record(1, "~", b"opened port=" + NASTY),
        record(2, "*", b"mark " + NASTY),
        record(3, "(", NASTY),
        record(4, "<", NASTY),
        NASTY + b"\n",
        record(5, "*", "trigger %1B[31m \u202e\x9b".encode()),
        record(6, "<", seal(b"<01 hello 01 02 0080 0001 desk")),
        record(7, ">", seal(b">02 item 01")),
        record(8, "<", seal(b"<02 item 01 lamp l1 label=%1B[31mred%0D%0A%E2%80%AE")),
        b"9 0 = " + json.dumps(frame).encode() + b"\n",
        record(10, "<", seal(b"!0001 00000001 is l1=000")),
    ]
    path = tmp_path / "x.capture"
    path.write_bytes(HEADER + b"".join(lines))
    read_by_all(path, capsys, monkeypatch)


def test_gigantic_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [
        b"9" * 30 + b" 1 < x\n",
        b"0 " + b"9" * 4000 + b" < x\n",
        record(1, "<", seal(b"!0001 00000001 is a=1")),
        b'2 0 = {"at_us":' + b"9" * 20_000 + b',"boards":[' + b"[" * 5000 + b"\n",
        b'3 0 = {"form":1,"records":1e999,"notes":0,"boards":[],"observer":{"boards":[]},"panel":{}}\n',
        record(999_999_999_999_999_998, "<", seal(b"!0002 00000002 is a=0")),
        record(999_999_999_999_999_999, "*", b"mark end"),
    ]
    path = tmp_path / "x.capture"
    path.write_bytes(HEADER + b"".join(lines))
    read_by_all(path, capsys, monkeypatch)


def test_times_that_run_backwards(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    head, *rest = SESSION.read_bytes().splitlines(keepends=True)
    path = tmp_path / "x.capture"
    path.write_bytes(head + b"".join(reversed(rest)))
    read_by_all(path, capsys, monkeypatch)


ODD = (None, True, -1, 10**400, 1.5e308, "x" * 100_000, "\x1b[2J\u202e", [], {}, [[]], [None], {"\x1b[31m": 1}, "0")


def places(value: Any, so_far: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the way to every field of a keyframe; of lists the first three."""
    if so_far:
        yield so_far
    for key in value if isinstance(value, dict) else range(min(3, len(value))) if isinstance(value, list) else ():
        yield from places(value[key], (*so_far, key))


@pytest.mark.slow
def test_keyframes_with_anything_in_any_field(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    chance = random.Random(20260301)
    rest = SESSION.read_bytes().splitlines(keepends=True)[1:]
    bodies = [line for line in rest if b" 0 # " not in line[:30] and b" 0 = " not in line[:30]]
    last = [line for line in rest if b" 0 = " in line[:30]][-1].split(b" = ", 1)[1]
    ways = list(places(json.loads(last)))
    assert len(ways) > 200
    path = tmp_path / "x.capture"
    for way in chance.sample(ways, 12):
        frame = json.loads(last)
        at = frame
        for key in way[:-1]:
            at = at[key]
        at[way[-1]] = chance.choice(ODD)
        # Once to begin from, once to be held against what was worked out.
        line = b" 0 = " + json.dumps(frame).encode() + b"\n"
        path.write_bytes(HEADER + b"0" + line + b"".join(bodies) + bodies[-1].split()[0] + line)
        read_by_all(path, capsys, monkeypatch)


def lying_member(text: bytes, packed: bytes, says: int) -> bytes:
    """Return one gzip member with our extra field (protocols/capture-file.md, section 7) that says how long it is."""
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = squeeze.compress(text) + squeeze.flush() + struct.pack("<II", zlib.crc32(text), len(text) & 0xFFFFFFFF)
    return packed[:16] + struct.pack("<IIQQ", 40 + len(body), says, 0, 0) + body


WITH_LITTLE_MEMORY = """
import resource, sys
from benchcon.cli.main import main
resource.setrlimit(resource.RLIMIT_AS, (400 << 20,) * 2)
import replay.test_strangers as strangers
for path in sys.argv[1:]:
    for command in strangers.commands(path):
        print(path, command[0], main(command), file=sys.stderr, flush=True)
"""


def test_thousands_of_channels_make_no_endless_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    notifications = (record(at, "<", seal(b"!%04X 00000001 is c%d=1" % (at, at % 401))) for at in range(1200))
    lines = (line.replace(b" 1 <", b" %d <" % (1 + at % 5), 1) for at, line in enumerate(notifications))
    (tmp_path / "x.capture").write_bytes(HEADER + b"".join(lines))
    monkeypatch.chdir(tmp_path)
    assert main(["compare", "x.capture", str(SESSION), "--html", "o.html"]) == 1
    out = capsys.readouterr().out
    assert len(out.splitlines()) < 540
    assert "more channels that differ" in out
    page = (tmp_path / "o.html").read_text()
    assert len(page) < 2_000_000
    assert "channels are not drawn" in page


@pytest.mark.slow
def test_a_line_of_a_gibibyte_and_bombs_of_zeros_need_little_memory(tmp_path: Path) -> None:
    long = tmp_path / "long.capture"
    with long.open("wb") as file:
        file.write(HEADER + b"1 0 * mark here\n2 0 * mark ")
        file.seek(1 << 30, os.SEEK_CUR)  # a hole: it takes no room on the disk
        file.write(b"\n3 0 * mark there\n")
    assert pack(SESSION, tmp_path / "good.capture.gz")
    packed = (tmp_path / "good.capture.gz").read_bytes()
    zeros = HEADER + bytes(256 << 20)
    (tmp_path / "bomb1.capture.gz").write_bytes(lying_member(zeros, packed, len(HEADER) + 1000))
    (tmp_path / "bomb2.capture.gz").write_bytes(lying_member(zeros, packed, MOST_MEMBER))
    (tmp_path / "bomb3.capture.gz").write_bytes(lying_member(zeros, packed, len(zeros)))
    (tmp_path / "bomb4.capture.gz").write_bytes(zlib.compress(zeros, 9, 31))
    (tmp_path / "loop.capture").symlink_to("pool.capture")
    (tmp_path / "pool.capture").symlink_to("loop.capture")
    names = ["long.capture", *(f"bomb{n}.capture.gz" for n in (1, 2, 3, 4)), "loop.capture", "good.capture.gz"]
    tests = Path(__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-c", WITH_LITTLE_MEMORY, *names],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tests)},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert "MemoryError" not in done.stderr
    assert "unexpected" not in done.stderr
    codes = [line.split() for line in done.stderr.splitlines() if not line.startswith("benchcon:")]
    assert len(codes) == 9 * len(names)
    assert {int(code) for name, _, code in codes if name.startswith("bomb")} == {1, 2}
    assert "a line of more than 4194304 bytes is skipped" in done.stderr
    assert "is not as long as it says" in done.stderr
    assert "a gzip file packed by another program" in done.stderr
    assert "Too many levels of symbolic links" in done.stderr


def test_a_source_number_that_was_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = SESSION.read_bytes().split(b"\n")
    at = next(number for number, line in enumerate(lines) if b" 1 < !" in line and b" is " in line)
    for word in (b"0", b"00", b"7", b"9999", b"10000", b"x"):
        path = tmp_path / f"changed-{word.decode()}.capture"
        path.write_bytes(b"\n".join([*lines[:at], lines[at].replace(b" 1 <", b" %b <" % word), *lines[at + 1 :]]))
        read_by_all(path, capsys, monkeypatch)


def test_settings_of_no_form_that_a_board_agreed_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The check of such lines is right: a board said them, though it should have said no."""
    lines = [
        record(1, "<", seal(b"<01 hello 01 01 0080 0001 desk")),
        *(
            record(at, kind, seal(text))
            for at, word in enumerate((b"l1=~E8", b"l1=", b"=1", b"l1=1_0", b"l1=3EI", b"l1=" + b"F" * 17, b"L=1"), 2)
            for kind, text in ((">", b">02 set " + word), ("<", b"<02 set 00000001"))
        ),
        record(99, ">", seal(b">03 set l1=1F4")),
        record(100, "<", seal(b"<03 set 00000001")),
    ]
    path = tmp_path / "x.capture"
    path.write_bytes(HEADER + b"".join(lines))
    read_by_all(path, capsys, monkeypatch)
    assert main(["export", path.name, "-o", "o.csv", "--force"]) == 0
    told = [line for line in (tmp_path / "o.csv").read_text().splitlines() if ",l1," in line]
    assert len(told) == 1
    assert "500" in told[0]


def mutated(chance: random.Random, raw: bytes) -> bytes:
    """Return a capture with one or some of its bits, words, lines or checks changed; half of them are sealed again."""
    lines = raw.split(b"\n")
    for _ in range(chance.choice((1, 1, 3, 20))):
        at = chance.randrange(1, len(lines) - 1)
        words = lines[at].split(b" ")
        place = chance.randrange(len(words))
        match chance.randrange(6):
            case 0:
                words[place] = chance.choice(ODD_WORDS)
            case 1:
                words.insert(place, chance.choice(lines).split(b" ")[-1])
            case 2:
                del words[place]
            case 3:
                lines[at], lines[-2] = lines[-2], lines[at]
            case 4:
                text = bytearray(lines[at] or b"x")
                text[chance.randrange(len(text))] ^= 1 << chance.randrange(8)
                words = bytes(text).split(b" ")
            case 5:
                words = chance.choice(lines).split(b" ")
        if len(words) > 4 and words[2] in (b"<", b">") and chance.random() < 0.5:
            words = [*words[:3], seal(b" ".join(words[3:]).rpartition(b" #")[0])]
        lines[at] = b" ".join(words)
    return b"\n".join(lines)


ODD_WORDS = (b"", b"0", b"-1", b"FFFF", b"9" * 30, b"1e999", b"null", b"{}", b"~E8", b"=", b"all", b"<", b">", b"\xff")


@pytest.mark.slow
def test_captures_damaged_in_many_ways(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    chance = random.Random(20260302)
    raw = SESSION.read_bytes()
    path = tmp_path / "x.capture"
    for _ in range(300):
        path.write_bytes(mutated(chance, raw))
        read_by_all(path, capsys, monkeypatch)


def test_a_capture_that_is_cut_short_while_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    path.write_bytes(HEADER + b"1 1 ( x\n" * 400_000)
    with StateReader(path) as reader:
        assert reader.next_block()
        os.truncate(path, 300_000)
        with pytest.raises(Trouble, match="cut short by another program while it was read, at byte 300000"):
            list(reader)


def test_empty_lines_without_end_cost_check_no_time(tmp_path: Path) -> None:
    path = tmp_path / "empty.toml"
    path.write_bytes(b"\n" * (256 << 10))
    # A minute it took, when what looks for a heading went through all the lines from each of them.
    subprocess.run([sys.executable, "-m", "benchcon", "check", str(path)], capture_output=True, timeout=20)


PYTEST = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-q", "--continue-on-collection-errors"]


@pytest.mark.slow
def test_pytest_tells_them_too(tmp_path: Path) -> None:
    (tmp_path / "huge.capture").write_bytes(
        HEADER + b'0 0 = {"form":1,"boards":[{"ident":"' + b"x" * 100_000 + b'"}]}\n'
    )
    (tmp_path / "loop.capture").symlink_to("loop.capture")
    (tmp_path / "bomb.capture.gz").write_bytes(zlib.compress(HEADER + bytes(64 << 20), 9, 31))
    (tmp_path / "escape.capture").write_bytes(HEADER + b"1 1 < " + NASTY + b"\n")
    done = subprocess.run(
        [*PYTEST, str(tmp_path)],
        capture_output=True,
        cwd=tmp_path,
        timeout=120,
    )
    text = done.stdout.decode()
    assert b"\x1b" not in done.stdout
    assert "Traceback" not in text
    assert "bomb.capture.gz: a gzip file packed by another program" in text
    assert "\\x1B" in text
    assert len(text) < 20_000
