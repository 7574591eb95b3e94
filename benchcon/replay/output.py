"""Writing a file that appears whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from benchcon.errors import Trouble
from benchcon.wire.printable import printable


@contextlib.contextmanager
def new_file(path: str | os.PathLike[str], *, force: bool = False) -> Iterator[TextIO]:
    """Open `path` for writing text (UTF-8, line ends as given).

    The file takes its name when all is written; if anything goes wrong before, nothing is left and what was there
    stays. Raises `Trouble` if there is a file already and not `force`, or if it cannot be written.
    """
    target = Path(path)
    shown = printable(os.fspath(path))
    # A device or a pipe cannot be replaced: it is written as it is.
    special = target.exists() and not target.is_file()
    if target.exists() and not force and not special:
        raise Trouble(f"{shown}: there already; choose another name, or overwrite it with --force")
    part = target if special else target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline="", errors="backslashreplace") as out:
            yield out
            out.flush()
        if not special:
            part.replace(target)
    except OSError as error:
        raise Trouble(f"{shown}: cannot be written: {error.strerror}") from error
    finally:
        if not special:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
