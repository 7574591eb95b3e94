"""Stories for the tests of this room: a bench of two boards, told line by line and written as a capture."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from benchcon.capture.file import OpenFile, lines_of
from benchcon.capture.form import write_header
from benchcon.state import BenchState
from benchcon.wire import codec
from benchcon.wire.quote import quote
from benchcon.wire.records import BENCH, KEYFRAME, LINE_DOWN, LINE_UP, LINK, NOTE, Batch

BEGAN = datetime(2026, 3, 1, 12, 0, 0, 0, UTC)
DESKS = {
    1: ("lighting", ["contact sw1 pin=D4 label=Stop%20bar", "selector sel1 pos=5", "lamp l1 dim=1", "pot p1 top=03FF"]),
    2: ("met", ["encoder e1 det=4", "display d1 digits=3", "display d8 digits=8", "contact b1"]),
}


class Story:
    """What happens, one thing after the other; `at_us` is the present."""

    def __init__(self, at_us: int = 1000, numbers: int = 0) -> None:
        self.at_us = at_us
        self.batches: list[Batch] = []
        self.boot = 7
        self.number = {1: numbers, 2: numbers}
        for source, (ident, items) in DESKS.items():
            self.put(source, LINK, f"opened port=/dev/tty{source}")
            self.put(source, LINK, f"ident ident={ident} port=/dev/tty{source}")
            for index, item in enumerate([f"board ident={ident}", *items]):
                self.ask(source, f"item {index:02X}", f"item {index:02X} {item}")

    def put(self, source: int, kind: str, *bodies: bytes | str) -> Story:
        raw = [body.encode() if isinstance(body, str) else body for body in bodies]
        self.batches.append(Batch(self.at_us, source, kind, raw))
        return self

    def wait(self, ms: float) -> Story:
        self.at_us += int(ms * 1000)
        return self

    def notification(self, source: int, *words: str) -> Story:
        lines = []
        for text in words:
            lines.append(codec.notification(self.number[source], self.at_us, text.split(" ")))
            self.number[source] += 1
        return self.put(source, LINE_UP, *lines)

    def ask(self, source: int, request: str, answer: str, tag: int = 1) -> Story:
        self.put(source, LINE_DOWN, codec.request(tag, request.split(" ")))
        self.at_us += 900
        return self.put(source, LINE_UP, codec.answer(tag, answer.split(" ")))

    def set(self, source: int, values: str) -> Story:
        return self.ask(source, f"set {values}", "set 00001000")

    def note(self, text: str) -> Story:
        return self.put(BENCH, NOTE, f"mark {text}")

    def alive(self, source: int) -> Story:
        return self.notification(source, f"alive {self.boot if source == 2 else 7:04X} 0000 0000 0000 01F4 1388 00")

    def write(self, path: Path, every: int = 40) -> Path:
        """Write it as a capture, a keyframe after every so many batches."""
        return write(path, self.batches, every)


def write(
    path: Path, batches: Sequence[Batch], every: int = 40, words: dict[str, str] | None = None, panel: str = ""
) -> Path:
    state = BenchState(panel)
    with path.open("wb") as out:
        file = OpenFile(out.fileno(), write_header(BEGAN, words or {}))
        file.put(lines_of(Batch(0, BENCH, KEYFRAME, [state.keyframe()])))
        for number, batch in enumerate(batches, 1):
            state.feed(batch)
            file.put(lines_of(batch))
            if number % every == 0:
                file.put(lines_of(Batch(batch.at_us, BENCH, KEYFRAME, [state.keyframe()])))
        file.flush(sync=True)
    return path


def evening(shift_ms: float = 0, numbers: int = 0, **changes: object) -> Story:
    """An evening at the desks. `changes` tell it otherwise: ``missing=5`` leaves out a move, ``late=5`` has it late."""
    story = Story(1000 + int(shift_ms * 1000), numbers)
    last = f"{(numbers - 1) & 0xFFFF:04X}"
    story.ask(1, "read all", f"read {last} 00000000 00 sw1=0 sel1=2 l1=000 p1=0200")
    story.ask(2, "read all", f"read {last} 00000000 00 e1=0000 d1=000000 d8=0000000000000000 b1=0")
    for turn in range(12):
        story.wait(300 if changes.get("late", -9) != turn - 1 else 250)
        if changes.get("extra") == turn:
            story.notification(2, "is b1=1").wait(30).notification(2, "is b1=0").wait(70)
        else:
            story.wait(100)
        if changes.get("missing") != turn and changes.get("late") != turn:
            story.notification(1, f"is sw1={turn % 2 ^ 1}")
        story.wait(20).notification(1, f"is p1={0x200 + turn * 7 + int(str(changes.get('noise', 0))):04X}")
        if changes.get("late") == turn:
            story.wait(50).notification(1, f"is sw1={turn % 2 ^ 1}")
        story.set(1, f"l1={turn * 80:03X}" if changes.get("level") != turn else "l1=3E7")
        story.notification(2, f"is e1={(-4 * turn) & 0xFFFF:04X}")
        story.set(2, f"d1={codec_digits(turn * 37)} d8=FFFFFFFFFFFFFF{turn:02X}")
        if turn % 3 == 0:
            story.wait(100).notification(1, f"is sel1={turn // 3}").alive(1).alive(2)
        if turn == 6:
            story.note(quote("here") if changes.get("quiet") else "the moment")
    if "reset" in changes:
        story.wait(100)
        story.number[2], story.boot = 0, 8
        story.notification(2, "boot 0008 brownout 01")
    return story.wait(2000).alive(1).alive(2)


def codec_digits(number: int) -> str:
    from benchcon.panel.segments import encode

    return encode(f"{number % 1000:03d}", 3).hex().upper()
