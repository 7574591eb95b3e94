"""What was renamed outlives a power cut: the folder is synced after it.

No test can cut the power, and SIGKILL proves nothing here, as the system's buffers outlive it: the calls are asserted
(fsync(2), "calling fsync() does not necessarily ensure that the entry in the directory has reached disk").
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from capture.made import BEGAN, batches, keyframe

from benchcon.capture import Writer
from benchcon.capture import writer as writing
from benchcon.capture.store import pack
from benchcon.files import new_file, write_whole
from benchcon.link import known_ports

Synced = Callable[[Path], int]


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> Iterator[Synced]:
    """How often a folder was synced."""
    folders: list[int] = []

    def fsync(descriptor: int, true: Callable[[int], None] = os.fsync) -> None:
        found = os.fstat(descriptor)
        if stat.S_ISDIR(found.st_mode):
            folders.append(found.st_ino)
        true(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    return lambda folder: folders.count(folder.stat().st_ino)


def test_a_new_capture_and_each_rotation(tmp_path: Path, synced: Synced, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "WAKE_S", 0.002)
    writer = Writer(tmp_path / "x.capture", BEGAN, keyframe, rotate_bytes=20_000)
    assert synced(tmp_path) == 1, "its own name"
    for batch in batches(2000):
        writer.write([batch])
    figures = writer.close()
    assert figures.parts
    assert synced(tmp_path) == 1 + figures.parts


def test_what_is_packed_and_what_is_exported(tmp_path: Path, synced: Synced) -> None:
    Writer(tmp_path / "x.capture", BEGAN, keyframe).close()
    before = synced(tmp_path)
    assert pack(tmp_path / "x.capture", tmp_path / "x.capture.gz")
    assert synced(tmp_path) == before + 1
    with new_file(tmp_path / "x.csv") as out:
        out.write("x")
    assert synced(tmp_path) == before + 2


@pytest.mark.parametrize("force", [True, False])
def test_a_panel_file(tmp_path: Path, synced: Synced, force: bool) -> None:
    write_whole(tmp_path / "desk.toml", b"[boards.desk]\n", force=force)
    assert synced(tmp_path) == 1


def test_what_ports_are_remembered(tmp_path: Path, synced: Synced, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHCON_HOME", str(tmp_path))
    known_ports._write([])
    assert synced(tmp_path) == 1
