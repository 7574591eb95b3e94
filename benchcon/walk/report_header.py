"""The head of a walk's report: when, by whom, on which panel and boards, with which program version."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from benchcon import PROGRAM
from benchcon.panel.model import Panel
from benchcon.session import Session
from benchcon.text import printable
from benchcon.walk.identities import JudgedOn, changed_boards, identities
from benchcon.walk.journal import FinishedStep
from benchcon.walk.soak import BoardHealth


class Sitting:
    """One sitting of a walk, from its beginning or continuation to its end: when, for how long, and by whom."""

    def __init__(self, by: str = "", serial: str = "", simulated: bool = False) -> None:
        """Begin now. `by` is who walks; `serial` is the panel's serial number, if its file gives none.

        `simulated` says that no person moves anything.
        """
        now = datetime.now().astimezone()
        self.by, self.serial, self.simulated = by, serial, simulated
        self.began = now.isoformat(timespec="seconds")
        """Local wall time, ISO 8601 with its offset from UTC."""
        self.zone = now.tzname() or ""
        self.carried_us = 0
        self.kept: list[str] = []
        """Names of parts whose results are from an earlier, finished walk."""
        self._since = time.monotonic()

    def goes_on(self, began: str, done: Iterable[FinishedStep]) -> None:
        """Continue a walk that began at `began`, of which `done` is finished; if that is now, it was complete."""
        if began != self.began:
            self.began, self.zone = began, ""
            self.carried_us = sum(each.took_us for each in done)
        else:
            self.kept = [each.group.name for each in done if each.group.is_part]

    @property
    def took_s(self) -> float:
        """Seconds that it has taken so far; groups carried over count with the time that their steps took."""
        return time.monotonic() - self._since + self.carried_us / 1e6


def about(
    session: Session,
    panel: Panel,
    sitting: Sitting,
    health: Mapping[str, BoardHealth] | None = None,
    judged_on: JudgedOn | None = None,
) -> dict[str, Any]:
    """Return the head of a report as JSON values.

    `health` is by the board's name on the panel; `judged_on` is what the boards said of themselves at each group.
    """
    boards = []
    with session.lock:
        for board in panel.boards:
            found = session.state.board_named(board.own_ident)
            if found is not None:
                row: dict[str, Any] = {
                    "name": board.name,
                    "ident": printable(found.ident),
                    "firmware": printable(found.firmware),
                    "chip": printable(found.chip),
                    "port": printable(found.port),
                }
                if health is not None and board.name in health:
                    row["link"] = _link(health[board.name])
                boards.append(row)
    return {
        "began": sitting.began,
        "zone": sitting.zone,
        "took_s": round(sitting.took_s, 1),
        "by": printable(sitting.by),
        "simulated": sitting.simulated,
        "serial": printable(sitting.serial or panel.serial),
        "kept": sitting.kept,
        "program": PROGRAM,
        "boards": boards,
        "other_boards": [
            each._asdict()
            for each in changed_boards(panel, judged_on or {}, judged_on or {}, identities(session, panel))
        ],
    }


def _link(board: BoardHealth) -> dict[str, Any]:
    """Return the figures of a board and its link over the whole walk."""
    return {
        "resets": board.resets,
        "causes": [printable(cause) for cause in dict.fromkeys(board.causes)],
        "lost": board.lost,
        "silences": board.silences,
        "darks": board.darks,
        "missing": board.missing,
        "bad_here": board.bad_here,
        "bad_there": board.bad_there,
        "rest_mv": board.rest_mv,
        "least_mv": board.least_mv,
        "worst_loop_us": board.worst_loop_us,
    }
