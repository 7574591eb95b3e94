"""Every command with what it cannot use: one clear line, exit code 2, no traceback, nothing half-written.

What is asked of a file or a port that is none is asked of all commands that take one.
"""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from few import few_of

from benchcon import demo
from benchcon.cli.main import COMMANDS, main

REPO = Path(__file__).parents[2]
CAPTURE = REPO / "captures" / "ostrey-session.capture"
OSTREY = REPO / "benchcon" / "demo" / "ostrey.toml"


@pytest.fixture(autouse=True)
def own_places(own_locks: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    (here / "dir").mkdir()
    (here / "empty").touch()
    (here / "text").write_text("hello\n")
    (here / "binary").write_bytes(bytes(range(256)) * 64)
    (here / "crlf").write_bytes(CAPTURE.read_bytes().replace(b"\n", b"\r\n"))
    os.mkfifo(here / "pipe")
    return here


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    """Return what was said on standard error: one line that begins with the program's name."""
    err = capsys.readouterr().err
    assert err.startswith("benchcon: ")
    assert err.count("\n") == 1
    for python in ("Traceback", "Errno", "Error", "unexpected:", "NoneType"):
        assert python not in err
    return err


PORTS = {
    "none-there": "is it plugged in?",
    "dir": "is not a serial port",
    "text": "is not a serial port",
    "pipe": "is not a serial port",
    "/dev/null": "is not a serial port",
    "/dev/zero": "is not a serial port",
    "socket://127.0.0.1:1": "is something listening there?",
    "socket://nowhere": "socket://HOST:PORT",
    "loop://": "socket://HOST:PORT",
    "": "is it plugged in?",
}
TAKE_A_PORT = (
    ["conform", "{}"],
    ["draft", "{}"],
    ["record", "{}", "-o", "new.capture", "--seconds", "1"],
    ["replay", str(CAPTURE), "--to", "{}"],
)


@pytest.mark.parametrize("command", TAKE_A_PORT, ids=lambda words: words[0])
@pytest.mark.parametrize("port", PORTS)
def test_a_port_that_is_none(command: list[str], port: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([word.format(port) for word in command]) == 2
    told = one_line(capsys)
    assert PORTS[port] in told
    assert (port or "''") in told
    assert not Path("new.capture").exists()


def test_a_port_that_another_program_has() -> None:
    ours, theirs = pty.openpty()
    try:
        port = os.ttyname(theirs)
        from benchcon.link.lock import PortLock

        lock = PortLock(port)
        lock.take()
        for command in TAKE_A_PORT:
            ran = subprocess.run(
                [sys.executable, "-m", "benchcon.cli.main", *(word.format(port) for word in command)],
                capture_output=True,
                text=True,
                timeout=60,
            )
            assert ran.returncode == 2
            assert ran.stderr.count("\n") == 1
            assert f"process {os.getpid()}" in ran.stderr
        lock.release()
    finally:
        os.close(ours)
        os.close(theirs)


CAPTURES = {
    "none-there": "No such file",
    "dir": "not a file",
    "empty": "this is not a capture",
    "text": "this is not a capture",
    "binary": "this is not a capture",
    "crlf": "CR LF",
    "pipe": "not a file",
    "/dev/null": "not a file",
    "/dev/zero": "not a file",
}
TAKE_A_CAPTURE = (
    ["replay", "{}"],
    ["replay", "{}", "--headless"],
    ["replay", "{}", "--against", "state", "--junit", "new.xml"],
    ["replay", "{}", "--to", "/dev/none"],
    ["compare", "{}", str(CAPTURE), "--html", "new.html"],
    ["compare", str(CAPTURE), "{}"],
    ["export", "{}", "-o", "new.vcd"],
)


@pytest.mark.parametrize("command", TAKE_A_CAPTURE, ids=lambda words: "-".join(words[:3:2]).strip("{}-"))
@pytest.mark.parametrize("path", CAPTURES)
def test_a_capture_that_is_none(command: list[str], path: str, capsys: pytest.CaptureFixture[str]) -> None:
    before = set(os.listdir())
    assert main([word.format(path) for word in command]) == 2
    told = one_line(capsys)
    assert CAPTURES[path] in told
    assert path in told
    assert set(os.listdir()) == before


PANELS = {
    "none-there": "No such file",
    "dir": "Is a directory",
    "text": "is not TOML here",
    "binary": "is not text",
    "pipe": "nobody writes to it",
    "/dev/zero": "larger than",
}
TAKE_A_PANEL = (
    ["firmware", "{}", "-o", "new"],
    ["record", "--panel", "{}", "/dev/none", "-o", "new"],
    ["replay", str(CAPTURE), "--against", "state", "--panel", "{}"],
    ["replay", str(CAPTURE), "--to", "/dev/none", "--panel", "{}"],
)


@pytest.mark.parametrize("command", TAKE_A_PANEL, ids=lambda words: f"{words[0]}-{len(words)}")
@pytest.mark.parametrize("path", PANELS)
def test_a_panel_file_that_is_none(
    command: list[str], path: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchcon.panel.file.PIPE_WAIT_S", 0.05)
    assert main([word.format(path) for word in command]) == 2
    told = one_line(capsys)
    assert PANELS[path] in told
    assert path in told
    assert not Path("new").exists()


@pytest.fixture(scope="module")
def desks() -> Iterator[demo.Demo]:
    with demo.start() as running:
        yield running


OUTPUTS = {
    "dir": "is a folder; name a file",
    "nowhere/new": "nowhere",
    "/proc/new": "/proc/new",
    "/dev/full": "No space left on device",
}
WRITE_A_FILE = (
    ["draft", "PORT", "-o", "{}"],
    ["record", "PORT", "-o", "{}", "--seconds", "1", "--force"],
    ["compare", str(CAPTURE), str(CAPTURE), "--html", "{}"],
    ["replay", str(CAPTURE), "--against", "state", "--junit", "{}"],
    ["conform", "PORT", "--only", "check", "--junit", "{}"],
)


@pytest.mark.parametrize("command", WRITE_A_FILE, ids=lambda words: words[0])
@pytest.mark.parametrize("path", OUTPUTS)
def test_a_place_that_cannot_be_written(
    command: list[str], path: str, desks: demo.Demo, capsys: pytest.CaptureFixture[str]
) -> None:
    before = set(os.listdir())
    port = desks.boards[1].port
    assert main([port if word == "PORT" else word.format(path) for word in command]) == 2
    told = one_line(capsys)
    assert OUTPUTS[path] in told
    assert path in told
    assert set(os.listdir()) == before
    assert os.listdir("dir") == []


PRINTED = (
    *(["--help"], ["--version"], ["help", "walk"], ["--completion", "bash"]),
    *([name, "--help"] for name in COMMANDS),
    *(["ports"], ["check", str(OSTREY)], ["parts", str(OSTREY)], ["compare", str(CAPTURE), str(CAPTURE)]),
    *(["replay", str(CAPTURE), "--headless"], ["replay", str(CAPTURE), "--against", "state"]),
    *(["timing", str(CAPTURE), "--panel", str(OSTREY)], ["demo", "--headless"], ["try", str(OSTREY), "--headless"]),
    ["rehearse", str(OSTREY.with_name("panels") / "mode-row-scenario.toml")],
)
"""What prints, whatever it is that it prints."""


@pytest.mark.parametrize(
    "command", few_of(PRINTED), ids=lambda words: "-".join(word.rpartition("/")[2] for word in words)
)
def test_standard_output_that_is_full(command: list[str]) -> None:
    with open("/dev/full", "w") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "benchcon.cli.main", *command],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    assert ran.returncode == 2
    assert ran.stderr == (
        "benchcon: standard output cannot be written: No space left on device; make room, or send it elsewhere\n"
    )


@pytest.mark.parametrize("command", few_of(PRINTED[:3] + PRINTED[-10:]), ids=lambda words: words[0])
@pytest.mark.parametrize("unbuffered", ["", pytest.param("1", marks=pytest.mark.slow)])
def test_a_reader_that_leaves_is_not_worth_a_word(command: list[str], unbuffered: str) -> None:
    """As in `| head`; the code is that of a program that dies of SIGPIPE."""
    ours, theirs = os.pipe()
    os.close(ours)
    with os.fdopen(theirs, "w") as pipe:
        ran = subprocess.run(
            [sys.executable, "-m", "benchcon.cli.main", *command],
            stdout=pipe,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": unbuffered},
            timeout=60,
        )
    assert (ran.returncode, ran.stderr) == (128 + signal.SIGPIPE, "")


def test_messages_that_cannot_be_written_end_no_command(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "benchcon.cli.main", "replay", str(CAPTURE), "--headless"],
            stdout=subprocess.PIPE,
            stderr=full,
            timeout=60,
        )
    assert ran.returncode == 0
    assert ran.stdout


def test_a_pipe_that_somebody_writes_to_is_read(capsys: pytest.CaptureFixture[str]) -> None:
    writer = subprocess.Popen(["cp", str(OSTREY), "/dev/stdout"], stdout=subprocess.PIPE)
    assert writer.stdout is not None
    with writer:
        assert main(["check", f"/dev/fd/{writer.stdout.fileno()}"]) == 0
    assert "a good panel file: 3 boards" in capsys.readouterr().out
