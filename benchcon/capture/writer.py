"""Writing a capture while the bench runs: without ever delaying it, and on disk within a second.

`Writer.write` only queues. A thread of its own writes what is queued ten times a second, and calls `fsync` within every
second. A slow disk fills the queue, a full one refuses; either way the file then gets a ``missed`` record, which says
how much is missing, and a keyframe to go on from.

| state | meaning | next |
|---|---|---|
| writing | records go to the file | crowded, when the queue is full; failed, when the disk refuses |
| crowded | the caller's side counts records instead of queueing them | writing, when the queue is half empty |
| failed | the thread counts records instead of writing | writing, when a ``missed`` record and a keyframe fit |
| gone | somebody removed the file: as failed, and all that it held is missing | writing, in a new file of that name |
| closed | nothing more is taken | – |
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from benchcon.capture.file import Lines, lines_of
from benchcon.capture.parts import FileParts
from benchcon.files import cannot_be_written
from benchcon.fresh import sync_folder
from benchcon.wire.quote import quote
from benchcon.wire.records import BENCH, KEYFRAME, LINK, Batch

KEYFRAME_RECORDS = 8192
KEYFRAME_US = 60_000_000
"""A keyframe is due after this many records, or this long after the last one if anything happened."""
MOST_WAITING = 262_144
"""Most records that may wait for the disk: thirteen seconds of the busiest bench."""
CROWDED = 16_384
"""When this many records wait, the thread is woken early."""
WAKE_S = 0.1
SYNC_S = 0.8
"""Time between two calls of fsync; `WAKE_S` later at most, everything a second old is on disk."""
ASK_AGAIN_S = 1.0
"""While the disk refuses, writing is tried again this often."""
LOOK_S = 1.0
"""How often the writer checks that the file is still there."""
ROTATE_AGAIN_S = 30.0
"""How long after a failed rotation the next one is tried."""


class _Missed(NamedTuple):
    """Records that are in no file: how many, from when to when, and why."""

    records: int
    from_us: int
    at_us: int
    why: str

    def record(self) -> Lines:
        """Return the ``missed`` record as lines of a file."""
        body = f"missed records={self.records} from={self.from_us} why={quote(self.why)}"
        return lines_of(Batch(self.at_us, BENCH, LINK, [body.encode()]))


class _Keyframe(NamedTuple):
    at_us: int
    body: bytes

    def record(self) -> Lines:
        """Return the keyframe as lines of a file."""
        return lines_of(Batch(self.at_us, BENCH, KEYFRAME, [self.body]))


class Figures(NamedTuple):
    """The progress of writing, for the screen and ``--json``."""

    path: str
    records: int
    """How many of the records that were given are in the file or its earlier parts."""
    bytes: int
    """Size of the file being written."""
    waiting: int
    """How many records wait for the disk."""
    missed: int
    """How many records are in no file, since the beginning."""
    missing: str
    """Why records are being missed at this moment (``disk: …``, ``slow``); empty if they are not."""
    slowest_ms: int
    """Longest time that one flush took, with its fsync."""
    parts: int
    """How many files were closed by rotation."""
    trouble: str
    """The last thing that went wrong besides the writing itself (packing, deleting); empty if nothing did."""
    pruned: int = 0
    """How many closed files were deleted to keep to `keep_bytes`."""
    absent: int = 0
    """How many closed files somebody else had removed by the end of the recording."""
    missed_why: str = ""
    """Why the last records that are in no file are missing; empty if none are."""
    aside: str = ""
    """The new name of a file that had the name before (``force``); empty if there was none."""

    @property
    def lost(self) -> int:
        """How many records are in no file once the capture is closed: nothing that still waits is written any more."""
        return self.missed + self.waiting


class Writer:
    """Records batches in the file `path`.

    `keyframe` returns the state after all batches written so far, as one line of JSON; it is called on the caller's
    thread, here and in `write`. `began` is the wall-clock time of stamp 0, `at_us` the stamp of now. `words` go into
    the header. An existing file is refused; with `force` it is given a number, like files closed by rotation.

    With `rotate_bytes` or `rotate_s` the file is closed at that size or age, and recording goes on in a new one (see
    `protocols/capture-file.md`, section 8). Closed files are packed if `packed`, and the oldest deleted while all
    together exceed `keep_bytes`; 0 means never. `opening`: the contents of a `Ring`, which the file then begins with
    instead of a keyframe.

    Raises `Trouble` if the file cannot be made.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        began: datetime,
        keyframe: Callable[[], bytes],
        *,
        at_us: int = 0,
        words: Mapping[str, str] | None = None,
        force: bool = False,
        rotate_bytes: int = 0,
        rotate_s: float = 0,
        keep_bytes: int = 0,
        packed: bool = False,
        opening: Sequence[Lines] = (),
    ) -> None:
        self._keyframe = keyframe
        self._parts = FileParts(Path(path), began, words or {}, packed, keep_bytes)
        self._rotate_bytes, self._rotate_s = rotate_bytes, rotate_s
        self._lock = threading.Lock()
        self._wake = threading.Event()
        # Used by the caller's side; under the lock if the thread reads or sets it too.
        self._queue: list[Batch | _Missed | _Keyframe] = []
        self._waiting = 0
        self._due_records = KEYFRAME_RECORDS
        self._since_keyframe = sum([lines.records for lines in opening])
        self._keyframe_us = self._at_us = at_us
        self._overflow: _Missed | None = None
        self._want_keyframe = self._closing = self._closed = False
        # Used by the thread.
        self._failed: _Missed | None = None
        self._gone = False
        self._asked_s = 0.0
        self._looked_s = time.monotonic()
        self._part_from_us = at_us
        self._absent = 0
        self._rotate_from_s = self._part_began_s = time.monotonic()
        self._earlier = 0
        self._missed = 0
        self._missed_why = ""
        self._slowest_s = 0.0
        self._file = self._parts.open_first(force)
        try:
            for lines in opening:
                self._file.put(lines, own=lines.kind == KEYFRAME)
            if not opening:
                self._file.put(_Keyframe(at_us, keyframe()).record(), own=True)
            self._file.flush(sync=True)
            sync_folder(self._parts.path.parent)
        except OSError as error:
            self._file.close()
            self._parts.unmake()
            raise cannot_be_written(self._parts.path, error) from error
        self._synced_s = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)
        self._thread.start()

    # --- the caller's side ------------------------------------------------------------------------------------------

    def write(self, batches: Sequence[Batch]) -> None:
        """Take batches, in the stream's order. Never waits for the disk. Only one thread at a time may call it."""
        count = sum([len(batch[3]) for batch in batches])
        if not count:
            return
        self._at_us = batches[-1][0]
        with self._lock:
            if self._closing:
                return
            if self._overflow is None and self._waiting + count <= MOST_WAITING:
                self._queue.extend(batches)
                self._waiting += count
            else:
                lost = self._overflow or _Missed(0, batches[0][0], 0, "slow")
                self._overflow = lost._replace(records=lost.records + count, at_us=self._at_us)
                self._want_keyframe = self._waiting <= MOST_WAITING // 2
            want = self._want_keyframe
            crowded = self._waiting > CROWDED
        self._since_keyframe += count
        if want or self._since_keyframe >= self._due_records or self._at_us - self._keyframe_us >= KEYFRAME_US:
            self._take_keyframe()
        if crowded:
            self._wake.set()

    def _take_keyframe(self) -> None:
        body = self._keyframe()
        with self._lock:
            if self._overflow is not None:
                if not self._want_keyframe:
                    return
                self._queue.append(self._overflow)
                self._overflow = None
            self._want_keyframe = False
            self._queue.append(_Keyframe(self._at_us, body))
        self._since_keyframe = 0
        self._keyframe_us = self._at_us
        self._due_records = max(KEYFRAME_RECORDS, len(body) // 8)

    def stop(self) -> None:
        """Take no more, and write a last keyframe. `close` still has to be called.

        Call it where no batch can change the state that `keyframe` returns: on the thread that writes, or under the
        same lock.
        """
        if self._since_keyframe and not self._closing:
            self._take_keyframe()
        with self._lock:
            self._closing = True

    def close(self, wait_s: float = 5.0) -> Figures:
        """Write what waits, wait until it is on the disk, and close the file; return the final figures.

        Files that are not packed after `wait_s` stay plain; a disk that hangs is given up after `wait_s` too.
        """
        with self._lock:
            self._closing = True
            first, self._closed = not self._closed, True
        if first:
            self._wake.set()
            self._thread.join(wait_s)
            if not self._thread.is_alive():
                self._parts.finish(wait_s, there=not self._gone)
                self._absent = len(self._parts.absent())
        return self.figures()

    def figures(self) -> Figures:
        """Return the progress of writing."""
        with self._lock:
            lost = [lost for lost in (self._overflow, self._failed) if lost is not None]
            return Figures(
                path=str(self._parts.last),
                records=self._earlier + (0 if self._gone else self._file.given),
                bytes=self._file.size,
                waiting=self._waiting,
                missed=self._missed + sum(missed.records for missed in lost),
                missing=lost[-1].why if lost else "",
                missed_why=lost[-1].why if lost else self._missed_why,
                slowest_ms=int(self._slowest_s * 1000),
                parts=self._parts.closed_parts,
                trouble=self._parts.trouble,
                pruned=self._parts.pruned,
                absent=self._absent,
                aside=str(self._parts.aside or ""),
            )

    # --- the thread's side ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            self._wake.wait(WAKE_S)
            self._wake.clear()
            with self._lock:
                queued, self._queue = self._queue, []
                closing = self._closing
            now_s = time.monotonic()
            for item in queued:
                self._take(item, now_s)
            self._flush(now_s, last=closing)
            if closing or now_s - self._looked_s >= LOOK_S:
                self._look(now_s)
            given = sum([len(item.bodies) for item in queued if isinstance(item, Batch)])
            with self._lock:
                self._waiting -= given
            self._ask(now_s)
            if closing:
                self._file.close()
                return

    def _take(self, item: Batch | _Missed | _Keyframe, now_s: float) -> None:
        if isinstance(item, Batch):
            if self._failed is None:
                self._file.put(lines_of(item))
            else:
                self._failed = self._failed._replace(records=self._failed.records + len(item.bodies), at_us=item.at_us)
        elif isinstance(item, _Missed):
            if self._failed is None:
                self._count(item)
                self._file.put(item.record(), own=True)
            else:
                self._failed = self._failed._replace(records=self._failed.records + item.records, at_us=item.at_us)
        elif self._failed is not None:
            self._try_again(item)
        elif self._rotation_due(now_s):
            self._rotate(item, now_s)
        else:
            self._file.put(item.record(), own=True)

    def _flush(self, now_s: float, last: bool) -> None:
        if last and self._failed is not None:
            self._try_again(None)
        sync = self._file.dirty and (last or now_s - self._synced_s >= SYNC_S)
        before = self._file.given
        try:
            self._file.flush(sync=sync)
        except OSError as error:
            self._fail(error, before)
            return
        if sync:
            self._synced_s = now_s
        self._slowest_s = max(self._slowest_s, time.monotonic() - now_s)

    def _look(self, now_s: float) -> None:
        """Check whether the file is still where it was made; if not, everything in it counts as missing."""
        self._looked_s = now_s
        if self._gone or not (what := self._file.gone_from(self._parts.path)):
            return
        already = self._failed.records if self._failed is not None else 0
        why = f"the file was {what}"
        with self._lock:
            self._gone = True
            self._failed = _Missed(self._file.given + already, self._part_from_us, self._file.last_us, why)
        self._asked_s = now_s - ASK_AGAIN_S

    def _begin_again(self, keyframe: _Keyframe, missed: _Missed) -> None:
        """Go on in a new file of the old name. Raises `OSError`."""
        file = self._parts.open_again()
        try:
            for lines in (keyframe.record(), missed.record(), keyframe.record()):
                file.put(lines, own=True)
            file.flush(sync=True)
            sync_folder(self._parts.path.parent)
        except OSError:
            file.close()
            self._parts.unmake()
            raise
        self._file.close()
        with self._lock:
            self._file, self._gone = file, False
        self._part_from_us = keyframe.at_us

    def _fail(self, error: OSError, before: int) -> None:
        """Note that the disk refused: everything added since the last successful flush is missing."""
        why = f"disk: {error.strerror}"
        self._failed = _Missed(before - self._file.given, self._file.last_us, self._file.last_us, why)
        self._asked_s = time.monotonic()

    def _try_again(self, keyframe: _Keyframe | None) -> None:
        """Try to write a ``missed`` record and a keyframe."""
        assert self._failed is not None
        missed = self._failed
        if keyframe is not None:
            missed = missed._replace(at_us=keyframe.at_us)
        try:
            if self._gone:
                if keyframe is None:
                    return
                self._begin_again(keyframe, missed)
            else:
                self._file.put(missed.record(), own=True)
                if keyframe is not None:
                    self._file.put(keyframe.record(), own=True)
                self._file.flush(sync=True)
        except OSError:
            return
        self._count(missed)

    def _count(self, missed: _Missed) -> None:
        """Count records that are missing, now that the file says so."""
        with self._lock:
            self._missed += missed.records
            self._missed_why = missed.why
            self._failed = None

    def _ask(self, now_s: float) -> None:
        """Ask the caller's side for a keyframe if one is needed to go on or to rotate."""
        again = self._failed is not None and now_s - self._asked_s >= ASK_AGAIN_S
        if again or (self._failed is None and self._rotation_due(now_s)):
            self._asked_s = now_s
            with self._lock:
                self._want_keyframe = True

    def _rotation_due(self, now_s: float) -> bool:
        if now_s < self._rotate_from_s:
            return False
        large = 0 < self._rotate_bytes <= self._file.size
        return large or 0 < self._rotate_s <= now_s - self._part_began_s

    def _rotate(self, keyframe: _Keyframe, now_s: float) -> None:
        before = self._file.given
        try:
            self._file.flush(sync=True)
        except OSError as error:
            self._fail(error, before)
            self._try_again(keyframe)
            return
        try:
            file, fresh = self._parts.open_next()
            try:
                file.put(keyframe.record(), own=True)
                file.flush(sync=True)
                self._parts.take_over(fresh)
            except OSError:
                file.close()
                self._parts.give_up(fresh)
                raise
        except OSError as error:
            self._parts.trouble = f"{self._parts.shown}: could not go on in a new file: {error.strerror}"
            self._rotate_from_s = now_s + ROTATE_AGAIN_S
            self._file.put(keyframe.record(), own=True)
            return
        self._file.close()
        with self._lock:
            self._earlier += before
            self._file = file
        self._part_began_s = now_s
        self._part_from_us = keyframe.at_us
