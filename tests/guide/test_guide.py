"""The guide: every file in it is good, every command in it is run, its pictures are what the program makes today."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import pytest
from console.in_terminal import Terminal
from firmware.virtual import needs_compiler

from benchcon.cli.main import main
from benchcon.panel.file import loads
from benchcon.protocol_files import protocols_dir

GUIDE = protocols_dir() / "guide"
FENCE = re.compile(r"^```(\w+)(?: ([\w.]+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PATIENCE_S = 120.0
STALE = "made again by: python tests/guide/pictures.py"


class Block(NamedTuple):
    kind: str
    name: str
    text: str


BLOCKS = [Block(kind, name or "", text) for kind, name, text in FENCE.findall((GUIDE / "README.md").read_text("utf-8"))]
PANEL = next(block.text for block in BLOCKS if block.name == "winch.toml")


def test_fourteen_parts_take_no_more_than_forty_lines_and_three_commands() -> None:
    panel = loads(PANEL)
    assert len(panel.parts) == 14
    assert len(PANEL.splitlines()) <= 40
    first = next(block for block in BLOCKS if block.kind == "sh")
    assert len(first.text.splitlines()) <= 3
    assert first.text.splitlines()[-1] == "benchcon try winch.toml"


class Reader:
    """Somebody who types what stands in the guide, in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.running: subprocess.Popen[str] | None = None
        self.words = {"/dev/ttyUSB0": "", "PORT": "", "HAND": ""}

    def type(self, line: str) -> str:
        words = shlex.split(line)
        if words[0] in ("sed", "cat", "mkdir", "mv"):  # of every system that the guide is for
            subprocess.run(line, shell=True, check=True, cwd=self.folder, timeout=PATIENCE_S)
            return ""
        if words[-1] == "&":
            self.start(words[1:-1])
            return ""
        if words[:2] == ["benchcon", "console"]:
            self.start(["try", "two.toml", "--headless"])
        words = [self.words.get(word) or word for word in words]
        if (words[:2] == ["benchcon", "try"] and len(words) == 3) or words[:2] == ["benchcon", "console"]:
            self.look(words)
            return ""
        assert words[0] in ("benchcon", "pytest", "python")
        command = [sys.executable, *words[1:]] if words[0] == "python" else [sys.executable, "-m", *words]
        done = subprocess.run(command, cwd=self.folder, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
        # A walk that finds faults has a code of its own.
        found = words[1] == "walk" and "faults.toml" in "".join(map(str, self.started))
        assert done.returncode == (1 if found else 0), f"{line}\n{done.stdout}{done.stderr}"
        return done.stdout

    def start(self, words: list[str]) -> None:
        self.end()
        self.started = words
        command = [sys.executable, "-m", "benchcon", *words]
        self.running = subprocess.Popen(command, cwd=self.folder, stdout=subprocess.PIPE, text=True)
        assert self.running.stdout is not None
        name, port, hand = self.running.stdout.readline().split()
        assert name == "winch"
        self.words = {"/dev/ttyUSB0": port, "PORT": port, "HAND": hand}
        if "two.toml" in words:
            name, self.words["/dev/ttyUSB1"], _ = self.running.stdout.readline().split()
            assert name == "gate"

    started: list[str] = []  # noqa: RUF012

    def look(self, words: list[str]) -> None:
        with Terminal("-m", *words, columns=100, rows=40, cwd=self.folder) as terminal:
            terminal.see("ROPE OUT", "DRUM LOCK", "END OF ROPE", "F9 DARK")
            if "try" in words:
                terminal.see("SIMULATED")
            if "two.toml" in words:
                terminal.see("HATCH", "off", "released")  # both boards answer
            terminal.press("q")
            assert terminal.ended() == 0

    def end(self) -> None:
        if self.running is not None:
            self.running.terminate()
            self.running.communicate(timeout=PATIENCE_S)
            self.running = None


@pytest.mark.slow
@needs_compiler
def test_every_command_of_the_guide_does_what_it_says(
    own_locks: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    # No board but ours answers to its name; in a short folder, because paths of sockets have little room.
    own = tempfile.mkdtemp(prefix="g-")
    request.addfinalizer(lambda: shutil.rmtree(own, ignore_errors=True))
    monkeypatch.setenv("TMPDIR", own)
    here = tmp_path / "here"
    here.mkdir()
    reader = Reader(here)
    told: dict[str, str] = {}
    try:
        for block in BLOCKS:
            if block.kind in ("toml", "python"):
                (here / block.name).write_text(block.text, "utf-8")
                continue
            for line in block.text.splitlines():
                if not line.startswith("pip install "):
                    told[line] = reader.type(line)
    finally:
        reader.end()
    assert "a good panel file" in told["benchcon check winch.toml"]
    assert "speed=512" in told["benchcon hand winch where"] or "speed=511" in told["benchcon hand winch where"]
    assert "simulated board 'winch'" in told["benchcon ports"]
    assert {"winch.pdf", "winch.dxf", "labels.svg", "winch.vcd", "build", "walked"} <= {p.name for p in here.iterdir()}
    assert re.search(r"\d passed", told["pytest captures"])
    # 30 steps at half of 1 m a step.
    assert told["python simulator.py PORT"] == "15 m of rope are out\n"
    faulty = told["benchcon walk --panel winch.toml --hand HAND PORT"]
    assert "Fault" in faulty
    assert "Haul in" in faulty
    assert "Hold" in faulty


@pytest.mark.parametrize(("picture", "options"), [("winch-face.svg", ["--picture"]), ("winch-sheet.svg", [])])
def test_the_pictures_are_those_that_the_program_makes_today(picture: str, options: list[str], tmp_path: Path) -> None:
    (tmp_path / "winch.toml").write_text(PANEL, "utf-8")
    assert main(["sheet", str(tmp_path / "winch.toml"), "-o", str(tmp_path / picture), *options]) == 0
    assert (tmp_path / picture).read_bytes() == (GUIDE / picture).read_bytes(), f"{GUIDE / picture} is {STALE}"
