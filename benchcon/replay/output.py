"""Writing a file that appears whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from benchcon.errors import Trouble
from benchcon.fresh import Fresh, sync_folder
from benchcon.text import printable


def may_write(
    path: str | os.PathLike[str] | None, *, force: bool = False, way_out: str = "overwrite it with --force"
) -> None:
    """Raise `Trouble` if `path` plainly cannot be written, or is there and not to be overwritten; `way_out` is what may
    be done about that, beside choosing another name.

    For asking before work that takes long; writing it can still fail. None is asked nothing.
    """
    if path is None:
        return
    target, shown = Path(path), printable(os.fspath(path))
    if target.is_dir():
        raise Trouble(f"{shown}: is a folder; name a file")
    if target.exists():
        if target.is_file() and not force:
            raise Trouble(f"{shown}: there already; choose another name, or {way_out}")
        if not os.access(target, os.W_OK):
            raise Trouble(f"{shown}: you have no permission to write it; choose another name")
    elif not target.parent.is_dir():
        raise Trouble(f"{shown}: there is no folder {printable(os.fspath(target.parent))} to put it in")
    elif not os.access(target.parent, os.W_OK | os.X_OK):
        raise Trouble(
            f"{shown}: nothing may be written into {printable(os.fspath(target.parent))}; choose another name"
        )


@contextlib.contextmanager
def new_file(path: str | os.PathLike[str], *, force: bool = False) -> Iterator[TextIO]:
    """Open `path` for writing text (UTF-8, line ends as given).

    The file takes its name when all is written; if anything goes wrong before, nothing is left and what was there
    stays. Raises `Trouble` if there is a file already and not `force`, or if it cannot be written.
    """
    may_write(path, force=force)
    target = Path(path)
    shown = printable(os.fspath(path))
    # A device or a pipe cannot be replaced: it is written as it is.
    special = target.exists() and not target.is_file()
    fresh: Fresh | None = None
    try:
        fresh = None if special else Fresh(target)
        where = target if fresh is None else fresh.descriptor
        with open(where, "w", encoding="utf-8", newline="", errors="backslashreplace") as out:
            yield out
            out.flush()
            if fresh is not None:
                fresh.place(target, replace=force)
                sync_folder(target.parent)
    except FileExistsError:
        raise Trouble(f"{shown}: there already; choose another name, or overwrite it with --force") from None
    except OSError as error:
        raise Trouble(f"{shown}: cannot be written: {error.strerror}") from error
    finally:
        if fresh is not None:
            fresh.give_up()
