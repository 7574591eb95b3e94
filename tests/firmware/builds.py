"""One folder for all that the tests compile, and one maker at a time: what one test process has built, all others find.

`make` sees to it that nothing is built twice. The folder is gone when the tests are over (`tests/conftest.py`).
"""

from __future__ import annotations

import fcntl
import functools
import os
import subprocess
import tempfile
from pathlib import Path


@functools.cache
def room(of: str) -> Path:
    """The folder for builds of this kind; a script in tests/bench gets one for itself."""
    folder = Path(os.environ.get("BENCHCON_TEST_BUILDS") or _own().name) / of
    folder.mkdir(exist_ok=True)
    return folder


@functools.cache
def _own() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="bc-built-")


def make(folder: Path, *words: str) -> str:
    """`make` in `folder`; what it printed. Fails with what it said."""
    with (room(".") / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = subprocess.run(["make", "-C", str(folder), *words], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout
