"""A capture of one firmware is run against another: simulated desks, the native build, the emulated chip."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from firmware.emulated import needs_emulator

SESSION = Path(__file__).parents[2] / "captures" / "ostrey-session.capture"
needs_compiler = pytest.mark.skipif(
    shutil.which("cc") is None or shutil.which("make") is None,
    reason="the native build needs a C compiler and make; on Debian: apt-get install gcc make",
)


def _replayed(target: str, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchcon", "replay", str(SESSION), "--against", target, *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=240)


@pytest.mark.slow
@needs_compiler
def test_the_session_of_simulated_desks_comes_out_the_same_on_the_native_firmware() -> None:
    done = _replayed("native")
    assert done.returncode == 0, done.stdout + done.stderr
    fast = _replayed("native", "--fast")
    assert fast.returncode == 0, fast.stdout + fast.stderr
    assert "30 channels compared: 30 the same within" in fast.stdout


@pytest.mark.slow
@needs_emulator
def test_the_session_of_simulated_desks_comes_out_alike_on_the_emulated_chip() -> None:
    # The chip is switched on with every contact open: the simulated hand first puts all inputs where they were then.
    done = _replayed("emulated")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "30 channels compared: 30 the same within" in done.stdout
    assert done.stdout.endswith("against emulated: the same\n")


@needs_compiler
def test_a_capture_whose_boards_are_on_no_panel_is_refused_in_one_line(tmp_path: Path) -> None:
    capture = tmp_path / "empty.capture"
    capture.write_text("benchcon capture 1 began=2026-03-01T12:00:00.000000Z unit=us\n")
    done = subprocess.run(
        [sys.executable, "-m", "benchcon", "replay", str(capture), "--against", "native"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1, done.stderr
