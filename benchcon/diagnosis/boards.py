"""Findings about whole boards during a walk: resets, lost ports, silence, dark, supply, line."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Any

from benchcon.diagnosis.evidence import SAG_MV, BoardTrouble
from benchcon.diagnosis.findings import KINDS, Finding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.text import times
from benchcon.units import volts

OFTEN = 3
"""If a board was reset this often while the same part was lit, that part pulls its supply down."""

_RESETS = {
    "brownout": "its supply: what lights takes more than cable, hub or regulator give; a supply of their own for the "
    "lamps and displays mends it",
    "watchdog": "its firmware: it hung, and the watchdog reset it",
}


def find(
    layout: PanelIndex, troubles: Iterable[BoardTrouble], faint: Mapping[str, Collection[str]] | None = None
) -> list[Finding]:
    """Return the findings about boards, one for each board and kind of trouble.

    `faint` gives the boards of which every output fails when all are lit together, with these outputs.
    """
    faint = dict(faint or {})
    out = [f for it in troubles if it.any for f in _of(layout, it, faint.pop(it.board, ()))]
    return out + [_weak(layout, BoardTrouble(board), {}, names) for board, names in faint.items()]


_OF_WEAK_SUPPLY = {
    "resets": "restarts",
    "lost": "loses its port",
    "silences": "goes silent",
}
"""For each counter of `BoardTrouble`, what a supply that gives way does to a board."""


def _weak(layout: PanelIndex, it: BoardTrouble, all_lit: Mapping[str, int], faint: Collection[str]) -> Finding:
    """Return the finding that a board cannot light all of its outputs together.

    `all_lit` says how often each thing of `_OF_WEAK_SUPPLY` happened while all were lit.
    """
    kinds = [
        what
        for what, there in (("lamps", layout.lamps), ("displays", layout.displays))
        if any(part.channel.board == it.board for part in there.values())
    ]
    outputs = " and ".join(kinds) or "outputs"
    done = [f"{_OF_WEAK_SUPPLY[what]} ({times(count)})" for what, count in all_lit.items()]
    if faint:
        done.append(f"lets all {len(faint)} of them go dim or dark")
    supply = f"{volts(it.before_mv)} before and {volts(it.together_mv)} then" if it.sag_mv else ""
    if not done:
        done = [f"sags by {volts(it.sag_mv)}"]
        because = f"the supply of board {it.board} {done[0]} when all its {outputs} are lit together: {supply}"
    else:
        because = f"board {it.board} {' and '.join(done)} when all its {outputs} are lit together"
        because += f"; its supply: {supply}" if it.sag_mv > SAG_MV else ""
    detail: dict[str, Any] = dict(all_lit)
    if it.sag_mv:
        detail |= {"before_mv": it.before_mv, "together_mv": it.together_mv}
    if faint:
        detail["faint"] = list(faint)
    return _finding("weak supply", it.board, because, _RESETS["brownout"], detail)


def _is_weak(it: BoardTrouble, all_lit: Mapping[str, int]) -> bool:
    """Return whether the trouble while all was lit is no coincidence: it recurred, or the board reported a brownout."""
    only_then = it.resets == all_lit.get("resets", 0)
    return sum(all_lit.values()) > 1 or (only_then and "brownout" in it.causes) or it.sag_mv > SAG_MV


def _of(layout: PanelIndex, it: BoardTrouble, faint: Collection[str] = ()) -> list[Finding]:
    out = []
    board = f"board {it.board}"
    all_lit = {what: it.together[what] for what in _OF_WEAK_SUPPLY if it.together.get(what)}
    pulled_by_one = any(count >= OFTEN and _is_part(layout, name) for name, count in it.lit.items())
    if not pulled_by_one and (faint or _is_weak(it, all_lit)):
        out.append(_weak(layout, it, all_lit, faint))
        it = replace(it, **{what: getattr(it, what) - count for what, count in all_lit.items()}, together={})
    if it.resets:
        out.append(_reset(layout, it, board))
    if it.lost:
        because = f"the port of {board} was lost {times(it.lost)} during the walk{_meanwhile(it, 'lost')}"
        look = "its USB plug, cable and hub; if somebody pulled the plug, nothing"
        out.append(_finding("port lost", it.board, because, look, {"lost": it.lost}))
    if it.silences:
        because = f"{board} missed three heartbeats, {times(it.silences)}{_meanwhile(it, 'silences')}"
        look = "its firmware, which may hang, then its supply and cable"
        out.append(_finding("board silent", it.board, because, look, {"silences": it.silences}))
    if it.darks:
        because = f"the dead-man of {board} made it dark {times(it.darks)}: nothing came from the computer"
        because += _meanwhile(it, "darks")
        look = "the line to the board; then the computer: a program that hangs, a port or hub put to sleep"
        out.append(_finding("went dark", it.board, because, look, {"darks": it.darks}))
    if it.no_supply:
        because = f"the supply of the outputs of {board} failed {times(it.no_supply)} while they were looked at"
        because += _meanwhile(it, "no_supply")
        look = "the supply itself, its switch, fuse and plug, and its ground to the board"
        out.append(_finding("supply lost", it.board, because, look, {"no_supply": it.no_supply}))
    counts = {"bad_here": it.bad_here, "bad_there": it.bad_there, "missing": it.missing}
    if any(counts.values()):
        said = [
            f"{it.bad_here} damaged on the way from it" if it.bad_here else "",
            f"{it.bad_there} damaged on the way to it" if it.bad_there else "",
            f"{it.missing} missing" if it.missing else "",
        ]
        because = f"lines of {board}: {', '.join(filter(None, said))}{_meanwhile(it, 'missing')}"
        look = "its cable and hub, its ground, and on a long serial line the baud rate"
        out.append(_finding("line damaged", it.board, because, look, counts))
    return out


def _reset(layout: PanelIndex, it: BoardTrouble, board: str) -> Finding:
    pulled = tuple(name for name, count in it.lit.items() if count >= OFTEN and _is_part(layout, name))
    causes = f" ({', '.join(it.causes)})" if it.causes else ""
    labels = [(layout.part(name).label, it.lit[name]) for name in it.lit if _is_part(layout, name)]
    while_lit = ", ".join(f"{times(count)} while “{label}” was commanded to light" for label, count in labels[:3])
    look = next((_RESETS[cause] for cause in it.causes if cause in _RESETS), "")
    return _finding(
        "board reset",
        it.board,
        f"{board} was reset {times(it.resets)} during the walk{causes}{', ' if while_lit else ''}{while_lit}"
        f"{_meanwhile(it, 'resets')}",
        look or "its USB plug and cable, its supply, and what is on its RESET pin",
        {"resets": it.resets, "causes": list(it.causes), "lit": dict(it.lit)},
        pulled,
    )


def _meanwhile(it: BoardTrouble, what: str) -> str:
    count = it.together.get(what, 0)
    return f", {times(count)} while all its outputs were lit together" if count else ""


def _is_part(layout: PanelIndex, name: str) -> bool:
    return name in layout.lamps or name in layout.displays


def _finding(
    kind: str, board: str, because: str, look_first: str, detail: dict[str, Any], parts: tuple[str, ...] = ()
) -> Finding:
    return Finding(kind, parts, (board,), detail, because, look_first, KINDS[kind].decide)
