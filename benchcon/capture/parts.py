"""The files of one recording: making, closing and numbering them, packing closed ones, keeping to the budget."""

from __future__ import annotations

import contextlib
import os
import queue
import re
import threading
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from benchcon.capture.file import OpenFile
from benchcon.capture.form import write_header
from benchcon.capture.store import pack
from benchcon.errors import Trouble
from benchcon.wire.printable import printable


class Parts:
    """Gives the writer one file after the other.

    The one being written always has the name that was given; closed ones carry a number before the suffix. Packing and
    pruning happen on a thread of their own.
    """

    def __init__(self, path: Path, began: datetime, words: Mapping[str, str], packed: bool, keep_bytes: int) -> None:
        self.path = path
        self.shown = printable(str(path))
        self.trouble = ""
        """The last thing that went wrong with closed files, empty if nothing did."""
        self.last = path
        """Where the newest records are: the file being written, or what it was packed into when all was done."""
        self.pruned = 0
        """Closed files that were removed to keep to the budget."""
        self._began = began
        self._words = dict(words)
        self._packed = packed
        self._keep_bytes = keep_bytes
        self._part = 1
        self._jobs: queue.SimpleQueue[Path | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._worker: threading.Thread | None = None

    def open_first(self, force: bool) -> OpenFile:
        """Make the file; raises `Trouble` if there is one already and not `force`, or it cannot be made."""
        how = os.O_TRUNC if force else os.O_EXCL
        try:
            return OpenFile(self._open(self.path, how), self._header())
        except FileExistsError:
            raise Trouble(f"{self.shown}: there already; choose another name, or overwrite it with --force") from None
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else str(error)
            raise Trouble(f"{self.shown}: cannot be written: {why}") from error

    def _open(self, path: Path, how: int) -> int:
        extra = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        return os.open(path, os.O_WRONLY | os.O_CREAT | extra | how, 0o666)

    def _header(self) -> bytes:
        return write_header(self._began, self._words | {"part": str(self._part)})

    # --- rotation ---------------------------------------------------------------------------------------------------

    def open_next(self) -> tuple[OpenFile, Path]:
        """Make the next file beside the one being written. Raises `OSError`; then all is as before."""
        self._part += 1
        fresh = self.path.with_name(self.path.name + ".next")
        try:
            return OpenFile(self._open(fresh, os.O_TRUNC), self._header()), fresh
        except OSError:
            self._part -= 1
            raise

    def give_up(self, fresh: Path) -> None:
        """The file that `open_next` made is not wanted."""
        self._part -= 1
        with contextlib.suppress(OSError):
            fresh.unlink()

    def take_over(self, fresh: Path) -> None:
        """Give the closed file its number and `fresh` its place. Raises `OSError`; then all has the names it had."""
        number = max((number for number, _ in self.closed()), default=0) + 1
        closed = self.path.with_name(f"{self._stem}.{number:04d}{self._suffix}")
        self.path.rename(closed)
        try:
            fresh.rename(self.path)
        except OSError:
            closed.rename(self.path)
            raise
        if self._packed or self._keep_bytes:
            self._give(closed)

    @property
    def closed_parts(self) -> int:
        """Files closed by rotation so far."""
        return self._part - 1

    @property
    def _stem(self) -> str:
        return self.path.name.removesuffix(".gz").rpartition(".")[0] or self.path.name.removesuffix(".gz")

    @property
    def _suffix(self) -> str:
        name = self.path.name.removesuffix(".gz")
        return name[len(self._stem) :]

    def closed(self) -> list[tuple[int, Path]]:
        """Return number and path of every closed file of this name, the oldest first."""
        form = re.compile(rf"{re.escape(self._stem)}\.(\d{{4,9}}){re.escape(self._suffix)}(?:\.gz)?")
        try:
            names = [(form.fullmatch(name), name) for name in os.listdir(self.path.parent)]
        except OSError:
            return []
        return sorted((int(match[1]), self.path.with_name(name)) for match, name in names if match)

    # --- packing and pruning ----------------------------------------------------------------------------------------

    def finish(self, wait_s: float) -> None:
        """The last file is closed: pack it too, but wait only `wait_s`; what is not done then stays plain."""
        if self._packed:
            self._give(self.path)
        if self._worker is not None:
            self._jobs.put(None)
            self._worker.join(wait_s)
            self._stop.set()
            self._worker.join()

    def _give(self, path: Path) -> None:
        self._jobs.put(path)
        if self._worker is None:
            self._worker = threading.Thread(target=self._work, name="capture parts", daemon=True)
            self._worker.start()

    def _work(self) -> None:
        while (path := self._jobs.get()) is not None and not self._stop.is_set():
            try:
                if self._packed:
                    self._pack(path)
                self._prune()
            except Trouble as trouble:
                self.trouble = str(trouble)
            except OSError as error:
                self.trouble = f"{self.shown}: closed files: {error.strerror}"

    def _pack(self, path: Path) -> None:
        if not path.exists():
            return  # removed already, to keep to the budget
        target = path if path.name.endswith(".gz") else path.with_name(path.name + ".gz")
        if path != target and target.exists():
            self.trouble = f"{printable(str(target))}: there already; {printable(path.name)} stays unpacked"
        elif pack(path, target, self._stop.is_set) and path != target:
            path.unlink()
            if path == self.path:
                self.last = target

    def _prune(self) -> None:
        if not self._keep_bytes:
            return
        closed = [(path, _size(path)) for _, path in self.closed()]
        total = sum(size for _, size in closed) + _size(self.last)
        for path, size in closed:
            if total <= self._keep_bytes:
                break
            path.unlink(missing_ok=True)
            self.pruned += 1
            total -= size


def _size(path: Path) -> int:
    """Bytes of a file; 0 if it is not there, as for a moment between two names."""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
