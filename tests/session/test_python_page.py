"""Every example of `protocols/python.md` runs as it stands, in the order of the page, and prints what it promises."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from benchcon.protocol_files import protocols_dir

EXAMPLE = re.compile(r"```python\n(.*?)```", re.DOTALL)


def printed(source: str, where: Path) -> str:
    done = subprocess.run([sys.executable, "-c", source], cwd=where, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert not done.stderr
    return done.stdout


def test_the_examples_run_as_they_stand(tmp_path: Path) -> None:
    light, watch, read, say = EXAMPLE.findall((protocols_dir() / "python.md").read_text(encoding="utf-8"))
    assert printed(light, tmp_path).splitlines()[-1] == "dark"
    watched = printed(watch, tmp_path)
    assert "sw_stop made at" in watched
    assert (tmp_path / "stop.capture").exists()
    assert "'sw_stop': 1" in printed(read, tmp_path)
    assert "“Taxiway” moves “Stop bar” instead" in printed(say, tmp_path)
