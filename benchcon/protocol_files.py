"""Where the written protocol, its vectors and the firmware lie: in the wheel, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path

from benchcon.errors import Trouble


def protocols_dir() -> Path:
    """Return the folder ``protocols`` as installed, or as checked out beside the package.

    Raises `Trouble` if the installation lacks it.
    """
    here = Path(__file__).resolve().parent
    for folder in (here / "protocols", here.parent / "protocols"):
        if (folder / "line-protocol.md").is_file():
            return folder
    raise Trouble(f"the folder 'protocols' is missing beside {here}: install benchcon again")
