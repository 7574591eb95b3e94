"""The whole walk against the emulated chip: the real binary, generated for each of the demo's desks."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from firmware.emulated import chip_of, needs_emulator
from firmware.generator_panels import demo_plan

from benchcon.demo import panel_path
from benchcon.rig import boards as simulated

pytestmark = [needs_emulator, pytest.mark.slow]


def one_desk(name: str, where: Path) -> Path:
    """The demo's panel file with the parts of one board only."""
    import tomlkit

    document = tomlkit.parse(panel_path().read_text())
    for room in ("controls", "lamps", "displays"):
        for part, keys in list(document[room].items()):  # type: ignore[union-attr]
            ids = [keys["channel"]] if "channel" in keys else keys["channels"]
            if not all(each["id"].startswith(f"{name}.") for each in ids):
                del document[room][part]  # type: ignore[union-attr]
    for board in list(document["boards"]):  # type: ignore[arg-type]
        if board != name:
            del document["boards"][board]  # type: ignore[union-attr]
    document.pop("triggers", None)
    document.pop("supplies", None)
    path = where / f"{name}.toml"
    path.write_text(tomlkit.dumps(document))
    return path


@pytest.mark.parametrize("name", ["lighting", "met", "power"])
def test_a_desk_on_the_chip_has_nothing_wrong(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("BENCHCON_LOCKS", str(tmp_path))
    panel = one_desk(name, tmp_path)
    with chip_of(demo_plan(name), tmp_path).start() as paced:
        command = [sys.executable, "-m", "benchcon", "walk", "--panel", str(panel), paced.port, "--json", "--hand"]
        run = subprocess.run([*command, paced.control], capture_output=True, text=True, timeout=240)
    report = json.loads(run.stdout or "{}")
    assert [finding["line"] for finding in report["findings"]] == [], run.stderr
    assert run.returncode == 0
    assert {part["verdict"] for part in report["parts"]} == {"passed"}


def test_begun_on_the_chip_and_continued_on_a_simulated_board_it_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two real sets of boards under one panel file: the walk on the first is killed, and continued on the second."""
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("BENCHCON_LOCKS", str(tmp_path))
    panel, report = one_desk("power", tmp_path), tmp_path / "walked"
    only = [word for name in ("mains", "mains_fail", "standby_fail") for word in ("--only", name)]
    command = [sys.executable, "-m", "benchcon", "walk", "--panel", str(panel), "--report", str(report), *only]
    with chip_of(demo_plan("power"), tmp_path).start() as paced:
        run = subprocess.Popen([*command, paced.port, "--hand", paced.control], stderr=subprocess.DEVNULL)
        journal = report / "journal.jsonl"
        until = time.monotonic() + 60
        while time.monotonic() < until and not (journal.exists() and b'"done":"mains' in journal.read_bytes()):
            assert run.poll() is None
            time.sleep(0.01)
        run.send_signal(signal.SIGKILL)
        run.wait(60)
    with simulated.start(panel, separate=True) as boards:
        words = [*command, boards.boards[0].port, "--hand", boards.boards[0].control]
        on = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert on.returncode == 0, on.stderr
    assert "Board power (real then, simulated now) is not as before: 1 part judged earlier on it keeps" in on.stderr
    (other,) = json.loads((report / "walk.json").read_text())["other_boards"]
    assert (other["name"], len(other["parts"])) == ("power", 1)
    assert "power was not as now" in (report / "walk.html").read_text()
