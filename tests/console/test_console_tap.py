"""The console on a tap: what goes by between a real program and a real board, and nothing of its own."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import KEYS, Terminal
from link.boards import QUICK, PeerProcess, Watched, did

KEYS.setdefault("F7", b"\x1b[18~")
PANEL = """
[panel]
title = "Bench panel"

[boards.desk]

[controls.power]
kind = "switch"
channel = "desk.sw1"

[lamps.lit]
channel = "desk.l1"
answers = "power"
within = "2 s"
"""


@pytest.fixture
def board() -> Iterator[PeerProcess]:
    peer = PeerProcess()
    yield peer
    peer.close()


def tap(board: PeerProcess, tmp_path: Path, *words: str) -> Terminal:
    panel = tmp_path / "desk.toml"
    panel.write_text(PANEL)
    command = ("-m", "benchcon", "tap", board.port, "--panel", str(panel), *words)
    return Terminal(*command, columns=140, rows=40, env={"BENCHCON_HOME": str(tmp_path)}, cwd=tmp_path)


def port_of(terminal: Terminal) -> str:
    """The port for the program: the first line that was ever written."""
    terminal.until(lambda: b"\n" in terminal.raw, "the first line")
    return terminal.raw.split(b"\n", 1)[0].strip().decode()


def test_the_console_shows_what_goes_by_drives_nothing_and_says_why(board: PeerProcess, tmp_path: Path) -> None:
    with tap(board, tmp_path, "-o", "evening.capture") as terminal:
        port = port_of(terminal)
        assert port.startswith("/dev/")
        terminal.see("Bench panel", "TAP", f"no program has opened {port}", "REC evening.capture")
        program = Watched(port, pace=QUICK)
        try:
            program.stands(port, "live")
            terminal.see("● desk")
            terminal.until(lambda: f"no program has opened {port}" not in terminal.text(), "the notice to go")
            board.say("change sw1 1")
            did(program.bench.set_lamp(1, "l1", 500))
            terminal.see("50 %")
            before = board.say("heard")
            terminal.press("F9")
            terminal.see(
                f"a tap only watches: the program that has opened {port} drives this panel",
                "for dark, pull the plug: desk",
            )
            terminal.press("right", " ", "right", " ", "t", "b")
            terminal.press("F5")
            terminal.see(f"program {port} open", "round trip")
            terminal.press("F7")
            terminal.see("power → lit", "1 movement, 1 answered")
            # Its own keys sent nothing: whatever the board heard since is the program's.
            sent = {body for batch in program.batches if batch.kind == ">" for body in batch.bodies}
            heard = board.say("heard").removeprefix(before).splitlines()
            assert [text for text in heard if text and text.encode() not in sent] == []
            terminal.press("\x03")
            assert terminal.ended() == 0
        finally:
            program.bench.close()
    assert (tmp_path / "evening.capture").is_file()


def test_a_signal_ends_it_with_0_and_without_a_terminal_there_is_no_console(board: PeerProcess, tmp_path: Path) -> None:
    with tap(board, tmp_path) as terminal:
        terminal.see("TAP")
        terminal.signal(signal.SIGINT)
        assert terminal.ended() == 0
    with tap(board, tmp_path, "--headless", "-o", "x.capture") as terminal:
        port_of(terminal)
        terminal.signal(signal.SIGINT)
        assert terminal.ended() == 0
        assert b"\x1b" not in terminal.raw


def test_a_relay_that_is_killed_ends_it_with_one_line(board: PeerProcess, tmp_path: Path) -> None:
    with tap(board, tmp_path) as terminal:
        terminal.see("TAP")
        children = Path(f"/proc/{terminal.process.pid}/task/{terminal.process.pid}/children").read_text().split()
        os.kill(int(children[0]), signal.SIGKILL)
        assert terminal.ended() == 2
        assert b"the relay has ended; start the tap again" in terminal.raw
        assert b"Traceback" not in terminal.raw
