"""The emulated bench for tests: the firmware's real binary on libsimavr, by the cycle or on a pseudo-terminal.

`bench(panel, …)` builds the emulator and one firmware into a folder of this test run and gives a `Chip`. `Chip.run`
plays a script by the cycle and gives a `Log`; `Chip.start` starts it paced to real time, with a port and a hand.
"""

from __future__ import annotations

import functools
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import NamedTuple

import pytest
from firmware.builds import make, room

from benchcon.firmware import folder, tools
from benchcon.firmware.board_plan import Plan
from benchcon.protocol_files import protocols_dir
from benchcon.wire import codec

FIRMWARE = protocols_dir() / "firmware"
PANELS = Path(__file__).parent / "panels"
MCU_HZ = 16_000_000

_TOOLS = {"make": "make", "cc": "gcc", "avr-gcc": "gcc-avr", "avr-objcopy": "binutils-avr"}
_FILES = {
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
    "/usr/include/libelf.h": "libelf-dev",
    "/usr/lib/avr/include/avr/io.h": "avr-libc",
}


def missing() -> list[str]:
    """Debian packages that the emulated bench needs and that are not there."""
    tools = [package for tool, package in _TOOLS.items() if shutil.which(tool) is None]
    return tools + [package for file, package in _FILES.items() if not Path(file).exists()]


needs_emulator = pytest.mark.skipif(
    bool(missing()),
    reason=f"the emulated bench needs a tool chain; on Debian: apt-get install {' '.join(missing())}",
)


class Line(NamedTuple):
    """A line from the chip: when its first byte began on the wire (µs since power-up) and what it is."""

    at_us: int
    line: bytes

    @property
    def parsed(self) -> codec.Parsed:
        return codec.parse(self.line)

    @property
    def words(self) -> tuple[str, ...]:
        return self.parsed.words


class Said(NamedTuple):
    """An answer of the emulator itself to a word of the script."""

    at_us: int
    asked: str
    answer: str


class Log:
    """What came of a script."""

    def __init__(self, text: str) -> None:
        self.lines: list[Line] = []
        self.said: list[Said] = []
        self.order: list[Line | Said] = []
        for row in text.splitlines():
            kind, at, rest = row.split(" ", 2)
            if kind == "tx":
                self.lines.append(Line(int(at), rest.encode()))
                self.order.append(self.lines[-1])
            else:
                asked, _, answer = rest.partition(": ")
                self.said.append(Said(int(at), asked, answer))
                self.order.append(self.said[-1])

    def good(self) -> list[Line]:
        """All lines; fails if one has a wrong check."""
        for line in self.lines:
            assert codec.parse(line.line).kind in ("answer", "notification"), line
        return self.lines

    def notifications(self, word: str = "") -> list[Line]:
        """Notifications, of one word if it is given."""
        return [line for line in self.lines if line.line[:1] == b"!" and (not word or line.words[0] == word)]

    def answers(self, word: str = "") -> list[Line]:
        """Answers, to one word if it is given."""
        return [line for line in self.lines if line.line[:1] == b"<" and (not word or line.words[0] == word)]

    def moved(self, channel: str) -> list[tuple[Line, str]]:
        """Each `is` of this channel, with its value."""
        return [
            (line, value)
            for line in self.notifications("is")
            for ident, _, value in (word.partition("=") for word in line.words[1:])
            if ident == channel
        ]

    def replies(self, asked: str) -> list[str]:
        """The emulator's answers to this word, without their `ok`."""
        found = [said.answer for said in self.said if said.asked == asked]
        assert found, f"nobody asked '{asked}'"
        assert all(answer.startswith("ok") for answer in found), found
        return [answer[2:].strip() for answer in found]

    def numbers(self, asked: str) -> list[dict[str, float]]:
        """As `told`, `key=number` words taken apart."""
        return [
            {k: float(v) for k, _, v in (w.partition("=") for w in answer.split())} for answer in self.replies(asked)
        ]


class Chip:
    """A firmware, a wiring and the emulator, built."""

    def __init__(self, emulator: Path, elf: Path, wiring: Path, chip: str, baud: int) -> None:
        self.elf = elf
        self.baud = baud
        self._command = [
            *(str(emulator), "--elf", str(elf), "--chip", chip),
            *("--wiring", str(wiring), "--baud", str(baud)),
        ]

    def run(self, script: str | Iterable[str], timeout_s: float = 120.0) -> Log:
        """Play a script: lines of `AT_US WORD …` (protocols/firmware/emulator/main.c)."""
        text = script if isinstance(script, str) else "\n".join(script) + "\n"
        done = subprocess.run(
            [*self._command, "--script", "-"], input=text, capture_output=True, text=True, timeout=timeout_s
        )
        assert done.returncode == 0, done.stderr
        return Log(done.stdout)

    def start(self) -> Paced:
        """Start it on a pseudo-terminal, paced to real time."""
        return Paced(self._command)


class Paced:
    """A chip that runs: `port` and `control` as the console takes them."""

    def __init__(self, command: list[str]) -> None:
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        words = self._process.stdout.readline().split()
        assert len(words) == 3, f"the emulator did not start: {words}"
        self.name, self.port, self.control = words

    def __enter__(self) -> Paced:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.terminate()
        self._process.wait(10)
        assert self._process.stdout is not None
        self._process.stdout.close()


@functools.cache
def _emulator() -> Path:
    build = room("emulator")
    make(FIRMWARE / "emulator", f"BUILD={build}")
    return build / "emulator"


@functools.cache
def bench(panel: Path = FIRMWARE / "panels" / "desk", chip: str = "atmega328p", baud: int = 115_200) -> Chip:
    """Build, once in a test run, the firmware of a folder with `panel_map.c`, `panel_map.h` and `emulator.wiring`."""
    make(FIRMWARE, "avr", f"PANEL={panel}", f"CHIP={chip}", f"BAUD={baud}", f"OUT={room('emulated')}")
    elf = room("emulated") / "avr" / panel.name / f"{chip}-{baud}" / "benchboard.elf"
    return Chip(_emulator(), elf, panel / "emulator.wiring", chip, baud)


def ask(tag: int, words: str) -> str:
    """A sealed request, for `rx`."""
    return codec.request(tag, tuple(words.split())).decode()


def line_us(length: int, baud: int = 115_200) -> float:
    """Time on the wire of so many bytes at the chip's own rate: 16 MHz, double speed (data sheet, baud-rate tables)."""
    divider = round(MCU_HZ / 8 / baud)
    return length * 10 * 8 * divider * 1e6 / MCU_HZ


def chip_of(plan: Plan, where: Path) -> Chip:
    folder.write(where / "out", folder.files(plan))
    tools.build(where / "out")
    return Chip(
        _emulator(),
        where / "out" / "build" / "benchboard.elf",
        where / "out" / "emulator.wiring",
        plan.chip.name,
        115_200,
    )
