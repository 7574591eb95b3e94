"""Disks that are really full."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mount a file system in memory of this size (``48k``), and take it away in the end, whatever is still open there.

    Only root may mount, and some containers forbid it to root; CI runs these tests as root. What a disk says that is
    full from the beginning is tested everywhere, on /dev/full.
    """
    mounted: list[Path] = []

    def mount(size: str) -> Path:
        if os.geteuid() != 0 or shutil.which("mount") is None:
            pytest.skip("only root can mount a small file system to fill")
        folder = tmp_path / "small"
        folder.mkdir()
        words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
        done = subprocess.run(words, capture_output=True, text=True)
        if done.returncode:
            pytest.skip(f"this machine lets nobody mount a small file system to fill: {done.stderr.strip()}")
        mounted.append(folder)
        return folder

    yield mount
    for folder in mounted:
        subprocess.run(["umount", "-l", str(folder)], check=True)
