"""A rotated part stands alone for a stranger: read here with the standard library and two documents, nothing of ours.

What the stranger makes of the part is held against what our own state makes of the whole recording.
"""

from __future__ import annotations

import json
import re
import time
import zlib
from pathlib import Path
from typing import Any

import pytest

from benchcon.capture import Reader, Writer
from benchcon.capture import writer as writing
from benchcon.protocol_files import protocols_dir
from benchcon.state import BenchState

SESSION = Path(__file__).parents[2] / "captures" / "ostrey-session.capture"
TEXT = (protocols_dir() / "capture-file.md").read_text()


class Stranger:
    """Follows sections 1 to 5 of `protocols/capture-file.md` and sections 6 to 8 of `protocols/line-protocol.md`."""

    def __init__(self, raw: bytes) -> None:
        header, _, rest = raw.partition(b"\n")
        assert header.startswith(b"benchcon capture 1 ")
        self.boards: dict[int, dict[str, Any]] = {}
        self.expected: dict[int, int | None] = {}
        self.asked: dict[tuple[int, str], list[str]] = {}
        self.missing = self.lines = 0
        covered, records = zlib.crc32(header + b"\n"), 0
        for number, line in enumerate(rest.splitlines(keepends=True)):
            stamp, source, kind, body = line.rstrip(b"\n").decode().split(" ", 3)
            if kind == "#":
                assert f"records={records} " in body
                assert body.endswith(f"{zlib.crc32(line[:-9], covered):08X}")
                covered, records = 0, 0
                continue
            covered, records = zlib.crc32(line, covered), records + 1
            if number == 0:
                self.begin(kind, json.loads(body))
            elif int(source):
                self.take(int(stamp), int(source), kind, body)

    def begin(self, kind: str, keyframe: dict[str, Any]) -> None:
        assert kind == "="
        assert keyframe["form"] == 1
        for board in keyframe["boards"]:
            self.boards[board["source"]] = {each["id"]: each for each in board["channels"]}
        for board in keyframe["observer"]["boards"]:
            self.expected[board["source"]] = board["expected"]
            for tag, _, words, *_ in board["waiting"]:
                self.asked[board["source"], f"{tag:02X}"] = words

    def take(self, at_us: int, source: int, kind: str, line: str) -> None:
        self.lines += kind == "<"
        words = line.rpartition(" #")[0].split(" ")
        if kind == ">":
            self.asked[source, words[0][1:]] = words[1:]
        elif kind == "<" and words[0][0] == "!":
            number = int(words[0][1:], 16)
            expected = self.expected.get(source)
            self.missing += 0 if expected is None else (number - expected) & 0xFFFF
            self.expected[source] = (number + 1) & 0xFFFF
            if words[2] == "is":
                self.values(source, words[3:])
            elif words[2] == "dark":
                self.outputs_off(source)
        elif kind == "<":
            request = self.asked.pop((source, words[0][1:]), [])
            if words[1] == "set":
                self.values(source, request[1:])
            elif words[1] == "read":
                self.values(source, words[5:])
            elif words[1] == "dark":
                self.outputs_off(source)
            elif words[1] == "item" and words[3] in ("contact", "selector", "encoder", "pot", "lamp", "display"):
                self.channel(source, words[4])["kind"] = words[3]

    def channel(self, source: int, channel: str) -> dict[str, Any]:
        board: dict[str, dict[str, Any]] = self.boards.setdefault(source, {})
        return board.setdefault(channel, {"id": channel})

    def values(self, source: int, words: list[str]) -> None:
        for word in words:
            channel, _, value = word.partition("=")
            self.channel(source, channel)["value"] = int(value, 16)

    def outputs_off(self, source: int) -> None:
        for channel in self.boards.get(source, {}).values():
            if channel.get("kind") in ("lamp", "display"):
                channel["value"] = 0

    def values_now(self) -> dict[tuple[int, str], int | None]:
        channels = [(source, each) for source, board in self.boards.items() for each in board.values()]
        return {(source, each["id"]): each.get("value") for source, each in channels}


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Path], BenchState]:
    """A real session, recorded once more with rotation: its files, and where it ended."""
    folder = tmp_path_factory.mktemp("parts")
    state = BenchState()
    with pytest.MonkeyPatch.context() as patch, Reader(SESSION) as reader:
        patch.setattr(writing, "WAKE_S", 0.002)
        began = reader.began
        blocks = [batch for batch in reader if batch.kind != "="]
        writer = Writer(folder / "x.capture", began, state.keyframe, rotate_bytes=12_000)
        for batch in blocks:
            state.feed(batch)
            writer.write([batch])
            end = time.monotonic() + 20
            while writer.figures().waiting and time.monotonic() < end:
                time.sleep(0.001)
        figures = writer.close()
    assert figures.parts >= 2
    return sorted(folder.iterdir(), key=lambda path: (path.name == "x.capture", path.name)), state


def test_a_stranger_comes_to_the_same_from_any_part(parts: tuple[list[Path], BenchState]) -> None:
    paths, _ = parts
    followed = BenchState()
    for path in paths:
        stranger = Stranger(path.read_bytes())
        assert stranger.lines
        assert stranger.missing == 0, "the running numbers go on from the keyframe"
        with Reader(path) as reader:
            for batch in reader:
                if batch.kind != "=":
                    followed.feed(batch)
        channels = [(board.source, each) for board in followed.boards.values() for each in board.channels.values()]
        ours = {(source, each.id): each.value for source, each in channels}
        assert stranger.values_now() == ours


def test_the_last_part_alone_says_what_the_whole_says(parts: tuple[list[Path], BenchState]) -> None:
    paths, state = parts
    alone = BenchState()
    with Reader(paths[-1]) as reader:
        for batch in reader:
            alone.feed(batch)
    assert json.loads(alone.keyframe()) == json.loads(state.keyframe())


def test_every_field_of_a_keyframe_is_in_the_document(parts: tuple[list[Path], BenchState]) -> None:
    section = TEXT.partition("## 4 ")[2].partition("## 5 ")[0]
    rows = [line for line in section.splitlines() if line.startswith("| `")]
    documented = {name for row in rows for name in re.findall(r"`(\w+)`", row.split("|")[1])}
    written = set()
    frame = json.loads(parts[1].keyframe())
    for path in parts[0]:
        frame["boards"] += json.loads(path.read_bytes().splitlines()[1].split(b" = ", 1)[1])["boards"]
    for channel in [each for board in frame["boards"] for each in board["channels"]]:
        written |= set(channel)
    for board in frame["boards"] + frame["observer"]["boards"]:
        written |= set(board) | set(board.get("counters", {}))
    written |= set(frame)
    assert written <= documented, "protocols/capture-file.md, section 4, is to tell of these as well"
    assert documented - written <= {
        "raw_on",
        "raw_level",
        "edges",
        "invalid",
        "ghost",
        "blinking",
        "wanted",
        "held",
        "values",
    }, "there are no such fields"
