"""What is written is what is read: any records, however the file is cut."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest
from capture.made import BEGAN, batches, flat, keyframe, sealed
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchcon.capture import Reader
from benchcon.capture.file import OpenFile, lines_of
from benchcon.capture.form import Sync, encode, escape, read_header, unescape, wall_time, write_header, write_sync
from benchcon.errors import Trouble
from benchcon.wire.records import Batch

CONTROL = {chr(code) for code in (*range(0x20), *range(0x7F, 0xA0))}
WORDS = st.text(st.characters(codec="ascii", min_codepoint=0x21, max_codepoint=0x7E), max_size=40).map(str.encode)
ARGUMENTS = st.from_regex(r"[a-z][a-z0-9_]{0,11}( ([\"$&-;=?A-~]|%[0-9A-F]{2}){1,7}){0,2}", fullmatch=True).map(
    str.encode
)
UP = st.tuples(st.sampled_from([b"<01 ", b"!0000 0004B2C0 "]), ARGUMENTS).map(lambda two: sealed(b"".join(two)))
DOWN = st.one_of(ARGUMENTS.map(lambda words: sealed(b">01 " + words)), ARGUMENTS.map(lambda words: b"@@ " + words))
RAW = st.binary(max_size=80)
TEXT = st.one_of(st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")), RAW)
BODIES = {"<": UP, ">": DOWN, "(": RAW, ")": RAW, "~": TEXT, "*": TEXT, "=": st.integers(0, 10**9).map(keyframe)}
BATCHES = st.lists(
    st.sampled_from(sorted(BODIES)).flatmap(
        lambda kind: st.tuples(
            # The bench, which is source 0, says no lines.
            st.integers(0, 10**9),
            st.integers(kind in "<>()", 9999),
            st.just(kind),
            st.lists(BODIES[kind], min_size=1, max_size=4),
        )
    ),
    max_size=12,
)


def stamped(drawn: list[tuple[int, int, str, list[bytes]]]) -> list[Batch]:
    """Add the steps up, so that stamps never decrease."""
    at_us, made = 0, []
    for step_us, source, kind, bodies in drawn:
        at_us += step_us
        made.append(Batch(at_us, source, kind, bodies))
    return made


def write(path: Path, given: list[Batch]) -> bytes:
    descriptor = path.open("wb")
    file = OpenFile(descriptor.fileno(), write_header(BEGAN, {}))
    for batch in given:
        file.put(lines_of(batch))
    file.sync_line()
    file.flush(sync=False)  # else a disk that takes its time would take it for every example
    descriptor.close()
    return path.read_bytes()


@settings(deadline=None)
@given(BATCHES)
def test_any_records_are_read_back_equal(tmp_path_factory: pytest.TempPathFactory, drawn) -> None:
    given = stamped(drawn)
    path = tmp_path_factory.mktemp("c") / "any.capture"
    text = write(path, given)
    assert not set(text) & (set(range(0x20)) - {0x0A} | {0x7F}), "a capture is safe to print"
    with Reader(path) as reader:
        assert flat(list(reader)) == flat(given)
        assert not reader.problem_counts


@settings(deadline=None)
@given(BATCHES.filter(bool), st.data())
def test_a_file_cut_anywhere_gives_the_records_before_the_cut(tmp_path_factory, drawn, data) -> None:
    given = stamped(drawn)
    path = tmp_path_factory.mktemp("c") / "cut.capture"
    text = write(path, given)
    first = text.index(b"\n") + 1
    cut = data.draw(st.integers(first, len(text)))
    path.write_bytes(text[:cut])
    with Reader(path) as reader:
        read = flat(list(reader))
        assert read == flat(given)[: len(read)]
        # Whole lines before the cut that are no sync lines: all of them are there.
        whole = [line for line in text[first:cut].split(b"\n")[:-1] if b" 0 # records=" not in line]
        assert len(read) == len(whole)
        torn = text[cut - 1 : cut] != b"\n"
        empty = cut == first  # only the header is left
        assert dict(reader.problem_counts) == ({"torn": 1} if torn else {"form": 1} if empty else {})
        if torn:
            assert "has no end" in reader.problems[-1].text


@pytest.mark.slow
@settings(deadline=None)
@given(BATCHES.filter(bool), st.data())
def test_a_changed_byte_is_noticed(tmp_path_factory, drawn, data) -> None:
    path = tmp_path_factory.mktemp("c") / "changed.capture"
    text = bytearray(write(path, stamped(drawn)))
    at = data.draw(st.integers(text.index(b"\n") + 1, len(text) - 2))
    # Without its line end the line before swallows the last sync line: what is left is a file that was cut there, and
    # nobody can vouch for the last second of such a file.
    assume(at != text.rindex(b"\n", 0, len(text) - 1))
    text[at] ^= 1 << data.draw(st.integers(0, 7))
    path.write_bytes(text)
    with Reader(path) as reader:
        list(reader)
        assert reader.problem_counts, bytes(text)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=3000), st.booleans())
def test_a_strangers_bytes_never_raise_anything_but_trouble(tmp_path_factory, junk: bytes, headed: bool) -> None:
    path = tmp_path_factory.mktemp("c") / "junk.capture"
    path.write_bytes(write_header(BEGAN, {}) + junk if headed else junk)
    if not headed:
        with pytest.raises(Trouble, match=r"junk\.capture: [^\n]*\Z"):
            Reader(path)
        return
    with Reader(path) as reader:
        for batch in reader:
            assert batch.bodies
            assert all(isinstance(body, bytes) for body in batch.bodies)
        for at_us in (0, 10**6, 10**18, -5):
            reader.seek(at_us)
            list(reader.until(at_us))
        list(reader.keyframes())
        reader.notes()
        assert not set("".join(problem.text for problem in reader.problems)) & CONTROL


LINES = st.lists(
    st.one_of(
        st.binary(max_size=60),
        st.tuples(
            st.integers(0, 10**25), st.integers(0, 10**6), st.sampled_from("<>()~*=#x"), st.binary(max_size=60)
        ).map(lambda four: b"%d %d %b %b" % (four[0], four[1], four[2].encode(), four[3])),
        st.tuples(st.integers(-1, 3000), st.integers(-1, 3000), st.integers(-1, 3000)).map(
            lambda three: b"5 0 # records=1 keyframe=%d prior=%d note=%d crc=00000000" % three
        ),
        st.integers(0, 10**6).map(lambda at_us: b"%d 0 = {}" % at_us),
        st.integers(0, 10**6).map(lambda at_us: b"%d 0 * mark here" % at_us),
    ),
    max_size=60,
)


@pytest.mark.slow
@settings(max_examples=300, deadline=None)
@given(LINES)
def test_a_strangers_lines_give_stamps_that_never_decrease(tmp_path_factory, lines: list[bytes]) -> None:
    path = tmp_path_factory.mktemp("c") / "strange.capture"
    path.write_bytes(write_header(BEGAN, {}) + b"".join(line.replace(b"\n", b"") + b"\n" for line in lines))
    with Reader(path) as reader:
        stamps = [batch.at_us for batch in reader]
        assert stamps == sorted(stamps)
        for at_us in (0, 7, 10**5, 10**18):
            frame = reader.seek(at_us)
            assert frame is None or frame.at_us <= at_us
            assert all(batch.at_us <= at_us for batch in reader.until(at_us))
        list(reader.keyframes())
        marks = reader.notes()
        assert len(marks) == len({mark.offset for mark in marks})


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_escaping_has_an_inverse_and_leaves_nothing_that_a_terminal_obeys(raw: bytes) -> None:
    for kind in "()~*":
        text = escape(raw, kind)
        assert unescape(text) == raw
        assert not set(text) & (set(range(0x20)) | {0x7F})
        assert kind in "~*" or text.isascii()


def test_notes_keep_their_letters_and_lose_their_control_codes() -> None:
    assert escape("Türöffner\x1b[2J".encode(), "*") == "Türöffner\\x1B[2J".encode()
    assert escape("a\u202eb".encode(), "*") == b"a\\xE2\\x80\\xAEb"


def test_a_line_reads_as_the_document_shows() -> None:
    line = sealed(b"!0A3F 0012ABCD is sw3=1")
    assert encode(Batch(1080000, 1, "<", [line])) == b"1080000 1 < !0A3F 0012ABCD is sw3=1 #C08E\n"
    assert encode(Batch(1080313, 1, "(", [b"\x00\xf8!00"])) == b"1080313 1 ( \\x00\\xF8!00\n"


def test_header_both_ways() -> None:
    line = write_header(BEGAN, {"program": "a b"}).rstrip(b"\n")
    assert line == b"benchcon capture 1 began=2026-03-01T12:00:00.123456Z unit=us program=a%20b"
    header = read_header(line, "x")
    assert header.began == BEGAN
    assert header.words == {"program": "a b"}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"", "not a capture"),
        (b"time,board,value", "not a capture"),
        (b"benchcon capture 2 began=2026-03-01T12:00:00Z", "version 2; this program reads version 1"),
        (b"benchcon capture 1 unit=us", "'began='"),
        (b"benchcon capture 1 began=yesterday", "'began='"),
        (b"benchcon capture 1 began=2026-03-01T12:00:00Z unit=ms", "unit"),
        (b"benchcon capture 1 began=2026-03-01T12:00:00Z unit=us\r", "CR LF"),
    ],
)
def test_a_first_line_that_is_otherwise_is_refused_in_one_line(tmp_path: Path, line: bytes, says: str) -> None:
    path = tmp_path / "other.capture"
    path.write_bytes(line + b"\n")
    with pytest.raises(Trouble) as caught:
        Reader(path)
    assert "other.capture: line 1: " in str(caught.value)
    assert says in str(caught.value)


def test_sync_lines_hold_the_crc_of_gzip(tmp_path: Path) -> None:
    # CRC-32 as in RFC 1952, section 8; zlib's is an implementation outside this project.
    text = write(tmp_path / "x", batches(3))
    assert text[-9:-1] == b"%08X" % zlib.crc32(text[:-9])
    assert b" records=15 " in text


@pytest.mark.parametrize("damage", ["source", "sync"])
def test_what_breaks_the_rules_of_the_document_is_named(tmp_path: Path, damage: str) -> None:
    def at(second: int) -> bytes:
        return b"%d 1 < %b\n" % (second * 1_000_000, sealed(b"!0000 0004B2C0 is a=1"))

    path = tmp_path / "x"
    whole = write_header(BEGAN, {}) + at(1) + at(2) + at(4)
    if damage == "source":
        whole = whole.replace(b"\n2000000 1 ", b"\n2000000 0 ")
    else:
        whole += write_sync(4_000_000, Sync(3, -1, -1, -1, zlib.crc32(whole)))
    path.write_bytes(whole)
    with Reader(path) as reader:
        read = list(reader)
        assert reader.problem_counts == ({"form": 1} if damage == "source" else {"late": 1})
    assert len(read) == (2 if damage == "source" else 3)


def test_a_sync_line_parts_records_that_lie_apart_however_they_are_written(tmp_path: Path) -> None:
    """As from the ring, which is written out all at once."""
    write(tmp_path / "x", [Batch(at * 400_000, 1, "(", [b"x"]) for at in range(20)])
    with Reader(tmp_path / "x") as reader:
        list(reader)
        assert not reader.problem_counts


@pytest.mark.parametrize("size", [10, 100_000])
def test_the_second_line_is_the_keyframe_whenever_it_is_and_however_long(tmp_path: Path, size: int) -> None:
    write(tmp_path / "x", [Batch(50_000_000, 0, "=", [b"x" * size])])
    assert (tmp_path / "x").read_bytes().split(b"\n")[1].startswith(b"50000000 0 = x")


def test_wall_time() -> None:
    assert wall_time(BEGAN, 1_876_544) == "2026-03-01T12:00:02.000000Z"
    assert "+ 1000000000000000000 us" in wall_time(BEGAN, 10**18)
