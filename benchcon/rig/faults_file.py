"""Faults files: TOML in, each board's faults out; mistakes with file and line. See `protocols/faults-file.md`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchcon.errors import Trouble
from benchcon.panel.file import LARGEST, open_table, slurp
from benchcon.panel.model import Panel
from benchcon.panel.reader import has_heading
from benchcon.panel.where import Path as KeyPath
from benchcon.rig.faults import Fault, WrongFault, check, fault_of
from benchcon.rig.wiring import wiring
from benchcon.text import printable

MOST = 1000
"""Faults in one file."""


@dataclass(frozen=True, slots=True)
class FaultsFile:
    """What a faults file says."""

    seed: int = 0
    faults: tuple[tuple[str, Fault], ...] = ()
    """Board name (empty: every board) and fault, in the order of the file."""

    def of(self, board: str) -> list[Fault]:
        """Return the faults of one board."""
        return [fault for name, fault in self.faults if name in ("", board)]


def looks_like_one(text: str) -> bool:
    """Tell whether a TOML text is meant as a faults file, rightly headed or not."""
    return has_heading(text, "[[faults]]", "[faults]", "[[fault]]", "[fault]")


def load(path: str | Path, panel: Panel | None = None) -> FaultsFile:
    """Read the faults file `path`; with a `panel`, check that its boards and channels are there.

    Raises `Trouble` with file and line for the first mistake.
    """
    return loads(slurp(path, LARGEST), str(path), panel)


def loads(text: str | bytes, name: str = "faults file", panel: Panel | None = None) -> FaultsFile:
    """Return what the faults file `text` says; `name` stands for the file in messages. Raises `Trouble`."""
    top, findings = open_table(text, name, "faults file")
    if top is None:
        raise Trouble(str(findings[0]))
    data, source = top.values, top.source

    def wrong(path: KeyPath, message: str) -> Trouble:
        return Trouble(f"{source.file}:{source.line(path) or 1}: {message}")

    for key in data:
        if key not in ("seed", "faults"):
            raise wrong((key,), f"there is no key '{printable(key)}' here; a faults file has 'seed' and '[[faults]]'")
    seed = data.get("seed", 0)
    if not isinstance(seed, int) or isinstance(seed, bool) or not 0 <= seed < 1 << 63:
        raise wrong(("seed",), "'seed' must be a whole number, 0 or above")
    tables = data.get("faults", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise wrong(("faults",), "faults are written as tables, each under its own [[faults]]")
    if len(tables) > MOST:
        raise wrong(("faults", MOST), f"more than {MOST} faults in one file")
    boards = {board.name: wiring(panel, board.name) for board in panel.boards} if panel else {}
    faults = []
    for index, table in enumerate(tables):
        try:
            board, fault = _fault(table, tuple(boards))
            for each in boards.values():
                if board in ("", each.name):
                    check(fault, each)
        except WrongFault as error:
            key = error.key
            if key in ("board", "channel") and key not in table:
                key = next((each for each in ("channel", "channels") if each in table), key)
            raise wrong(("faults", index, key), str(error)) from None
        faults.append((board, fault))
    return FaultsFile(seed, tuple(faults))


def _fault(table: Mapping[str, Any], boards: tuple[str, ...]) -> tuple[str, Fault]:
    """Return the board and the fault that one table says. Raises `WrongFault`."""
    values = dict(table)
    kind, board = values.pop("kind", None), values.pop("board", "")
    if not isinstance(kind, str):
        raise WrongFault("kind", "a fault needs its 'kind', such as kind = \"stuck\"")
    if "channel" in values and "channels" in values:
        raise WrongFault("channel", "either 'channel' or 'channels', not both")
    given = values.pop("channel", None)
    channels = values.pop("channels", []) if given is None else [given]
    if not isinstance(channels, list) or not all(isinstance(each, str) for each in channels):
        raise WrongFault("channel", "'channel' is one channel's id, 'channels' a list of them")
    if not isinstance(board, str):
        raise WrongFault("board", "'board' is the name of a board of the panel")
    ids = []
    for channel in channels:
        # As in a panel file, a channel may be written with its board in front.
        front, point, id_ = channel.rpartition(".")
        if point and board and front != board:
            raise WrongFault("channel", f"'{printable(channel)}' is not on board '{printable(board)}'")
        board = front or board
        ids.append(id_)
    if ids and not board and len(boards) == 1:
        board = boards[0]
    if ids and not board:
        raise WrongFault("channel", f'say whose channel it is: channel = "BOARD.{printable(ids[0])}"')
    if board and boards and board not in boards:
        raise WrongFault("board", f"the panel has no board '{printable(board)}'; its boards: {', '.join(boards)}")
    return board, fault_of(kind, ids, values)
