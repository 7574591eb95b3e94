"""What happened to whole boards during a walk, as findings: resets, lost ports, silence, dark, supply, line."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from benchcon.diagnosis.evidence import BoardTrouble
from benchcon.diagnosis.findings import KINDS, Finding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.text import times

OFTEN = 3
"""A board that was reset so often while one part was to light is pulled down by it."""

_RESETS = {
    "brownout": "its supply: what lights takes more than cable, hub or regulator give; a supply of their own for the "
    "lamps and displays mends it",
    "watchdog": "its firmware: it hung, and the watchdog reset it",
}


def find(layout: PanelIndex, troubles: Iterable[BoardTrouble]) -> list[Finding]:
    """Return what happened to each board, one finding for each sort of thing."""
    return [finding for trouble in troubles if trouble.any for finding in _of(layout, trouble)]


def _of(layout: PanelIndex, it: BoardTrouble) -> list[Finding]:
    out = []
    board = f"board {it.board}"
    if it.resets:
        pulled = tuple(name for name, count in it.lit.items() if count >= OFTEN and _is_part(layout, name))
        causes = f" ({', '.join(it.causes)})" if it.causes else ""
        labels = [(layout.part(name).label or name, it.lit[name]) for name in it.lit if _is_part(layout, name)]
        while_lit = ", ".join(f"{times(count)} while “{label}” was to light" for label, count in labels[:3])
        look = next((_RESETS[cause] for cause in it.causes if cause in _RESETS), "")
        out.append(
            _finding(
                "board reset",
                it.board,
                f"{board} was reset {times(it.resets)} during the walk{causes}{', ' if while_lit else ''}{while_lit}",
                look or "its USB plug and cable, its supply, and what hangs on its RESET pin",
                {"resets": it.resets, "causes": list(it.causes), "lit": dict(it.lit)},
                pulled,
            )
        )
    if it.lost:
        because = f"the port of {board} was lost {times(it.lost)} during the walk"
        look = "its USB plug, cable and hub; if somebody pulled the plug, nothing"
        out.append(_finding("port lost", it.board, because, look, {"lost": it.lost}))
    if it.silences:
        because = f"{board} said nothing for three heartbeats, {times(it.silences)}"
        look = "its firmware, which may hang, then its supply and cable"
        out.append(_finding("board silent", it.board, because, look, {"silences": it.silences}))
    if it.darks:
        because = f"the dead-man of {board} made it dark {times(it.darks)}: it heard nothing from the computer"
        look = "the line to the board; then the computer: a program that hangs, a port or hub put to sleep"
        out.append(_finding("went dark", it.board, because, look, {"darks": it.darks}))
    if it.no_supply:
        because = f"the supply of what {board} lights went {times(it.no_supply)} while it was looked at"
        look = "the supply itself, its switch, fuse and plug, and its ground to the board"
        out.append(_finding("supply lost", it.board, because, look, {"no_supply": it.no_supply}))
    counts = {"bad_here": it.bad_here, "bad_there": it.bad_there, "missing": it.missing}
    if any(counts.values()):
        said = [
            f"{it.bad_here} damaged on the way from it" if it.bad_here else "",
            f"{it.bad_there} damaged on the way to it" if it.bad_there else "",
            f"{it.missing} missing" if it.missing else "",
        ]
        because = f"lines of {board}: {', '.join(filter(None, said))}"
        look = "its cable and hub, its ground, and on a long serial line the baud rate"
        out.append(_finding("line damaged", it.board, because, look, counts))
    return out


def _is_part(layout: PanelIndex, name: str) -> bool:
    return name in layout.lamps or name in layout.displays


def _finding(
    kind: str, board: str, because: str, look_first: str, detail: dict[str, Any], parts: tuple[str, ...] = ()
) -> Finding:
    return Finding(kind, parts, (board,), detail, because, look_first, KINDS[kind].decide)
