"""``benchcon demo --lit``: what really shines, beside a demo that runs."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchcon.cli.main import main
from benchcon.demo import panel_path, start
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.rig.shining import line

FAULTS = '[[faults]]\nkind = "lit_together"\nchannels = ["lighting.l_app", "lighting.l_rwy"]\n'


def test_what_a_fault_lights_is_seen_from_another_terminal(
    own_locks: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The console's face shows one lamp, as it was told; two shine, and that is what a person must be able to see."""
    (tmp_path / "f.toml").write_text(FAULTS)
    panel = load(panel_path())
    with start(tmp_path / "f.toml", boards=["lighting"]) as demo:
        (desk,) = demo.boards
        hand = demo.hands["lighting"]
        assert line(panel, "lighting", hand).split() == ["lighting", "–"]
        with Bench([desk.port], panel=panel, keep=False) as bench:
            bench.wait(lambda ports: any(port.stage == "live" for port in ports), 20)
            source = bench.ports()[0].source
            bench.light()
            bench.set_many(source, {"l_rwy": 1000}).result(20)
            assert main(["demo", "--lit", desk.control, "--seconds", "0.1"]) == 0
        assert "Approach lit" in (shown := capsys.readouterr().out)
        assert "Runway edge lit" in shown
    assert main(["demo", "--lit", desk.control]) == 2
    assert "no simulated board answers; start 'benchcon demo'" in capsys.readouterr().err


def test_it_ends_when_the_reader_of_a_pipe_has_left_though_nothing_changes(own_locks: Path) -> None:
    """As in ``| head -1``; the code is that of a program that dies of SIGPIPE."""
    with start(boards=["lighting"]) as demo:
        command = [sys.executable, "-m", "benchcon.cli.main", "demo", "--lit", demo.boards[0].control]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
            try:
                assert running.stdout is not None
                assert running.stderr is not None
                assert running.stdout.readline().split() == ["lighting", "–"]
                running.stdout.close()
                assert running.wait(20) == 128 + signal.SIGPIPE
                assert running.stderr.read() == ""
            finally:
                running.kill()
