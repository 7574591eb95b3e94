"""What `benchcon firmware` would report about a panel, for `benchcon check`; and labels that a board has to cut."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from benchcon.errors import Trouble
from benchcon.firmware.board_plan import Plan
from benchcon.firmware.chips import CHIPS
from benchcon.firmware.panel_map import said
from benchcon.firmware.plan import Refused, plan
from benchcon.panel.model import Board, Panel, key_of
from benchcon.panel.reader import PanelRemark
from benchcon.rig.wiring import wiring
from benchcon.text import first_of, printable
from benchcon.wire.codec import LINE_MOST
from benchcon.wire.items import NAME_MOST, Item, fitting


def inspect_boards(panel: Panel) -> tuple[list[PanelRemark], list[str]]:
    """Return advice about each board of `panel`, and the names of those whose firmware cannot be built yet.

    A board without a known chip, or without any pins in the file, is taken as somebody else's, for which nothing is
    built.
    """
    found: list[PanelRemark] = []
    refused: list[str] = []
    for board in panel.boards:
        if board.chip not in CHIPS or not _has_pins(panel, board):
            found += cut_on_simulated(panel, board)
            continue
        try:
            made, advice = plan(panel, board.name)
            found += [*advice, *cut_labels(made)]
        except Refused as why:
            refused.append(board.name)
            found += [
                each._replace(text=f"firmware cannot be built: {each.text}", grave=False) for each in why.findings
            ]
    return found, refused


def _has_pins(panel: Panel, board: Board) -> bool:
    channels = (channel for part in panel.parts for channel in part.channels if channel.board == board.name)
    return any(channel.wire.pin for channel in channels) or any(chain.data for chain in board.chains)


def cut_labels(made: Plan) -> list[PanelRemark]:
    """Return advice about each label that the firmware of `made` cuts because an item must fit in a line."""
    return list(_cut(made.panel, said(made)))


def cut_on_simulated(panel: Panel, board: Board) -> list[PanelRemark]:
    """Return the same for a board that nothing is built for, from the labels of its simulated board."""
    parts = {c.id: part for part in panel.parts for c in part.channels if c.board == board.name}
    try:
        items = wiring(panel, board.name).whole
    except Trouble:
        return []  # more channels than a board can describe, which is reported elsewhere
    own = (board.line, f"boards.{board.name}")
    at = {id_: (part.line, key_of(part)) for id_, part in parts.items()}
    return list(_cut(panel, [(*at.get(item.id, own), item) for item in items]))


def _cut(panel: Panel, said: Iterable[tuple[int, str, Item]]) -> Iterator[PanelRemark]:
    """Yield one finding per line of the file; all parts of a board are in one finding."""
    file = printable(panel.path or "panel file")
    cut: dict[str, tuple[int, str, str]] = {}
    for line, who, item in said:
        left = fitting(item).detail
        for key, whole in item.detail.items():
            kept = left.get(key, "")
            if kept == whole:
                continue
            if key in ("pin", "colour"):
                text = f"{who}: a line of {LINE_MOST} bytes has no room for its {key}; a shorter channel id makes some"
                yield PanelRemark(file, line, text, False)
            elif key == "name":
                text = f'{who}: of its label the board can say "{printable(kept)}" ({NAME_MOST} bytes, in which what'
                yield PanelRemark(
                    file, line, f"{text} is not an ASCII letter or digit takes 3 or more); shorten it", False
                )
            elif key == "label":
                cut.setdefault(who, (line, whole, kept))
    if not cut:
        return
    shown = [f'{who}, "{printable(whole)}" to "{printable(kept)}"' for who, (_, whole, kept) in cut.items()]
    line, which = min(line for line, _, _ in cut.values()), "label" if len(cut) == 1 else "labels"
    text = f"the board cuts the {which} of {first_of(shown, 4, '; ')} (a part has a line of {LINE_MOST} bytes, in which"
    text += " a space takes 3); shorten what is cut, or use this file wherever it should be seen whole"
    yield PanelRemark(file, line, text, False)
