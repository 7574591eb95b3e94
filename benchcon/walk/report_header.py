"""What a report says besides the walk: when, by which program, and on which boards with which firmware."""

from __future__ import annotations

from typing import Any

from benchcon import __version__
from benchcon.panel.model import Panel
from benchcon.session import Session
from benchcon.text import printable


def about(session: Session, panel: Panel, began: str) -> dict[str, Any]:
    """Return the head of a report; `began` is wall time, ISO 8601."""
    boards = []
    with session.lock:
        for board in panel.boards:
            found = session.state.board_named(board.ident or board.name)
            if found is not None:
                boards.append(
                    {
                        "name": board.name,
                        "ident": printable(found.ident),
                        "firmware": printable(found.firmware),
                        "chip": printable(found.chip),
                        "port": printable(found.port),
                    }
                )
    return {"began": began, "by": f"benchcon {__version__}", "boards": boards}
