"""Writing files that appear whole or not at all; every file that a command writes is written here."""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, TextIO

from benchcon.errors import Trouble
from benchcon.fresh import Fresh, sync_folder
from benchcon.text import printable

FORCE = "overwrite it with --force"
"""What a user can do about an existing file, other than choosing another name."""


def may_write(path: str | os.PathLike[str] | None, *, force: bool = False, way_out: str = FORCE) -> None:
    """Raise `Trouble` if `path` clearly cannot be written, or exists and is not to be overwritten.

    For a check before work that takes long; writing can still fail. Nothing is checked if `path` is None. `way_out` is
    what the user can do about an existing file, other than choosing another name; empty if nothing.
    """
    if path is None:
        return
    target, shown = Path(path), printable(os.fspath(path))
    if target.is_dir():
        raise Trouble(f"{shown}: is a folder; name a file")
    if target.exists():
        if target.is_file() and not force:
            raise exists_already(shown, way_out)
        if not os.access(target, os.W_OK):
            raise Trouble(f"{shown}: you have no permission to write it; choose another name")
        return
    need_folder(target)
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise Trouble(
            f"{shown}: nothing may be written into {printable(os.fspath(target.parent))}; choose another name"
        )


def exists_already(shown: str, way_out: str) -> Trouble:
    """Return what to tell the user about a file, with the printable name `shown`, that must not be overwritten."""
    return Trouble(f"{shown}: exists already; choose another name{f', or {way_out}' if way_out else ''}")


def cannot_be_written(path: str | os.PathLike[str], error: OSError | ValueError, hint: str = "") -> Trouble:
    """Return what to tell the user about a file or folder that cannot be written, with the system's reason."""
    why = printable(getattr(error, "strerror", None) or str(error))
    return Trouble(f"{printable(os.fspath(path))}: cannot be written: {why}{hint}")


def need_folder(target: Path) -> None:
    """Raise `Trouble` if there is no folder to put `target` in."""
    if not target.parent.is_dir():
        raise Trouble(
            f"{printable(os.fspath(target))}: there is no folder {printable(os.fspath(target.parent))} to put it in"
        )


@contextlib.contextmanager
def new_file(path: str | os.PathLike[str], *, force: bool = False) -> Iterator[TextIO]:
    """Open `path` for writing text (UTF-8, line ends as given), as `write_whole` does for bytes."""
    with _new(path, force, FORCE) as raw:
        out = io.TextIOWrapper(raw, encoding="utf-8", newline="", errors="backslashreplace", write_through=True)
        yield out
        out.detach()


def write_whole(
    path: str | os.PathLike[str], raw: bytes, *, force: bool = True, way_out: str = FORCE, links: bool = True
) -> None:
    """Write `raw` to the file `path`, which takes its name when everything is on the disk.

    If anything goes wrong before, nothing is left and what was there stays. A symbolic link stays one, and the file it
    leads to is written; a file that is replaced gives the new one its permissions. What is not an ordinary file
    (``/dev/stdout``, a named pipe) is written to as it is. Raises `Trouble` if it cannot be written, and, without
    `force`, if it exists already; `way_out` as for `may_write`. Without `links` the file takes the place of a symbolic
    link: if the user did not choose the name, somebody else may have put one there.
    """
    with _new(path, force, way_out, links) as out:
        out.write(raw)


@contextlib.contextmanager
def _new(path: str | os.PathLike[str], force: bool, way_out: str, links: bool = True) -> Iterator[BinaryIO]:
    may_write(path, force=force, way_out=way_out)
    shown = printable(os.fspath(path))
    target = Path(os.path.realpath(path)) if links else Path(path)
    there = target.exists() and not target.is_symlink()
    special = there and not target.is_file()
    fresh: Fresh | None = None
    try:
        fresh = None if special else Fresh(target)
        with open(target if fresh is None else fresh.descriptor, "wb") as out:
            yield out
            out.flush()
            if fresh is not None:
                if there and target.exists() and os.chmod in os.supports_fd:
                    os.chmod(fresh.descriptor, target.stat().st_mode & 0o777)
                os.fsync(fresh.descriptor)
                fresh.place(target, replace=force)
                sync_folder(target.parent)
    except FileExistsError:
        raise exists_already(shown, way_out) from None
    except OSError as error:
        raise cannot_be_written(path, error) from error
    finally:
        if fresh is not None:
            fresh.give_up()
