"""The files of one recording: making, closing and numbering them, packing closed ones, keeping to a size limit."""

from __future__ import annotations

import contextlib
import os
import queue
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from benchcon.capture.file import OpenFile
from benchcon.capture.form import read_header, write_header
from benchcon.capture.store import open_store, pack
from benchcon.errors import Trouble
from benchcon.files import cannot_be_written, exists_already
from benchcon.fresh import Fresh, move_aside, sync_folder
from benchcon.text import printable

GIVE_NUMBER = "use --force, which gives the old file a number"
"""What a user can do about an existing file, other than choosing another name."""


class FileParts:
    """Gives the writer one file after the other.

    The one being written always has the name `path`; closed ones have a number before the suffix. Closed files are
    packed if `packed`, and the oldest deleted while all together exceed `keep_bytes` (0: no limit), on a thread of
    their own. `words` go into the header of each.
    """

    def __init__(self, path: Path, began: datetime, words: Mapping[str, str], packed: bool, keep_bytes: int) -> None:
        self.path = path
        self.shown = printable(str(path))
        self.trouble = ""
        """The last thing that went wrong with closed files; empty if nothing did."""
        self.last = path
        """Where the newest records are: the file being written, or the one that it was packed into at the end."""
        self.pruned = 0
        """How many closed files were deleted to keep to `keep_bytes`."""
        self.aside: Path | None = None
        """The new name of a file that had the name `path` before; None if there was none."""
        self._made: list[_Made] = []
        self._began = began
        self._words = dict(words)
        self._packed = packed
        self._keep_bytes = keep_bytes
        self._part = 1
        self._jobs: queue.SimpleQueue[Path | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._worker: threading.Thread | None = None

    def open_first(self, force: bool) -> OpenFile:
        """Make the first file. Raises `Trouble` if it cannot be made, or exists already and not `force`.

        With `force` an existing file is given a number first, as if it had been closed, so that nothing is lost.
        """
        try:
            if force and self.path.exists():
                if not self.path.is_file():  # a device or a pipe, which is written to directly
                    flags = os.O_WRONLY | getattr(os, "O_CLOEXEC", 0)
                    return OpenFile(os.open(self.path, flags), self._header())
                self.aside = self._set_aside()
            return OpenFile(self._open(self.path), self._header())
        except FileExistsError:
            raise exists_already(self.shown, GIVE_NUMBER) from None
        except (OSError, ValueError) as error:
            raise cannot_be_written(self.path, error) from error

    def unmake(self) -> None:
        """Remove a file that could not be begun, and give its name back to the file that had it before."""
        with contextlib.suppress(OSError):
            if self.path.is_file():
                self.path.unlink()
            if self.aside is not None and self.aside.exists():
                move_aside(self.aside, self.path)
                self.aside = None

    def open_again(self) -> OpenFile:
        """Make the file again after somebody removed it; one that has its name now gets a number. Raises `OSError`."""
        self.aside = self._set_aside() if os.path.lexists(self.path) else None
        return OpenFile(self._open(self.path), self._header())

    def _open(self, path: Path) -> int:
        # With O_EXCL no symbolic link is followed, and no existing file is opened.
        extra = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | extra, 0o666)

    def _header(self) -> bytes:
        return write_header(self._began, self._words | {"part": str(self._part)})

    # --- rotation ---------------------------------------------------------------------------------------------------

    def open_next(self) -> tuple[OpenFile, Fresh]:
        """Make the next file beside the one being written. Raises `OSError`, and then changes nothing."""
        self._part += 1
        try:
            fresh = Fresh(self.path)
            return OpenFile(fresh.descriptor, self._header()), fresh
        except OSError:
            self._part -= 1
            raise

    def give_up(self, fresh: Fresh) -> None:
        """Drop the file that `open_next` made."""
        self._part -= 1
        fresh.give_up()

    def take_over(self, fresh: Fresh) -> None:
        """Give the closed file its number and `fresh` its name. Raises `OSError`; all files then keep their names."""
        closed = self._set_aside()
        try:
            fresh.place(self.path, replace=False)
        except OSError:
            closed.rename(self.path)
            raise
        sync_folder(self.path.parent)
        self._made.append(_Made(self._part - 1, closed))
        if self._packed or self._keep_bytes:
            self._give(closed)

    def _set_aside(self) -> Path:
        """Give the file with the name `path` the next free number, and return its new path."""
        number = max((number for number, _ in self.closed()), default=0)
        while True:
            number += 1
            closed = self.path.with_name(f"{self._stem}.{number:04d}{self._suffix}")
            if os.path.lexists(closed.with_name(closed.name + ".gz")):
                continue
            try:
                move_aside(self.path, closed)
            except FileExistsError:
                continue
            return closed

    @property
    def closed_parts(self) -> int:
        """How many files were closed by rotation so far."""
        return self._part - 1

    @property
    def _stem(self) -> str:
        return self.path.name.removesuffix(".gz").rpartition(".")[0] or self.path.name.removesuffix(".gz")

    @property
    def _suffix(self) -> str:
        name = self.path.name.removesuffix(".gz")
        return name[len(self._stem) :]

    def closed(self) -> list[tuple[int, Path]]:
        """Return number and path of every file named like a closed one, whoever made it, in order of number.

        A number has five digits at most, so that a date does not count as one.
        """
        form = re.compile(rf"{re.escape(self._stem)}\.(\d{{4}}|[1-9]\d{{4}}){re.escape(self._suffix)}(?:\.gz)?")
        try:
            names = [(form.fullmatch(name), name) for name in os.listdir(self.path.parent)]
        except OSError:
            return []
        return sorted((int(match[1]), self.path.with_name(name)) for match, name in names if match)

    def absent(self) -> list[Path]:
        """Return the closed files of this recording that somebody else removed."""
        return [made.path for made in self._made if not made.path.exists()]

    # --- packing and pruning ----------------------------------------------------------------------------------------

    def finish(self, wait_s: float, *, there: bool = True) -> None:
        """Pack the last file too, which must be closed; `there` says whether it still exists.

        Waits only `wait_s` for files to be packed; the rest stay plain.
        """
        if self._packed and there:
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
            return  # deleted already, to keep to the limit
        target = path if path.name.endswith(".gz") else path.with_name(path.name + ".gz")
        if path != target and target.exists():
            self.trouble = f"{printable(str(target))}: exists already; {printable(path.name)} stays unpacked"
        elif pack(path, target, self._stop.is_set) and path != target:
            path.unlink()
            sync_folder(path.parent)
            for made in self._made:
                if made.path == path:
                    made.path = target
            if path == self.path:
                self.last = target

    def _prune(self) -> None:
        """Delete the oldest closed files of this recording, and no other files, to keep to the limit."""
        if not self._keep_bytes:
            return
        sizes = [(made, _size(made.path)) for made in self._made]
        total = sum(size for _, size in sizes) + _size(self.last)
        for made, size in sizes:
            if total <= self._keep_bytes:
                break
            if made.path.exists():
                if not self._is_ours(made):
                    self.trouble = f"{printable(made.path.name)}: no longer a file of this recording; not deleted"
                    self._made.remove(made)
                    continue
                made.path.unlink()
                self.pruned += 1
            self._made.remove(made)
            total -= size

    def _is_ours(self, made: _Made) -> bool:
        """Return whether, by its header, the file still is the part of this recording that got this name."""
        try:
            store = open_store(made.path)
            try:
                header = read_header(store.read(0, 4096).partition(b"\n")[0], printable(str(made.path)))
            finally:
                store.close()
        except Trouble:
            return False
        return header.began == self._began.astimezone(UTC) and header.words.get("part") == str(made.part)


@dataclass
class _Made:
    """A file that this recording closed."""

    part: int
    path: Path


def _size(path: Path) -> int:
    """Return the size of a file in bytes; 0 if it does not exist, as for a moment while it is renamed."""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
