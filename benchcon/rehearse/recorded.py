"""A capture of a rehearsal in virtual time, which has no name until it is kept.

Stamps and wall clock are the rehearsal's own, so that the same scenario gives the same file, byte for byte.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from benchcon import PROGRAM
from benchcon.capture.file import OpenFile, lines_of
from benchcon.capture.form import write_header
from benchcon.capture.writer import KEYFRAME_RECORDS, KEYFRAME_US
from benchcon.errors import Trouble
from benchcon.fresh import Fresh
from benchcon.text import printable
from benchcon.wire.records import BENCH, KEYFRAME, Batch

BEGAN = datetime(2000, 1, 1, tzinfo=UTC)
"""Wall-clock time of stamp 0 in every capture of a simulated rehearsal."""
FLUSH_BYTES = 1 << 20


class RehearsalCapture:
    """Records batches; `keyframe` returns the state after all batches so far, as one line of JSON.

    `keep` gives the capture its name; `close` deletes it if that was not called. Raises `Trouble` if it cannot be
    written.
    """

    def __init__(self, folder: Path, keyframe: Callable[[], bytes], scenario: str) -> None:
        self.folder = folder
        self._keyframe = keyframe
        try:
            self._fresh = Fresh(folder / "rehearsal")
        except OSError as error:
            raise self._trouble(error) from error
        words = {"program": PROGRAM, "scenario": scenario, "time": "virtual"}
        self._file = OpenFile(self._fresh.descriptor, write_header(BEGAN, words))
        self._keyframe_us = self._flushed = self._since = 0
        self._put_keyframe(0)

    def write(self, batches: list[Batch]) -> None:
        """Take batches, in the stream's order."""
        for batch in batches:
            self._file.put(lines_of(batch))
            self._since += len(batch.bodies)
        at_us = batches[-1].at_us if batches else 0
        if self._since >= KEYFRAME_RECORDS or at_us - self._keyframe_us >= KEYFRAME_US:
            self._put_keyframe(at_us)
        if self._file.size - self._flushed > FLUSH_BYTES:
            self._flush(sync=False)

    def keep(self, name: str) -> Path:
        """End the capture, and keep it as ``NAME.capture``, with a number if that exists; return its path."""
        self._put_keyframe(self._file.last_us)
        self._flush(sync=True)
        for number in range(1, 10_000):
            path = self.folder / (f"{name}.capture" if number == 1 else f"{name}-{number}.capture")
            try:
                self._fresh.place(path, replace=False)
            except FileExistsError:
                continue
            except OSError as error:
                raise self._trouble(error) from error
            return path
        raise Trouble(f"{printable(str(self.folder))}: has 10000 captures of {printable(name)} already; delete some")

    def close(self) -> None:
        """Close the capture; without `keep` it is deleted."""
        self._file.close()
        self._fresh.give_up()

    def _put_keyframe(self, at_us: int) -> None:
        self._file.put(lines_of(Batch(at_us, BENCH, KEYFRAME, [self._keyframe()])), own=True)
        self._since, self._keyframe_us = 0, at_us

    def _flush(self, *, sync: bool) -> None:
        try:
            self._file.flush(sync=sync)
        except OSError as error:
            raise self._trouble(error) from error
        self._flushed = self._file.size

    def _trouble(self, error: OSError) -> Trouble:
        return Trouble(f"{printable(os.fspath(self.folder))}: no capture can be written there: {error.strerror}")
