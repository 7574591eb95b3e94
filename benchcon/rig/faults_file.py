"""Reading faults files (TOML, see `protocols/faults-file.md`); mistakes are reported with file and line."""

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
from benchcon.rig.wiring import Wiring, wiring
from benchcon.text import printable

MOST = 1000
"""Most faults in one file."""


@dataclass(frozen=True, slots=True)
class FaultsFile:
    """The contents of a faults file."""

    seed: int = 0
    faults: tuple[tuple[str, Fault], ...] = ()
    """(board name, or empty for every board; fault), in the order of the file."""

    def of(self, board: str) -> list[Fault]:
        """Return the faults of one board."""
        return [fault for name, fault in self.faults if name in ("", board)]


def looks_like_one(text: str) -> bool:
    """Return whether a TOML text is meant as a faults file, even if its headings are not quite right."""
    return has_heading(text, "[[faults]]", "[faults]", "[[fault]]", "[fault]")


def load(path: str | Path, panel: Panel | None = None) -> FaultsFile:
    """Read the faults file `path`; with a `panel`, check that its boards and channels exist.

    Raises `Trouble` with file and line of the first mistake.
    """
    return loads(slurp(path, LARGEST), str(path), panel)


def loads(text: str | bytes, name: str = "faults file", panel: Panel | None = None) -> FaultsFile:
    """Return the contents of the faults file `text`; `name` is the file's name in messages. Raises as `load`."""
    top, findings = open_table(text, name, "faults file")
    if top is None:
        raise Trouble(str(findings[0]))
    data, source = top.values, top.source

    def wrong(path: KeyPath, message: str) -> Trouble:
        return Trouble(f"{source.file}:{source.line(path) or 1}: {message}")

    for key in data:
        if key not in ("seed", "faults"):
            raise wrong((key,), f"unknown key '{printable(key)}'; a faults file has 'seed' and '[[faults]]'")
    seed = data.get("seed", 0)
    if not isinstance(seed, int) or isinstance(seed, bool) or not 0 <= seed < 1 << 63:
        raise wrong(("seed",), "'seed' must be a whole number, 0 or above")
    tables = data.get("faults", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise wrong(("faults",), "faults must be tables, each under its own [[faults]]")
    if len(tables) > MOST:
        raise wrong(("faults", MOST), f"more than {MOST} faults in one file")
    boards = {board.name: wiring(panel, board.name) for board in panel.boards} if panel else {}
    faults = []
    for index, table in enumerate(tables):
        try:
            board, fault = _fault(table, tuple(boards))
            _check_on(board, fault, boards)
        except WrongFault as error:
            key = error.key
            if key in ("board", "channel") and key not in table:
                key = next((each for each in ("channel", "channels") if each in table), key)
            raise wrong(("faults", index, key), str(error)) from None
        faults.append((board, fault))
    return FaultsFile(seed, tuple(faults))


def _check_on(board: str, fault: Fault, boards: Mapping[str, Wiring]) -> None:
    """Check a fault against its board, or if it names none against all. Raises `WrongFault`."""
    wrong = {}
    for name, each in boards.items():
        if board in ("", name):
            try:
                check(fault, each)
            except WrongFault as error:
                wrong[name] = error
    if not wrong:
        return
    first = next(iter(wrong.values()))
    fit = [name for name in boards if name not in wrong]
    if not board and fit:
        which = " or ".join(f'board = "{printable(name)}"' for name in fit)
        raise WrongFault(first.key, f"{first}; a fault of one board names it: {which}")
    raise first


def _fault(table: Mapping[str, Any], boards: tuple[str, ...]) -> tuple[str, Fault]:
    """Return board name and fault of one table. Raises `WrongFault`."""
    values = dict(table)
    kind, board = values.pop("kind", None), values.pop("board", "")
    if not isinstance(kind, str):
        raise WrongFault("kind", "a fault needs its 'kind', such as kind = \"stuck\"")
    if "channel" in values and "channels" in values:
        raise WrongFault("channel", "either 'channel' or 'channels' is allowed, not both")
    given = values.pop("channel", None)
    channels = values.pop("channels", []) if given is None else [given]
    if not isinstance(channels, list) or not all(isinstance(each, str) for each in channels):
        raise WrongFault("channel", "'channel' is one channel's id, 'channels' a list of them")
    if not isinstance(board, str):
        raise WrongFault("board", "'board' is the name of a board of the panel")
    ids = []
    for channel in channels:
        # As in a panel file, a channel may have its board in front.
        front, point, id_ = channel.rpartition(".")
        if point and board and front != board:
            raise WrongFault("channel", f"'{printable(channel)}' is not on board '{printable(board)}'")
        board = front or board
        ids.append(id_)
    if ids and not board and len(boards) == 1:
        board = boards[0]
    if ids and not board:
        raise WrongFault("channel", f'the channel needs its board: channel = "BOARD.{printable(ids[0])}"')
    if board and boards and board not in boards:
        raise WrongFault("board", f"the panel has no board '{printable(board)}'; its boards: {', '.join(boards)}")
    return board, fault_of(kind, ids, values)
