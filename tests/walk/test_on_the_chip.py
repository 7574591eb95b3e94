"""The whole walk against the emulated chip: the real binary, generated for each of the demo's desks."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from firmware.emulated import needs_emulator
from firmware.generator_panels import demo_plan
from firmware.test_generator_emulated import chip_of

from benchcon.demo import panel_path

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
