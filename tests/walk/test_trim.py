"""A lamp with a trim, walked on a simulated board in a process of its own: a healthy one is not called dead."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from benchcon.cli.main import main

PANEL = """
[boards.desk]
[controls.key]
kind = "button"
channel = { id = "desk.key", pin = "D2" }
[lamps.one]
colour = "red"
dimmed = false
trim = "40 %"
channel = { id = "desk.l1", pin = "D9" }
[lamps.two]
colour = "red"
trim = "40 %"
channel = { id = "desk.l2", pin = "D10" }
"""


def test_a_healthy_lamp_with_a_trim_is_proved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("BENCHCON_LOCKS", str(tmp_path))
    panel = tmp_path / "trim.toml"
    panel.write_text(PANEL)
    command = [sys.executable, "-m", "benchcon.rig", "--panel", str(panel), "--board", "desk", "--follow"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as desk:
        assert desk.stdin is not None
        assert desk.stdout is not None
        try:
            _, port, control = desk.stdout.readline().split()
            code = main(["walk", "--panel", str(panel), port, "--hand", control])
        finally:
            desk.stdin.close()
    said = capsys.readouterr()
    assert (code, said.out) == (0, "")
    assert "3 passed" in said.err
