"""`--flash`: the command that would load a board, and the port's lock.

No board is loaded here: a stand-in script called avrdude, first on PATH, writes down how it was called. The port is a
real pseudo-terminal, the lock is the real one, the firmware is really compiled.
"""

from __future__ import annotations

import os
import pty
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from firmware.generator_panels import DEMO

from benchcon.cli.main import main
from benchcon.firmware import tools
from benchcon.firmware.chips import CHIPS
from benchcon.link.lock import PortLock, holder

pytestmark = pytest.mark.skipif(bool(tools.missing(tools.COMPILERS)), reason=tools.missing(tools.COMPILERS))


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[str]:
    locks = tmp_path / "locks"
    locks.mkdir()
    monkeypatch.setenv("BENCHCON_LOCKS", str(locks))
    board, program = pty.openpty()
    yield os.ttyname(program)
    os.close(board)
    os.close(program)


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[str], Path]:
    """Put a script called avrdude on PATH; returns the file in which it writes down its calls."""

    def make(then: str) -> Path:
        tool, calls = tmp_path / "tools" / "avrdude", tmp_path / "calls"
        tool.parent.mkdir()
        tool.write_text(f'#!/bin/sh\necho "$*" >> "{calls}"\n{then}\n')
        tool.chmod(0o755)
        monkeypatch.setenv("PATH", f"{tool.parent}:{os.environ['PATH']}")
        return calls

    return make


def flash(out: Path, port: str) -> int:
    return main(["firmware", str(DEMO), "--board", "met", "-o", str(out), "--flash", port])


def test_the_built_image_is_loaded_by_the_usual_boot_loader(
    port: str, stand_in: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # While it runs, the lock file is ours, and the image is there.
    calls = stand_in(f'test -s build/benchboard.hex && ls "{tmp_path}/locks" | grep -q LCK')
    assert flash(tmp_path / "out", port) == 0
    # avrdude manual: -c arduino is the boot loader of the Uno and Nano; -D leaves erasing to it.
    assert calls.read_text() == f"-p atmega328p -c arduino -P {port} -b 115200 -D -U flash:w:build/benchboard.hex:i\n"
    assert f"loaded into the board at {port} (boot loader at 115200 baud)" in capsys.readouterr().out
    assert holder(port) == ""  # and given back


def test_a_port_named_from_where_one_stands_is_found_from_the_folder(
    port: str, stand_in: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "board").symlink_to(port)
    monkeypatch.chdir(tmp_path)
    calls = stand_in('while [ "$1" != -P ]; do shift; done; test -c "$2"')
    assert flash(Path("out"), "./board") == 0
    assert f"-P {tmp_path}/board " in calls.read_text()


def test_what_is_no_board_is_not_given_to_avrdude(
    stand_in: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = stand_in("exit 0")
    shell, ours = pty.fork()
    if not shell:
        os.execvp("cat", ["cat"])
    try:
        while Path(f"/proc/{shell}/comm").read_text() != "cat\n":
            time.sleep(0.01)
        assert flash(tmp_path / "out", os.readlink(f"/proc/{shell}/fd/0")) == 2
        assert "is the terminal of" in capsys.readouterr().err
        assert not calls.exists()
    finally:
        os.kill(shell, signal.SIGKILL)
        os.waitpid(shell, 0)
        os.close(ours)


def test_the_older_boot_loaders_rate_is_tried_too(
    port: str, stand_in: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = stand_in('case "$*" in *57600*) exit 0;; esac; echo "stk500_getsync(): not in sync: resp=0x00"; exit 1')
    assert flash(tmp_path / "out", port) == 0
    assert calls.read_text().count("\n") == 2
    assert "(boot loader at 57600 baud)" in capsys.readouterr().out


def test_a_failure_is_told_with_what_avrdude_said(
    port: str, stand_in: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stand_in(r'printf "starting\navrdude: stk500_getsync(): not in sync: resp=0x00 \033[31m\n"; exit 1')
    assert flash(tmp_path / "out", port) == 2
    err = capsys.readouterr().err
    assert f"{port}: avrdude could not load the firmware (boot loader at 115200 and 57600 baud)" in err
    assert "not in sync" in err
    assert "\033" not in err
    assert err.count("\n") == 1
    assert (tmp_path / "out" / "Makefile").is_file()  # the folder is good; only loading failed
    assert holder(port) == ""


def test_a_console_that_has_the_port_is_named_and_nothing_is_done(
    port: str, stand_in: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = stand_in("exit 0")
    lock = PortLock(port)
    lock.take()
    try:
        assert flash(tmp_path / "out", port) == 2
    finally:
        lock.release()
    assert port in (err := capsys.readouterr().err)
    assert "open" in err
    assert not calls.exists()
    assert not (tmp_path / "out").exists()


def test_without_avrdude_one_line_says_what_to_install(
    port: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few = tmp_path / "few"
    few.mkdir()
    for tool in tools.COMPILERS:
        (few / tool).symlink_to(str(shutil.which(tool)))
    monkeypatch.setenv("PATH", str(few))
    assert flash(tmp_path / "out", port) == 2
    assert capsys.readouterr().err == (
        "benchcon: avrdude is not installed (Debian: apt-get install avrdude); "
        "without it nothing can be loaded into a board\n"
    )
    assert not (tmp_path / "out").exists()


def test_a_port_that_is_not_there(
    stand_in: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = stand_in("exit 0")
    assert flash(tmp_path / "out", str(tmp_path / "ttyUSB9")) == 2
    assert "there is no such port; see 'benchcon ports'" in capsys.readouterr().err
    assert not calls.exists()


def test_the_mega_has_a_boot_loader_of_another_kind() -> None:
    # avrdude asks for the chip's signature, which is another one: 1E 95 16 (ATmega328PB data sheet, signature bytes).
    pb = CHIPS["atmega328pb"]
    assert tools.avrdude_command(pb, "/dev/ttyUSB0", 115_200, "build/benchboard.hex")[:3] == ["avrdude", "-p", pb.name]
    command = tools.avrdude_command(CHIPS["atmega2560"], "/dev/ttyACM0", 115_200, "build/benchboard.hex")
    assert command[1:7] == ["-p", "atmega2560", "-c", "wiring", "-P", "/dev/ttyACM0"]
    assert "-D" in command
