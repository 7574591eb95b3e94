"""`benchcon firmware` from a wheel: the firmware's sources are inside, and what is made of them compiles."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from firmware.generator_panels import DEMO

from benchcon.firmware import tools

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_a_wheel_holds_the_firmware_and_makes_a_build_folder_of_it(tmp_path: Path) -> None:
    pip = [sys.executable, "-m", "pip", "wheel", str(ROOT), "--no-deps", "--quiet", "--wheel-dir", str(tmp_path)]
    if importlib.util.find_spec("hatchling"):  # else pip fetches it
        pip.append("--no-build-isolation")
    done = subprocess.run(pip, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as file:
        names = set(file.namelist())
        file.extractall(tmp_path / "installed")
    sources = ROOT / "protocols" / "firmware"
    for folder in ("core", "avr", "native", "arduino"):
        for path in sources.glob(f"{folder}/*.[chi]*"):
            assert f"benchcon/protocols/firmware/{folder}/{path.name}" in names
    assert not [name for name in names if "/build/" in name or name.endswith((".o", ".elf", ".hex"))]

    command = [sys.executable, "-m", "benchcon", "firmware", str(DEMO), "--board", "lighting", "-o", "out"]
    # The unpacked wheel comes before everything else: neither this checkout nor an installed benchcon is used.
    environment = {**os.environ, "PYTHONPATH": str(tmp_path / "installed")}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "benchboard" / "board.c").read_bytes() == (sources / "core" / "board.c").read_bytes()
    assert (tmp_path / "out" / "build" / "benchboard.hex").exists() == (not tools.missing(tools.COMPILERS))
