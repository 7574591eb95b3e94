"""Make README's picture of a walk's page again: ``python tests/report/picture.py``. Needs Chromium and Pillow.

It is the page of a real walk by the simulated hand on the demo's desks, with the demo's faults.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from benchcon.demo import panel_path, start
from benchcon.protocol_files import protocols_dir

WIDTH, HEIGHT, COLOURS = 1000, 1400, 256


def make(target: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        with start(panel_path().with_name("faults.toml")) as demo:
            hands = [word for desk in demo.boards for word in ("--hand", desk.control)]
            head = ["--by", "the simulated hand", "--serial", "OT-0007", "--report", f"{folder}/walked"]
            command = [sys.executable, "-m", "benchcon", "walk", "--panel", str(panel_path()), *hands, *head]
            subprocess.run(command, env={**os.environ, "TZ": "Europe/Helsinki"}, check=False)
        shot = f"{folder}/shot.png"
        options = ["--headless", "--no-sandbox", "--hide-scrollbars", f"--user-data-dir={folder}/browser"]
        options += [f"--window-size={WIDTH},{HEIGHT}", f"--screenshot={shot}"]
        subprocess.run(["chromium", *options, f"file://{folder}/walked/walk.html"], check=True, capture_output=True)
        picture = Image.open(shot).convert("RGB").quantize(COLOURS, kmeans=2, dither=Image.Dither.NONE)
        picture.save(target, optimize=True)


if __name__ == "__main__":
    make(protocols_dir() / "walk-page.png")
